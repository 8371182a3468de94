"""How much waits, and how fast it goes."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping

from loadlog.store.info import RecordingInfo

WINDOW_S = 30.0


def waiting_samples(recordings: Iterable[RecordingInfo], places: Mapping[str, int]) -> int:
    """About how many samples lie beyond ``places``: exact at both ends of a recording, in between by the share of its numbers (counting
    them would read them all)."""
    total = 0
    for recording in recordings:
        reached = places.get(recording.name, 0)
        if not recording.samples or reached >= recording.last_seq:
            continue
        numbers = recording.last_seq - recording.first_seq + 1
        ahead = min(numbers, recording.last_seq - reached)
        total += recording.samples if ahead == numbers else min(recording.samples, max(1, recording.samples * ahead // numbers))
    return total


class Rate:
    """Lines a second over the last half minute."""

    def __init__(self) -> None:
        self._sent: deque[tuple[float, int]] = deque()

    def add(self, lines: int, now_s: float) -> None:
        """So many were acknowledged just now."""
        self._sent.append((now_s, lines))
        while len(self._sent) > 2 and self._sent[0][0] < now_s - WINDOW_S:
            self._sent.popleft()

    def per_s(self, now_s: float) -> float:
        """0 while nothing was sent."""
        recent = [(t, n) for t, n in tuple(self._sent) if t >= now_s - WINDOW_S]
        if len(recent) < 2:
            return 0.0
        return sum(n for _, n in recent[1:]) / max(now_s - recent[0][0], 1e-3)
