"""Events: what happened, to which device, when (an interval), how sure, from which evidence.

State follows ISA-18.2: *active* until *cleared*; *acknowledged* apart from both. Kinds once published keep their names.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from loadlog.model.clock import format_utc

SURE = 0.995  # of two digits nothing is left to say


def probability_words(confidence: float) -> str:
    """How sure an event is, for people: ``probability 0.93``; empty where that would be 1.00."""
    return "" if confidence >= SURE else f"probability {confidence:.2f}"


class Severity(StrEnum):
    INFO = "info"
    WARNING = "warning"
    ALARM = "alarm"


class EventState(StrEnum):
    ACTIVE = "active"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class Onset:
    """The event began after ``earliest_utc_ns`` (last sample that does not show it, minus its time uncertainty) and not after
    ``latest_utc_ns`` (first sample that shows it, plus its time uncertainty)."""

    earliest_utc_ns: int
    latest_utc_ns: int


@dataclass(frozen=True, slots=True)
class Finding:
    """What a detector says: it raises, updates or clears one event.

    ``key`` names the event within its device and kind (e.g. the limit ``voltage_v.high``), so that one cause is one event: raising an
    active (kind, key) again updates its evidence. ``clear`` True ends it. ``momentary``: raised and cleared at once (a set-point
    was changed).
    """

    kind: str
    device: str | None
    severity: Severity
    onset: Onset
    message: str
    key: str = ""
    group: str | None = None
    clear: bool = False
    momentary: bool = False
    confidence: float = 1.0
    alternatives: Mapping[str, float] = field(default_factory=dict)
    evidence: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Event:
    """One state of one event. A change (clearing, acknowledging, new evidence) is a new `Event` of the same ``id`` with a later ``seq``.

    ``acknowledged_by`` and ``note`` are set with ``acknowledged``. Instants are UTC nanoseconds.
    """

    id: int
    seq: int
    kind: str
    key: str
    device: str | None
    group: str | None
    run: str | None
    severity: Severity
    state: EventState
    onset: Onset
    detected_utc_ns: int
    message: str
    cleared_utc_ns: int | None = None
    acknowledged: bool = False
    acknowledged_by: str = ""
    note: str = ""
    confidence: float = 1.0
    alternatives: Mapping[str, float] = field(default_factory=dict)
    evidence: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """The event as programs get it: over HTTP, from the command line, in an archive; instants as RFC 3339 in UTC."""
        return {
            "id": self.id, "kind": self.kind, "device": self.device, "group": self.group, "run": self.run,
            "severity": str(self.severity), "state": str(self.state), "acknowledged": self.acknowledged,
            "acknowledged_by": self.acknowledged_by, "note": self.note,
            "onset": {"earliest": format_utc(self.onset.earliest_utc_ns), "latest": format_utc(self.onset.latest_utc_ns)},
            "detected": format_utc(self.detected_utc_ns),
            "cleared": None if self.cleared_utc_ns is None else format_utc(self.cleared_utc_ns),
            "confidence": self.confidence, "alternatives": dict(self.alternatives), "evidence": dict(self.evidence),
            "message": self.message,
        }  # fmt: skip


# kinds that another process tells the recorder of (order "report"), since it sees what the recorder cannot
REPORTED_KINDS = ("forward_backlog", "forward_refused", "notify_failed")

# kind -> one line for people. A test holds that every kind a detector declares stands here and in the documentation.
KINDS: dict[str, str] = {
    "sense_fallback": "the load measures at its own terminals although it is wired for remote sense",
    "sense_restored": "remote sense works again",
    "sense_intermittent": "a sense lead comes and goes; one event with a count",
    "load_trip": "the load stopped drawing current while the source still holds its voltage",
    "supply_trip": "the source's voltage collapsed with the load on",
    "open_circuit": "a power lead between source and load is open",
    "limit": "a channel is beyond a configured limit",
    "over_temperature": "a temperature is above its rating or configured limit",
    "cooling_degraded": "a device gives its heat off worse than before",
    "temperature_rising": "a temperature will reach its limit at the present power",
    "contact_heating": "the resistance of the power path has grown by more than warm copper explains",
    "setpoint_changed": "the set-point was changed without an order of ours",
    "mode_changed": "the operating mode was changed without an order of ours",
    "input_switched": "the input was switched without an order of ours",
    "protection": "the instrument reports a protection",
    "current_limit_entered": "the load asks for more than its source gives; the source holds its current instead of its voltage",
    "cutoff_reached": "a battery is at its end of discharge",
    "sharing_imbalance": "the currents of a group have parted from their shares",
    "drift": "a channel has slowly left the level at which it had settled",
    "noise_changed": "the noise of a channel is another one than was learned",
    "communication_lost": "no valid reply any more",
    "communication_restored": "valid replies again",
    "device_changed": "another instrument answers at this address",
    "reading_frozen": "identical counts for longer than the noise makes credible",
    "reading_implausible": "a reading outside the possible",
    "clock_step": "the system clock stepped",
    "sample_gap": "samples are missing",
    "late_polls": "polls start later than their deadlines",
    "store_trouble": "recordings cannot be written",
    "disk_low": "little room left for recordings",
    "forward_backlog": "samples wait to be forwarded for longer than configured",
    "forward_refused": "a time-series database refuses what is forwarded",
    "notify_failed": "notices do not get through",
    "action_failed": "a protective action had no effect",
    "action_taken": "a protective action was carried out",
}
