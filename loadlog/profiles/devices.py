"""A device of the configuration joined with its profile: `DeviceSpec`, and whether device, profile and bus fit together."""

from __future__ import annotations

from collections.abc import Mapping

from loadlog.config import MODBUS_KINDS, BusConfig, DeviceConfig, LimitConfig, nearest, printable
from loadlog.model.device import ChannelSpec, DeviceSpec, LimitSpec
from loadlog.model.errors import ConfigError
from loadlog.model.learned import FIXABLE, NOISE
from loadlog.model.wire import LinkTraits
from loadlog.profiles.profile import Profile

MOST_IN_PATH = 0.2  # of the rated voltage; leads that take more at the rated current would be no leads


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
        source=device.source or "",
        cutoff_v=_cutoff(key, device, limits, where),
        rated_ah=device.rated_ah,
        fixed=_fixed(key, device, profile, where),
        limits=limits,
        identity=_identity(key, device, profile, where),
        profile_name=profile.name,
        profile_hash=profile_hash or profile.sha256,
    )


def _cutoff(key: str, device: DeviceConfig, limits: Mapping[str, LimitSpec], where: str) -> float | None:
    """The battery's cut-off voltage, when the limits leave room above it."""
    limit = limits.get("voltage_v")
    if device.cutoff_v is None or limit is None:
        return device.cutoff_v
    for name, value in (("high", limit.high), ("high_high", limit.high_high)):
        if value is not None and device.cutoff_v >= value:
            raise ConfigError(f"{key}.cutoff_v: {device.cutoff_v:g} V is not below limits.voltage_v.{name} = {value:g} V", where=where)
    return device.cutoff_v


def _fixed(key: str, device: DeviceConfig, profile: Profile, where: str) -> dict[str, float]:
    """Facts that are given instead of learned, by the names under which they are shown."""
    noises = {f"{NOISE}{c.name}": c for c in profile.channels if c.kind == "number" and c.name != "setpoint"}
    for name, value in device.fixed.items():
        path = f"{key}.fixed.{printable(name)}"
        if name == "path_resistance_ohm":
            raise ConfigError(f"{path}: stands beside name and profile, not under fixed", where=where, hint=f"set {key}.{name}")
        if name not in noises and name not in FIXABLE:
            raise ConfigError(f"{path}: no such fact{nearest(name, [*FIXABLE, *noises])}", where=where)
        if name == "current_share" and not 0.0 < value < 1.0:
            raise ConfigError(f"{path}: a share of the group's current lies between 0 and 1, not {value:g}", where=where)
        if value == 0.0 and name not in noises:
            raise ConfigError(f"{path}: must be greater than 0", where=where)
    fast, slow = (device.fixed.get(f"thermal_time_constant_{which}_s") for which in ("fast", "slow"))
    if fast is not None and slow is not None and fast >= slow:
        raise ConfigError(f"{key}.fixed: thermal_time_constant_fast_s = {fast:g} must be below the slow one = {slow:g}", where=where)
    return dict(device.fixed)


def remarks_on(device: DeviceSpec) -> list[str]:
    """What in a device's configuration is allowed and yet has no effect, or another one than may be meant; one line each."""
    out = []
    limit = device.limits.get("voltage_v")
    if device.sense == "local" and device.path_resistance_ohm is not None:
        out.append(
            'path_resistance_ohm with sense = "local": no sense lead can fall off; it serves the path\'s heating and dissipation only'
        )
    rated_v, rated_a = (_rated(device, name) for name in ("voltage_v", "current_a"))
    if device.path_resistance_ohm is not None and rated_v and rated_a and device.path_resistance_ohm * rated_a > MOST_IN_PATH * rated_v:
        lost_v = device.path_resistance_ohm * rated_a
        out.append(
            f"path_resistance_ohm = {device.path_resistance_ohm:g} Ω takes {lost_v:.3g} V at the rated {rated_a:g} A: is it given in mΩ?"
        )
    if device.cutoff_v is not None and limit is not None:
        for name, value in (("low", limit.low), ("low_low", limit.low_low)):
            if value is not None and value < device.cutoff_v:
                out.append(
                    f"limits.voltage_v.{name} = {value:g} V lies below cutoff_v = {device.cutoff_v:g} V: the discharge ends before it"
                )
    if "output_resistance_ohm" in device.fixed and device.group is None and device.role == "thermometer":
        out.append("fixed.output_resistance_ohm: a thermometer sees no source; without effect")
    return [f"device {device.name}: {line}" for line in out]


def _rated(device: DeviceSpec, name: str) -> float | None:
    """The upper end of what a channel is rated to show."""
    channel = device.channel(name)
    return None if channel is None else channel.high


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
