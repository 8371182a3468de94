"""How fast a level has been moving over minutes: its line is no longer than `steps.MEMORY` samples, which quick polls take in two seconds,
and then says nothing of where it may have got to in a gap of minutes.

Rule: of two levels that were kept, one `REACH_S` to half of that ago (or as long ago as they began), the slope since the older one. Units:
those of the level a sample. Limits: a sample that is missing counts for none. Source: none, a difference.
"""

from __future__ import annotations

import math

REACH_S = 600.0
SURE = 3.0  # deviations


class PastLevels:
    """Of one level that is watched, with a reading every ``period_s``."""

    __slots__ = ("_far_level", "_far_n", "_most", "_near_level", "_near_n")

    def __init__(self, period_s: float) -> None:
        self._most = max(REACH_S / period_s, 1.0)
        self.restart()

    def restart(self) -> None:
        """Another level."""
        self._far_n = self._near_n = 0
        self._far_level = self._near_level = 0.0

    def take(self, n: int, level: float) -> None:
        """It is ``level`` after so many samples."""
        if not self._far_n:
            self._far_n, self._far_level = n, level
            self._near_n, self._near_level = n, level
        elif n - self._near_n >= 0.5 * self._most:
            if n - self._far_n >= self._most:
                self._far_n, self._far_level = self._near_n, self._near_level
            self._near_n, self._near_level = n, level

    def slope(self, n: int, level: float) -> tuple[float, int]:
        """A sample, to this level after so many samples, and over how many; (0, 0) where none is known."""
        span = n - self._far_n if self._far_n else 0
        return ((level - self._far_level) / span, span) if span > 0 else (0.0, 0)

    def bound(self, n: int, level: float, line: float, white: float, known: int, level_variance: float) -> float:
        """How far the level may move in a sample: as its ``line`` through so many ``known`` samples of ``white`` noise says, uncertainty
        included, or as it has moved for longer where that is better known, unless the line is sure of more. ``level_variance``: of a level,
        in variances of that noise."""
        uncertainty = white * math.sqrt(12.0 / known**3)
        bound = math.hypot(line, uncertainty)
        slope, span = self.slope(n, level)
        if not span or abs(line) > SURE * uncertainty:
            return bound
        return min(bound, math.hypot(slope, white * math.sqrt(2.0 * level_variance) / span))
