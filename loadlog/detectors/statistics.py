"""Shared statistics: recursive mean and variance, a tracked level with slope, a generalised likelihood ratio for steps, false-alarm rates.

All are O(1) in time and memory a sample, and plain double arithmetic in a fixed order, so a replay gives the same bits.

Sources: B. P. Welford, Technometrics 4 (1962) 419 (recursive variance); the gains of the least-squares line through all samples so far,
2(2n-1)/(n(n+1)) and 6/(n(n+1)), as in texts on tracking filters (from memory; a test compares with the closed least-squares fit); G.
Lorden, Ann. Math. Stat. 42 (1971) 1897 (generalised likelihood ratio over windows, average run lengths); D. L. Wallace, Ann. Math. Stat. 30
(1959) 1124 (Student's quantile from the normal one).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import NormalDist

USUAL_LEVEL = 0.06  # variance of a level beyond the end of 100 samples, in variances of one sample
GIVEN = 1 << 40  # samples that given noise counts for
_NORMAL = NormalDist()


def alarm_probability(per_1000_h: float, period_s: float) -> float:
    """Probability of a false alarm a poll that gives this rate per 1,000 h at this poll period."""
    return per_1000_h * period_s / 3.6e6


def two_sided_quantile(probability: float) -> float:
    """z with P(abs(Z) > z) = ``probability`` for standard normal Z."""
    return -_NORMAL.inv_cdf(0.5 * probability)


def student_quantile(z: float, freedom: float) -> float:
    """Student's t with the same tail as the normal ``z`` (Wallace's approximation, inverted; within 1 % for freedom >= 10)."""
    shrink = (8.0 * freedom + 3.0) / (8.0 * freedom + 1.0)
    return math.sqrt(freedom * math.expm1((z * shrink) ** 2 / freedom))


class Moments:
    """Recursive mean and variance. Up to ``memory`` values exactly those of all values (Welford); beyond, old ones fade exponentially."""

    __slots__ = ("_squares", "mean", "memory", "n")

    def __init__(self, memory: float = math.inf) -> None:
        self.memory = memory
        self.n = 0
        self.mean = 0.0
        self._squares = 0.0

    def update(self, value: float) -> None:
        """Take a value."""
        self.n += 1
        weight = 1.0 / min(self.n, self.memory)
        delta = value - self.mean
        self.mean += weight * delta
        self._squares += weight * (delta * (value - self.mean) - self._squares)

    @property
    def variance(self) -> float:
        """Unbiased (n - 1) while nothing fades; 0 for fewer than two values."""
        size = min(self.n, self.memory)
        return self._squares * size / (size - 1) if size > 1 else 0.0


class Trend:
    """A level with slope, tracked by recursive least squares over about ``memory`` samples; time is counted in poll periods."""

    __slots__ = ("_alpha", "_beta", "level", "memory", "n", "slope")

    def __init__(self, memory: int) -> None:
        self.memory = memory
        self.restart()

    def restart(self) -> None:
        """Forget everything."""
        self.n = 0
        self.level = self.slope = 0.0

    def update(self, value: float, elapsed: float = 1.0) -> None:
        """Take the value that lies ``elapsed`` periods after the last one."""
        self.n += 1
        n = min(self.n, self.memory)
        predicted = self.level + self.slope * elapsed if self.n > 1 else value
        error = value - predicted
        self.level = predicted + 2.0 * (2 * n - 1) / (n * (n + 1)) * error
        if self.n > 1:
            self.slope += 6.0 / (n * (n + 1)) * error / max(elapsed, 1.0)


class StepChart:
    """Generalised likelihood ratio for a step in a sequence of residuals: max over windows w of abs(mean of the last w) / scale_w.

    The scale of each window's mean is learned by itself, so noise that is correlated over many samples raises the scales of long windows
    instead of the false-alarm rate. Values beyond three scales count as three (a step must not widen its own yardstick). Scales have a
    floor: ``quantum``/√12 of rounding noise, which averages out over a window only as far as the noise dithers the counts: the share exp(-4
    pi^2 s^2), s the noise in counts, does not (first harmonic of the rounding error).

    The threshold for a stated probability of a false alarm a sample: normal quantile of that probability shared among the windows
    (Bonferroni, so conservative), widened to Student's quantile while the scale is known from few samples. Means over w overlapping samples
    are correlated by the triangle 1 - k/w; n over the sum of its squares, (2 w^2 + 1)/(3 w), are the degrees of freedom.
    """

    __slots__ = ("_lately", "_scales", "_z", "memory", "n", "quantum", "windows")
    LEAST = 30
    FALLEN = 0.15  # share of the longest window's mean square over the last 2 `LEAST` values: the noise has fallen, it is learned again

    def __init__(self, windows: Sequence[int], probability: float, quantum: float, memory: int = 1000) -> None:
        self.windows = tuple(windows)
        self.quantum = quantum
        self.memory = memory
        self._z = two_sided_quantile(probability / len(self.windows))
        self._scales = [0.0] * len(self.windows)
        self._lately = 0.0
        self.n = 0

    @property
    def learning(self) -> bool:
        """Too few samples for a scale."""
        return self.n < self.LEAST

    def fix(self, sigma: float) -> None:
        """White noise of known deviation: nothing more is learned."""
        self._scales = [sigma * sigma / w for w in self.windows]
        self.n = self.memory = GIVEN

    def learn_again(self, sigma: float) -> None:
        """Begin with white noise of that deviation, to be learned anew; given noise stays."""
        if self.memory < GIVEN:
            self._scales = [sigma * sigma * (1.0 / w + USUAL_LEVEL) for w in self.windows]
            self._lately = self._scales[-1]
            self.n = self.LEAST

    def sigma(self) -> float:
        """Deviation of one sample, rounding included."""
        return math.sqrt(max(self._scales[0], self.quantum * self.quantum / 12.0))

    def scale(self, index: int) -> float:
        """Deviation of the mean over window number ``index``."""
        quantum = self.quantum
        if quantum == 0.0:
            return math.sqrt(self._scales[index]) or math.inf
        counts = self._scales[0] / (quantum * quantum)  # square of the noise in counts
        stays = 1.0 / self.windows[index] + math.exp(-39.478 * counts)
        return math.sqrt(max(self._scales[index], quantum * quantum / 12.0 * min(stays, 1.0)))

    def deviation_of_mean(self, samples: int) -> float:
        """Usual deviation of the mean over that many samples: of the longest window that is not longer."""
        return self.scale(max(n for n, window in enumerate(self.windows) if window <= max(samples, self.windows[0])))

    def update(self, residuals: Sequence[float], learn: bool, extra: float = 0.0) -> float:
        """Take the last residuals, newest last, at least as many as the longest window.

        Returns the largest ratio to its threshold: 1 and above is an alarm. ``learn``: adapt the scales. ``extra``: variance of the level
        beyond what was usual when the scales were learned, in variances of one sample (a level that was started again a moment ago).
        """
        more = extra * self._scales[0]
        self.n += learn
        best = total = square = 0.0
        taken = 0
        weight = 1.0 / min(max(self.n, 1), self.memory)
        for index, window in enumerate(self.windows):
            while taken < window:
                taken += 1
                total += residuals[-taken]
            mean = total / window
            square = mean * mean
            if not self.learning:
                scale = self.scale(index)
                if more > 0.0:
                    scale = math.sqrt(scale * scale + more)
                best = max(best, abs(mean) / (scale * self._threshold(window)))
            if learn:
                known = self._scales[index]
                limit = 9.0 * known if self.n > self.LEAST else square
                if extra > 0.0:  # the usual share of it, for noise that is white
                    square /= 1.0 + extra / (1.0 / window + USUAL_LEVEL)
                self._scales[index] = known + weight * (min(square, limit) - known)
        if learn:
            self._lately += (square - self._lately) / min(self.n, 2 * self.LEAST)
            if self.n > 4 * self.LEAST and self.memory < GIVEN and self._lately < self.FALLEN * self._scales[-1]:
                self.n = 2 * self.LEAST
        return best

    def _threshold(self, window: int) -> float:
        freedom = min(self.n, self.memory) * 3.0 * window / (2.0 * window * window + 1.0)
        return self._z if freedom > 5e4 else student_quantile(self._z, max(freedom, 8.0))
