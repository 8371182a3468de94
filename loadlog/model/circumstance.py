"""What the detectors were given besides samples, kept so that a replay gives them the same: where they began anew, and orders of ours.

Both take a number from the counter of samples and events, so their place among the samples is exact.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from loadlog.model.learned import Understanding

BEGUN, ORDERED = "begun", "ordered"


@dataclass(frozen=True, slots=True)
class Begun:
    """From number ``seq`` on the detectors of these devices start afresh, with the events that were active then; ``recalled``: device ->
    what they took over of what was learned before; ``reason``: for people."""

    seq: int
    t_utc_ns: int
    devices: tuple[str, ...]
    reason: str
    recalled: Mapping[str, Understanding]


@dataclass(frozen=True, slots=True)
class Ordered:
    """We wrote ``value`` to ``channel`` of a device."""

    seq: int
    t_utc_ns: int
    device: str
    channel: str
    value: float


Circumstance = Begun | Ordered


def devices_of(item: Circumstance) -> Sequence[str]:
    """Whom it concerns."""
    return item.devices if isinstance(item, Begun) else (item.device,)


def to_json(item: Circumstance) -> tuple[str, dict[str, Any]]:
    """Kind and body, without number and instant."""
    if isinstance(item, Ordered):
        return ORDERED, {"device": item.device, "channel": item.channel, "value": item.value}
    recalled = {device: known.to_json() for device, known in item.recalled.items()}
    return BEGUN, {"devices": list(item.devices), "reason": item.reason, "recalled": recalled}


def from_json(seq: int, t_utc_ns: int, kind: str, body: Mapping[str, Any]) -> Circumstance:
    """The inverse.

    Raises:
        KeyError, TypeError, ValueError: not written by `to_json`.
    """
    if kind == ORDERED:
        return Ordered(seq, t_utc_ns, str(body["device"]), str(body["channel"]), float(body["value"]))
    if kind != BEGUN:
        raise ValueError(f"unknown circumstance {kind!r}")
    recalled = {str(device): Understanding.from_json(known) for device, known in body["recalled"].items()}
    return Begun(seq, t_utc_ns, tuple(str(d) for d in body["devices"]), str(body["reason"]), recalled)
