"""Troubles that no recorder can record: the recorder is gone, it takes no samples, its disk takes none, its recordings cannot be read.

Each is told when it has lasted for the configured time, and when it is over; what was told is kept over restarts of the viewer.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from loadlog.model.clock import NS
from loadlog.model.event import Severity
from loadlog.notify.news import News

GONE, STALLED, UNWRITTEN, UNREADABLE = "recorder_gone", "recorder_stalled", "recordings_unwritten", "recordings_unreadable"
_SEVERITY = {GONE: Severity.ALARM, STALLED: Severity.ALARM, UNWRITTEN: Severity.ALARM, UNREADABLE: Severity.WARNING}
TROUBLES = tuple(_SEVERITY)
_MEANING = {
    GONE: "nothing is recorded and no protective action is carried out until the recorder runs again",
    STALLED: "the recorder answers, but takes no samples",
    UNWRITTEN: "samples wait in the recorder's memory, which is limited, and so do events; recording resumes by itself",
    UNREADABLE: "events are not told until the recordings can be read again",
}
STALLED_MIN_S = 10.0


class Progress:
    """Whether the recorder's count of samples grows; ``period_s``: of the fastest device."""

    def __init__(self, period_s: float) -> None:
        self._most_s = max(STALLED_MIN_S, 3 * period_s)
        self._samples: Any = None
        self._changed_s = 0.0
        self.is_stalled = False

    def stalled(self, samples: Any, now_s: float) -> bool:
        """``samples``: the count now."""
        if samples != self._samples or self._samples is None:
            self._samples, self._changed_s = samples, now_s
        self.is_stalled = now_s - self._changed_s > self._most_s
        return self.is_stalled


class Watch:
    """``gone_s``: how long a trouble must last. Not thread-safe."""

    def __init__(self, gone_s: float) -> None:
        self._gone_s = gone_s
        self._since: dict[str, tuple[float, int]] = {}
        self._told: dict[str, int] = {}

    def look(self, troubles: Mapping[str, str], now_s: float, now_ns: int) -> list[News]:
        """What began to last or ended. ``troubles``: the present ones, with what is wrong; ``now_s`` is monotonic, ``now_ns`` UTC."""
        out = []
        for kind in _SEVERITY:
            if message := troubles.get(kind):
                since_s, since_ns = self._since.setdefault(kind, (now_s, now_ns))
                if kind not in self._told and now_s - since_s >= self._gone_s:
                    self._told[kind] = since_ns
                    out.append(news_of(kind, message, since_ns))
            else:
                self._since.pop(kind, None)
                if kind in self._told:
                    since_ns = self._told.pop(kind)
                    out.append(news_of(kind, f"over after {(now_ns - since_ns) / NS:.0f} s", since_ns, now_ns))
        return out

    def was_told(self, kind: str, since_ns: int) -> None:
        """By another way; its end is told in this one."""
        self._told.setdefault(kind, since_ns)

    @property
    def lasting(self) -> dict[str, int]:
        """Troubles that last, since when (UTC ns)."""
        return dict(self._told)

    def recall(self, told: Mapping[str, int]) -> None:
        """As `lasting` gave it."""
        self._told = {kind: since for kind, since in told.items() if kind in _SEVERITY}


def news_of(kind: str, message: str, since_ns: int, until_ns: int | None = None) -> News:
    """A trouble of the service."""
    return News(f"{kind}@{since_ns}", kind, _SEVERITY[kind], since_ns, since_ns, message, until_ns=until_ns, meaning=_MEANING[kind])
