"""What a load turns into heat, and the air that it gives the heat to."""

from __future__ import annotations

from loadlog.detectors.base import Context, finite, usable
from loadlog.model.device import DeviceSpec
from loadlog.model.sample import Sample

AIR = "ambient_c"
RATED_W = 200.0  # taken where the profile names no rating


def knows_power(device: DeviceSpec) -> bool:
    """It measures power, or voltage and current."""
    known = {c.name for c in device.channels}
    return "power_w" in known or {"voltage_v", "current_a"} <= known


def rated_w(device: DeviceSpec) -> float:
    """What it is made for, W."""
    power = device.channel("power_w")
    return power.high if power is not None and power.high else RATED_W


def air_of(sample: Sample, context: Context) -> float | None:
    """Temperature of the air, °C: the device's own reading, or that of a device of its group; None where nobody measures it."""
    found = air_reading(sample, context)
    return None if found is None else found[0]


def air_reading(sample: Sample, context: Context) -> tuple[float, int | None] | None:
    """As `air_of`, with what tells one reading from the next; None in its place where the device holds an earlier reading of its own."""
    if sample.values.get(AIR) is not None:
        is_held = AIR in sample.held
        own = finite(sample.values.get(AIR)) if is_held else usable(sample, AIR)
        return None if own is None else (own, None if is_held else sample.stamp.t_utc_ns)
    return next((found for peer in context.peers.values() if (found := peer.latest_reading(AIR)) is not None), None)


def measures_air(device: DeviceSpec, context: Context) -> bool:
    """Somebody of the group does."""
    return device.channel(AIR) is not None or any(peer.device.channel(AIR) is not None for peer in context.peers.values())


def heatsink_of(device: DeviceSpec) -> str | None:
    """The channel that says how hot the device is; None when there is none."""
    channel = next((c for c in device.channels if c.unit == "°C" and c.kind == "number" and c.name != AIR), None)
    return None if channel is None else channel.name
