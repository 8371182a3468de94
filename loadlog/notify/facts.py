"""What an address says of itself: for the metrics, `notify status` and events."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from loadlog.model.clock import format_utc


class State(StrEnum):
    """Of an address."""

    STARTING = "starting"
    READY = "ready"
    SENDING = "sending"
    FAILING = "failing"  # not accepted; tried again by itself
    STOPPED = "stopped"  # the viewer is off, or cannot keep its state


@dataclass(frozen=True, slots=True)
class AddressFacts:
    """``waiting``: events that wait to be told; ``notices``: made, not yet accepted. ``accepted``, ``given_up``: notices, ever.
    ``failures``: attempts that failed since the viewer started; ``failing_s``: since when nothing is accepted, 0 while it is.
    ``quiet``: quiet hours hold something up."""

    name: str
    service: str
    severity: str
    state: State = State.STARTING
    detail: str = ""
    waiting: int = 0
    quiet: bool = False
    notices: int = 0
    accepted: int = 0
    given_up: int = 0
    failures: int = 0
    failing_s: float = 0.0
    retry_in_s: float = 0.0
    last_accepted_utc_ns: int | None = None
    last_subject: str = ""

    def to_json(self) -> dict[str, Any]:
        """For the interface: instants as text."""
        data = dataclasses.asdict(self)
        data["state"] = str(self.state)
        t_utc_ns = data.pop("last_accepted_utc_ns")
        data["last_accepted"] = None if t_utc_ns is None else format_utc(t_utc_ns)
        return data
