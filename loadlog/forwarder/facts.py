"""What a target says of itself: for the page, metrics, `forward status` and events."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from loadlog.model.clock import NS, format_utc


class State(StrEnum):
    """Of a target as a whole."""

    STARTING = "starting"
    UP_TO_DATE = "up_to_date"
    CATCHING_UP = "catching_up"
    WAITING = "waiting"  # the server is down, busy or out of reach; tried again by itself
    REFUSED = "refused"  # nothing gets through until somebody acts; tried again by itself
    STOPPED = "stopped"  # the viewer cannot keep its state


@dataclass(frozen=True, slots=True)
class TargetFacts:
    """``backlog_samples``: about how many stored samples wait; ``backlog_s``: age of the newest sample acknowledged, 0 when none wait.
    ``set_aside``: lines that the server would not take. ``lines``: acknowledged, ever. ``remaining_s``: until the backlog is gone at the
    present rate, None while that cannot be said. ``retry_in_s``: until the next attempt. ``failures``: attempts that failed since the
    viewer started. ``failing_s``: since when nothing got through, 0 while it does."""

    name: str
    kind: str
    url: str
    state: State = State.STARTING
    detail: str = ""
    backlog_samples: int = 0
    backlog_s: float = 0.0
    set_aside: int = 0
    lines: int = 0
    lines_per_s: float = 0.0
    remaining_s: float | None = None
    retry_in_s: float = 0.0
    failures: int = 0
    failing_s: float = 0.0
    acknowledged_utc_ns: int | None = None
    newest_utc_ns: int | None = None

    def to_json(self) -> dict[str, Any]:
        """For the interface: instants as text."""
        data = dataclasses.asdict(self)
        data["state"] = str(self.state)
        data["acknowledged"] = _text(data.pop("acknowledged_utc_ns"))
        data["newest_sample"] = _text(data.pop("newest_utc_ns"))
        return data


def _text(t_utc_ns: int | None) -> str | None:
    return None if t_utc_ns is None else format_utc(t_utc_ns)


def backlog_age_s(newest_utc_ns: int | None, waiting: int, now_utc_ns: int) -> float:
    """Age of the newest sample acknowledged, where samples wait."""
    return max(0.0, (now_utc_ns - newest_utc_ns) / NS) if waiting and newest_utc_ns is not None else 0.0
