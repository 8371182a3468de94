"""What there is to tell: an event of the bench, or a trouble of the service that no recorder can record. Plain data, JSON-able."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from loadlog.model.event import KINDS, Event, EventState, Severity

RANK = {Severity.INFO: 0, Severity.WARNING: 1, Severity.ALARM: 2}


@dataclass(frozen=True, slots=True)
class News:
    """One state of one thing. ``id``: tells states of the same thing together. ``since_ns``, ``since_latest_ns``: when it began, between
    these; ``until_ns``: when it ended. ``momentary``: it never lasted (a set-point was changed). ``meaning``: one line for people.
    ``became``: the kind that it turned out to be; ``same_cause_as``: the device at which the same cause was told first."""

    id: str
    kind: str
    severity: Severity
    since_ns: int
    since_latest_ns: int
    message: str
    device: str = ""
    group: str = ""
    key: str = ""
    run: str = ""
    until_ns: int | None = None
    momentary: bool = False
    confidence: float = 1.0
    alternatives: Mapping[str, float] = dataclasses.field(default_factory=dict)
    acknowledged_by: str | None = None
    meaning: str = ""
    became: str = ""
    same_cause_as: str = ""

    @property
    def what(self) -> tuple[str, str, str]:
        """The same for every time that the same thing happens."""
        return self.kind, self.device or self.group, self.key

    @property
    def is_told_otherwise(self) -> bool:
        """It was withdrawn, and what it turned out to be is told for itself."""
        return self.became in KINDS

    def to_json(self) -> dict[str, Any]:
        """For the viewer's database."""
        return {name: getattr(self, name) for name in _FIELDS}

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> News:
        """As `to_json` gave it."""
        return News(**{**data, "severity": Severity(data["severity"])})


_FIELDS = tuple(f.name for f in dataclasses.fields(News))  # `asdict` copies deeply: ten times the time in a storm


def of_event(event: Event) -> News:
    """An event as news."""
    over = event.state is EventState.CLEARED
    became = str(event.evidence.get("revised_to") or event.evidence.get("joined_in") or "") if over else ""
    return News(
        id=str(event.id), kind=event.kind, severity=event.severity, since_ns=event.onset.earliest_utc_ns,
        since_latest_ns=event.onset.latest_utc_ns, message=event.message, device=event.device or "", group=event.group or "", key=event.key,
        run=event.run or "", until_ns=(event.cleared_utc_ns or event.detected_utc_ns) if over else None,
        momentary=over and event.cleared_utc_ns == event.detected_utc_ns, confidence=event.confidence,
        alternatives=dict(event.alternatives), acknowledged_by=event.acknowledged_by if event.acknowledged else None,
        meaning=KINDS.get(event.kind, ""), became=became, same_cause_as=str(event.evidence.get("same_cause_as", "")),
    )  # fmt: skip
