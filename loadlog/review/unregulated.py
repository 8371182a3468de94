"""What the events of a run say of when the output was not regulated, for figures about regulation (`analysis.regulated`)."""

from __future__ import annotations

from collections.abc import Iterable

from loadlog.analysis import LeftOut
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event

OF_THE_SOURCE = frozenset({"supply_trip", "current_limit_entered", "cutoff_reached"})  # what every device on the source sees
OF_THE_DEVICE = frozenset({"load_trip", "sense_fallback", "sense_intermittent", "open_circuit", "protection"})


def left_out(spec: DeviceSpec, specs: Iterable[DeviceSpec], events: Iterable[Event], until_utc_ns: int) -> tuple[LeftOut, ...]:
    """Spans that the figures of ``spec`` leave out: from the earliest onset to the clearing, or to ``until_utc_ns``."""
    group = {s.name for s in specs if spec.group is not None and s.group == spec.group}
    spans = []
    for event in events:
        own = event.device == spec.name or (event.device is None and event.group is not None and event.group == spec.group)
        if (own and event.kind in OF_THE_DEVICE) or ((own or event.device in group) and event.kind in OF_THE_SOURCE):
            end_ns = event.cleared_utc_ns if event.cleared_utc_ns is not None else until_utc_ns
            spans.append(LeftOut(event.onset.earliest_utc_ns, max(end_ns, event.onset.latest_utc_ns), event.kind))
    return tuple(spans)
