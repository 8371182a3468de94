"""A device of the configuration joined with its profile: `DeviceSpec`, and whether device, profile and bus fit together."""

from __future__ import annotations

from loadlog.config import MODBUS_KINDS, BusConfig, DeviceConfig, LimitConfig, nearest, printable
from loadlog.model.device import ChannelSpec, DeviceSpec, LimitSpec
from loadlog.model.errors import ConfigError
from loadlog.model.wire import LinkTraits
from loadlog.profiles.profile import Profile


def device_spec(device: DeviceConfig, profile: Profile, profile_hash: str = "", where: str = "") -> DeviceSpec:
    """What the later stages know of a device. ``profile_hash`` defaults to that of the profile's text; ``where`` is the configuration file.

    Raises:
        ConfigError: the profile is for another role, or a limit or an identity names what the profile does not have; one line with the
            nearest name.
    """
    key = f"device[{device.name}]"
    if device.role not in profile.roles:
        raise ConfigError(f"{key}.role: profile {profile.name} is for {', '.join(profile.roles)}, not {device.role}", where=where)
    limits: dict[str, LimitSpec] = {}
    for name, limit in device.limits.items():
        channel = _limited_channel(f"{key}.limits.{printable(name)}", name, profile, where)
        if channel.name in limits:
            raise ConfigError(f"{key}.limits.{name}: {channel.name} has limits already", where=where)
        limits[channel.name] = _limit_spec(limit)
    return DeviceSpec(
        name=device.name,
        role=device.role,
        bus=device.bus,
        period_s=1.0 / device.rate_hz,
        channels=profile.channels,
        sense=device.sense,
        path_resistance_ohm=device.path_resistance_ohm,
        group=device.group,
        limits=limits,
        identity=_identity(key, device, profile, where),
        profile_name=profile.name,
        profile_hash=profile_hash or profile.sha256,
    )


def _limit_spec(limit: LimitConfig) -> LimitSpec:
    return LimitSpec(limit.low_low, limit.low, limit.high, limit.high_high, limit.deadband, limit.on_delay, limit.off_delay)


def _limited_channel(key: str, name: str, profile: Profile, where: str) -> ChannelSpec:
    """The channel that ``voltage_v``, or ``voltage`` when only one begins so, means."""
    numbers = {c.name: c for c in profile.channels if c.kind == "number"}
    if name in numbers:
        return numbers[name]
    short = [c for c in numbers.values() if c.name.rpartition("_")[0] == name]
    if len(short) == 1:
        return short[0]
    if short:
        raise ConfigError(f"{key}: may be {' or '.join(c.name for c in short)}; write which", where=where)
    if any(c.name == name for c in profile.channels):
        raise ConfigError(f"{key}: a status has no limits", where=where)
    known = [*numbers, *(n.rpartition("_")[0] for n in numbers if "_" in n)]
    raise ConfigError(f"{key}: profile {profile.name} has no such channel{nearest(name, known)}", where=where)


def _identity(key: str, device: DeviceConfig, profile: Profile, where: str) -> dict[str, str]:
    known = {i.name: i for i in profile.identity}
    for name in device.identity:
        if name not in known:
            raise ConfigError(
                f"{key}.identity.{printable(name)}: profile {profile.name} has no such identity{nearest(name, known)}", where=where
            )
    return {**{i.name: i.expect for i in profile.identity if i.expect}, **device.identity}


def link_traits(profile: Profile) -> LinkTraits:
    """How the instrument wants to be spoken to."""
    return profile.traits


def check_fit(bus: BusConfig, device: DeviceConfig, profile: Profile, where: str = "") -> None:
    """The device's profile against the bus it hangs on.

    Raises:
        ConfigError: another protocol, or an echo that the bus does not expect.
    """
    protocol = "modbus" if bus.kind in MODBUS_KINDS else "scpi"
    if profile.protocol != protocol:
        raise ConfigError(
            f"device[{device.name}].profile: {profile.name} speaks {profile.protocol}, but bus {bus.name} is {bus.kind}", where=where
        )
    if profile.echo and not bus.echo:
        raise ConfigError(
            f"bus[{bus.name}].echo: {profile.name}, the profile of {device.name}, says that the instrument echoes",
            where=where,
            hint="set echo = true",
        )
