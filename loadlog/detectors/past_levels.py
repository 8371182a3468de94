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
    """``slope``: since the older level, ``span`` samples ago; 0 samples while there is none."""

    __slots__ = ("_far_level", "_far_n", "_most", "_near_level", "_near_n", "slope", "span")

    def __init__(self, period_s: float) -> None:
        self._most = max(REACH_S / period_s, 1.0)
        self.restart()

    def restart(self) -> None:
        """Another level."""
        self._far_n = self._near_n = self.span = 0
        self._far_level = self._near_level = self.slope = 0.0

    def take(self, n: int, level: float) -> None:
        """It is ``level`` after so many samples."""
        if not self._far_n:
            self._far_n, self._far_level = n, level
            self._near_n, self._near_level = n, level
            return
        self.span = n - self._far_n
        self.slope = (level - self._far_level) / self.span if self.span > 0 else 0.0
        if n - self._near_n >= 0.5 * self._most:
            if self.span >= self._most:
                self._far_n, self._far_level = self._near_n, self._near_level
            self._near_n, self._near_level = n, level

    def bound(self, line: float, white: float, known: int, level_variance: float) -> float:
        """How far the level may move in a sample: as its ``line`` through so many ``known`` samples of ``white`` noise says, uncertainty
        included, or as it has moved for longer where that is better known, unless the line is sure of more. ``level_variance``: of a level,
        in variances of that noise."""
        uncertainty = white * math.sqrt(12.0 / known**3)
        bound = math.hypot(line, uncertainty)
        if not self.span or abs(line) > SURE * uncertainty:
            return bound
        return min(bound, math.hypot(self.slope, white * math.sqrt(2.0 * level_variance) / self.span))
