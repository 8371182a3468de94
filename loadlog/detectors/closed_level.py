"""The level that a load reads while its sense contact is closed, as `sense_intermittent` needs it.

A line through the samples near it; while the contact is open it is carried along with the level of the open one. Deviations come from
successive differences, rounding included, or from how far the samples lie beside the line, where that is more: noise of an instrument that
shows means, or of a source, is correlated, and neighbours say little of it. Nor do they where readings are polled again; there those that
differ count alone, if by more than a count (as in `steps`). O(1) memory. Units: those of what is watched, V or A.
"""

from __future__ import annotations

import math

from loadlog.detectors.statistics import Moments, Trend
from loadlog.detectors.steps import AGREEMENT

NEAR = 3.0  # deviations
MEMORY = 100  # samples, of the noise
LEAST_WEIGHT = 1.0 / MEMORY
LEAST_LINE = 10  # samples, until what lies beside it is noise
LEVEL_MEMORY, LOW_MEMORY = 60, 8  # samples, of the closed contact's level and of the open one's


class ClosedLevel:
    """Level, slope and deviation of the closed contact; while it is open, carried along with the level of the open one."""

    __slots__ = ("_beside", "_differences", "_fresh", "_last", "_open", "_trend", "_weights", "quantum", "strangers")

    def __init__(self, quantum: float) -> None:
        self.quantum = quantum
        self.restart()

    def restart(self) -> None:
        self._trend = Trend(LEVEL_MEMORY)
        self._differences = self._fresh = self._beside = 0.0  # mean squares of all differences, of those that are some, and beside the line
        self._weights = [1.0, 1.0, 1.0]  # of the next value of each
        self._last: float | None = None
        self._open: Moments | None = None
        self.strangers = 0.0  # values in succession that were too far off to count, negative for those below

    @property
    def n(self) -> int:
        """Samples that it is known from."""
        return self._trend.n

    @property
    def expected(self) -> float:
        """What the next sample would be."""
        return self._trend.level + self._trend.slope

    @property
    def variance(self) -> float:
        """Of one value, rounding included. A level that creeps widens nothing."""
        square, fresh, beside = self.quantum * self.quantum, 0.5 * self._fresh, self._beside
        neighbours = 0.5 * self._differences + square / 12.0
        if fresh > square:
            neighbours = max(neighbours, fresh * (1.0 - AGREEMENT * self.quantum / math.sqrt(fresh)))
        return neighbours if neighbours > beside else beside

    @property
    def deviation(self) -> float:
        """Its root."""
        return math.sqrt(self.variance)

    def is_near(self, off: float) -> bool:
        """What lies so far off is the level's: within `NEAR` deviations."""
        square = off * off / (NEAR * NEAR)
        if square <= self._beside or square <= 0.5 * self._differences:  # as nearly always; the deviation is more at least
            return True
        return square <= self.variance

    def update(self, v: float) -> None:
        """A value of the level."""
        trend, last, weights = self._trend, self._last, self._weights
        if last is not None:
            off = v - last - trend.slope
            square = off * off
            self._differences += weights[0] * (square - self._differences)
            if weights[0] > LEAST_WEIGHT:
                weights[0] = _next(weights[0])
            if v != last:
                self._fresh += weights[1] * (square - self._fresh)
                if weights[1] > LEAST_WEIGHT:
                    weights[1] = _next(weights[1])
        if trend.n >= LEAST_LINE:
            off = v - trend.level - trend.slope
            self._beside += weights[2] * (off * off - self._beside)
            if weights[2] > LEAST_WEIGHT:
                weights[2] = _next(weights[2])
        trend.update(v)
        self._last, self.strangers = v, 0.0

    def doubt(self, v: float, counts: bool) -> None:
        """A value that may not be the level's; one that ``counts`` does so with three deviations (far ones do not: in a burst of noise the
        low ones do not either). The next does not follow it."""
        self._last = None
        side = math.copysign(1.0, v - self.expected)
        self.strangers = 0.0 if counts else side + (self.strangers if side * self.strangers > 0.0 else 0.0)
        if counts:
            beside = NEAR * self.deviation
            self._beside += self._weights[2] * (beside * beside - self._beside)
            self._weights[2] = max(_next(self._weights[2]), LEAST_WEIGHT)
            self._trend.update(self.expected + math.copysign(beside, v - self.expected))

    def sagged(self, v: float) -> None:
        """The level has moved here by and by, faster than it was followed."""
        self._last, self._trend.level = None, v

    def opened(self) -> None:
        """The contact is open from the next value of `follow` on."""
        self._last, self._open = None, Moments(LOW_MEMORY)

    def follow(self, v: float) -> None:
        """A value of the open contact."""
        if self._open is None:
            return
        was = self._open.mean
        self._open.update(v)
        known = self._open.n > LOW_MEMORY
        self._trend.level += self._open.mean - was if known else self._trend.slope


def _next(weight: float) -> float:
    """1/n to 1/(n + 1)."""
    return weight / (1.0 + weight)
