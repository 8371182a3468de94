"""How often an address may be told: a few notices at once, then evenly spread, so that never more than so many come in any hour.

A bucket of tokens (ITU-T I.371, generic cell rate algorithm, in its continuous form): it holds ``burst`` tokens and fills at such a rate
that burst and refill of one hour together are the allowed number. What is not yet told is never far from its turn, unlike with a count
per clock hour. The last token is kept for alarms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from loadlog.model.clock import NS

HOUR_NS = 3600 * NS


@dataclass(slots=True)
class Rate:
    """``tokens`` as of ``at_ns``. With one notice an hour there is no second token to keep."""

    per_hour: int
    tokens: float = 0.0
    at_ns: int | None = None

    @property
    def burst(self) -> int:
        """Notices that may come at once."""
        return max(1, self.per_hour // 3)

    @property
    def _refill_per_ns(self) -> float:
        """Burst and refill of an hour make ``per_hour``; for one an hour the bucket fills in just that hour."""
        return max(self.per_hour - self.burst, 1 if self.per_hour == 1 else 0) / HOUR_NS

    def take(self, now_ns: int, is_alarm: bool) -> bool:
        """Whether a notice may go now; takes its token then."""
        self._fill(now_ns)
        needed = 1.0 if is_alarm or self.burst == 1 else 2.0
        if self.tokens < needed:
            return False
        self.tokens -= 1.0
        return True

    def _fill(self, now_ns: int) -> None:
        if self.at_ns is None:
            self.tokens = float(self.burst)
        else:  # a clock that was set back fills nothing
            self.tokens = min(float(self.burst), self.tokens + max(0, now_ns - self.at_ns) * self._refill_per_ns)
        self.at_ns = now_ns

    def to_json(self) -> dict[str, Any]:
        """For the viewer's database."""
        return {"tokens": self.tokens, "at_ns": self.at_ns}

    def recall(self, data: dict[str, Any]) -> None:
        """As `to_json` gave it; a lower limit of a new configuration holds at once."""
        self.tokens, self.at_ns = min(float(data["tokens"]), float(self.burst)), data["at_ns"]
