"""`DeviceSpec` to and from JSON, for the snapshot in a recording and for the viewer. A round trip gives an equal object."""

from __future__ import annotations

from typing import Any

from loadlog.model.device import ChannelSpec, DeviceSpec, LimitSpec
from loadlog.model.quantity import Accuracy, Scale


def device_to_json(device: DeviceSpec) -> dict[str, Any]:
    """Plain JSON values only."""
    return {
        "name": device.name,
        "role": device.role,
        "bus": device.bus,
        "period_s": device.period_s,
        "channels": [_channel_to_json(c) for c in device.channels],
        "sense": device.sense,
        "path_resistance_ohm": device.path_resistance_ohm,
        "group": device.group,
        "source": device.source,
        "cutoff_v": device.cutoff_v,
        "rated_ah": device.rated_ah,
        "fixed": dict(device.fixed),
        "limits": {name: {k: getattr(spec, k) for k in LimitSpec.__slots__} for name, spec in device.limits.items()},
        "identity": dict(device.identity),
        "profile_name": device.profile_name,
        "profile_hash": device.profile_hash,
    }


def _channel_to_json(channel: ChannelSpec) -> dict[str, Any]:
    out: dict[str, Any] = {k: getattr(channel, k) for k in ChannelSpec.__slots__}
    out["scale"] = [channel.scale.num, channel.scale.den, channel.scale.off]
    out["accuracy"] = None if channel.accuracy is None else [channel.accuracy.percent_of_reading, channel.accuracy.absolute]
    out["names"] = {str(k): v for k, v in channel.names.items()}
    out["sentinels"] = sorted(channel.sentinels)
    return out


def device_from_json(data: dict[str, Any]) -> DeviceSpec:
    """The inverse of `device_to_json`.

    Raises:
        KeyError, TypeError, ValueError: not written by `device_to_json`; the store says which recording.
    """
    fields = dict(data)
    fields["channels"] = tuple(_channel_from_json(c) for c in data["channels"])
    fields["limits"] = {name: LimitSpec(**spec) for name, spec in data["limits"].items()}
    return DeviceSpec(**fields)


def _channel_from_json(data: dict[str, Any]) -> ChannelSpec:
    fields = dict(data)
    fields["scale"] = Scale(*data["scale"])
    fields["accuracy"] = None if data["accuracy"] is None else Accuracy(*data["accuracy"])
    fields["names"] = {int(k): v for k, v in data["names"].items()}
    fields["sentinels"] = frozenset(data["sentinels"])
    return ChannelSpec(**fields)
