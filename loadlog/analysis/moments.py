"""Minimum, mean, maximum, standard deviation of any number of good samples, chunk by chunk.

The first chunk is summed in two passes about its own mean, each later one about the mean so far, and they are merged by the pairwise update
of Chan, Golub and LeVeque (1983, The American Statistician 37, 242-247), so that a large mean does not eat a small deviation: raw sums of
squares lose all digits on the sets NumAcc3 and NumAcc4 of the NIST Statistical Reference Datasets.

Uncertainty of the mean: the accuracy specification is one instrument's and the same for every sample, so it does not average out (JCGM
100, 5.2.2, correlation 1): u is that of a reading of the mean size. The standard deviation says how the readings scattered,
noise of the instrument included; a constant error does not enter it, the resolution does.
"""

from __future__ import annotations

import math

import numpy as np

from loadlog.analysis.chunk import Chunk, Floats, inner
from loadlog.analysis.figure import Figure
from loadlog.analysis.uncertainty import standard_uncertainties
from loadlog.model.device import ChannelSpec


class Moments:
    """Count, mean, centred sum of squares, minimum and maximum of numbers. ``deviation`` has n − 1 in its denominator."""

    def __init__(self) -> None:
        self.n = 0
        self.mean = 0.0
        self.squares = 0.0
        self.minimum = math.inf
        self.maximum = -math.inf

    def add(self, values: Floats) -> None:
        """Take in an array of finite numbers."""
        n = len(values)
        if not n:
            return
        # About the mean so far; what that is off of this chunk's mean is part of the whole's scatter, so no digit is lost to it.
        around = self.mean if self.n else float(values[0] + np.mean(values - values[0]))
        away = values - around
        off = float(away.sum()) / n
        squares = inner(away, away) - off * off * n
        self.merge(n, around + off, squares, float(values.min()), float(values.max()))

    def merge(self, n: int, mean: float, squares: float, minimum: float, maximum: float) -> None:
        """Take in what is already summed up."""
        total = self.n + n
        delta = mean - self.mean
        self.squares += squares + delta * delta * self.n * n / total
        self.mean += delta * n / total
        self.n = total
        self.minimum, self.maximum = min(self.minimum, minimum), max(self.maximum, maximum)

    @property
    def deviation(self) -> float | None:
        """Sample standard deviation; None for fewer than two."""
        return math.sqrt(max(0.0, self.squares) / (self.n - 1)) if self.n > 1 else None


class ChannelStatistics:
    """Minimum, mean, maximum and standard deviation of the good samples of one channel, each sample with equal weight.

    ``missed``: polls in which the channel was due and not good; coverage is the share of good ones.
    """

    NAMES = ("minimum", "mean", "maximum", "standard_deviation", "peak_to_peak")

    def __init__(self, spec: ChannelSpec) -> None:
        self._spec = spec
        self.moments = Moments()
        self._sizes = 0.0  # sum of absolute values
        self.missed = 0

    def add(self, chunk: Chunk) -> None:
        """Take in a chunk."""
        column = chunk.columns.get(self._spec.name)
        if column is None:
            return
        good = chunk.good(self._spec.name)
        self.missed += len(chunk) - int(np.count_nonzero(good)) - int(np.count_nonzero(column.held))
        values = chunk.values_where(self._spec.name, of=self._spec.name)
        self.moments.add(values)
        self._sizes += float(np.abs(values).sum())

    @property
    def coverage(self) -> float:
        """Share of the polls that gave a good value, 0 to 1."""
        due = self.moments.n + self.missed
        return self.moments.n / due if due else 0.0

    def figures(self) -> dict[str, Figure]:
        """The five by name."""
        return {name: self.figure(name) for name in self.NAMES}

    def figure(self, name: str) -> Figure:
        """One of `NAMES`."""
        unit, moments = self._spec.unit, self.moments
        if not moments.n:
            return Figure.missing(name, unit, f"no good sample of {self._spec.name}", coverage=self.coverage)
        if name == "standard_deviation":
            return self._deviation()
        if name == "peak_to_peak":
            # Errors of offset and gain are common to both ends; the resolution of each is not.
            u = self._spec.resolution / math.sqrt(6.0)
            return Figure(name, moments.maximum - moments.minimum, unit, u, moments.n, self.coverage)
        value = {"minimum": moments.minimum, "mean": moments.mean, "maximum": moments.maximum}[name]
        size = self._sizes / moments.n if name == "mean" else value
        u = float(standard_uncertainties(np.array([size]), self._spec)[0])
        notes = () if self._spec.accuracy else ("no accuracy specification: only the resolution is in the uncertainty",)
        return Figure(name, value, unit, u, moments.n, self.coverage, notes=notes)

    def _deviation(self) -> Figure:
        moments, unit, name = self.moments, self._spec.unit, "standard_deviation"
        deviation = moments.deviation
        if deviation is None:
            return Figure.missing(name, unit, "a standard deviation needs two samples", moments.n, self.coverage)
        # Of n independent normal readings, s has the standard deviation s/√(2(n − 1)) (JCGM 100, E.4.3); of a quiet channel the
        # rounding of the display, resolution/√12, is all that is known.
        u = math.hypot(deviation / math.sqrt(2 * (moments.n - 1)), self._rounding_of(deviation))
        return Figure(name, deviation, unit, u, moments.n, self.coverage)

    def _rounding_of(self, deviation: float) -> float:
        """How much rounding to the resolution may have changed a deviation: from √(s² ± r²/12), at most r/√12."""
        variance = self._spec.resolution**2 / 12
        return abs(math.sqrt(deviation**2 + variance) - deviation)
