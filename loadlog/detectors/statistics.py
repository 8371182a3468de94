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
from functools import lru_cache
from itertools import accumulate
from statistics import NormalDist
from typing import Final

USUAL_LEVEL = 0.06  # variance of a level beyond the end of 100 samples, in variances of one sample
GIVEN = 1 << 40  # samples that given noise counts for
_NORMAL = NormalDist()


def alarm_probability(per_1000_h: float, period_s: float) -> float:
    """Probability of a false alarm a poll that gives this rate per 1,000 h at this poll period."""
    return per_1000_h * period_s / 3.6e6


def two_sided_quantile(probability: float) -> float:
    """z with P(abs(Z) > z) = ``probability`` for standard normal Z."""
    return -_NORMAL.inv_cdf(0.5 * probability)


@lru_cache(maxsize=1024)  # many charts learn alike, and ask for the same ones
def student_quantile(z: float, freedom: float) -> float:
    """Student's t with the same tail as the normal ``z`` (Wallace's approximation, inverted; within 1 % for freedom >= 10)."""
    shrink = (8.0 * freedom + 3.0) / (8.0 * freedom + 1.0)
    return math.sqrt(freedom * math.expm1((z * shrink) ** 2 / freedom))


class Mean:
    """Recursive mean. Up to ``memory`` values exactly that of all; beyond, old ones fade exponentially."""

    __slots__ = ("mean", "memory", "n")

    def __init__(self, memory: int) -> None:
        self.memory = memory
        self.n = 0
        self.mean = 0.0

    def update(self, value: float) -> None:
        """Take a value."""
        n = self.n = self.n + 1
        self.mean += (value - self.mean) / (n if n < self.memory else self.memory)


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
        n = self.n = self.n + 1
        weight = 1.0 / (n if n < self.memory else self.memory)
        delta = value - self.mean
        mean = self.mean = self.mean + weight * delta
        self._squares += weight * (delta * (value - mean) - self._squares)

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
        self._alpha = self._beta = 0.0

    def update(self, value: float, elapsed: float = 1.0) -> None:
        """Take the value that lies ``elapsed`` periods after the last one."""
        n = self.n = self.n + 1
        if n == 1:
            self.level = value
            return
        if n <= self.memory:
            self._alpha, self._beta = 2.0 * (2 * n - 1) / (n * (n + 1)), 6.0 / (n * (n + 1))
        predicted = self.level + self.slope * elapsed
        error = value - predicted
        self.level = predicted + self._alpha * error
        self.slope += self._beta * error / (elapsed if elapsed > 1.0 else 1.0)


@lru_cache(maxsize=16)
def _expected(windows: tuple[int, ...]) -> tuple[float, ...]:
    """Variances of the means of white noise beside their level, in variances of one sample."""
    return tuple(1.0 / w + USUAL_LEVEL for w in windows)


class StepChart:
    """Generalised likelihood ratio for a step in a sequence of residuals: max over windows w of abs(mean of the last w) / scale_w.

    The scale of each window's mean is learned by itself, so noise that is correlated over many samples raises the scales of long windows
    instead of the false-alarm rate. Values beyond three scales count as three (a step must not widen its own yardstick), or as three of
    rounding noise: readings that stood still until now say nothing of the noise to come. Scales have a floor: ``quantum``/√12 of rounding
    noise, which averages out over a window only as far as the noise dithers the counts: the share exp(-4 pi^2 s^2), s the noise in counts,
    does not (first harmonic of the rounding error).

    The threshold for a stated probability of a false alarm a sample: normal quantile of that probability shared among the windows
    (Bonferroni, so conservative), widened to Student's quantile while the scale is known from few samples. Means over w overlapping samples
    are correlated by the triangle 1 - k/w; n over the sum of its squares, (2 w^2 + 1)/(3 w), are the degrees of freedom. Once ``memory``
    samples are known only every second one is learned from, which costs half and leaves no fewer degrees of freedom; ``has_learned``: the
    last one was.

    While the yardstick is another one at every sample (the level was started again a moment ago, or few samples are known), a bound is
    tried first that holds for some samples: where no ratio can reach `CALM`, none is counted.
    """

    __slots__ = (
        "_bounds",
        "_bounds_uses",
        "_expected",
        "_factors",
        "_lasts",
        "_lately",
        "_longest",
        "_scales",
        "_skips",
        "_thresholds",
        "_uses",
        "_valid_to",
        "_z",
        "has_learned",
        "memory",
        "n",
        "rounding",
        "windows",
    )  # fmt: skip
    LEAST: Final = 30
    LONGEST_SEEN: Final = 20  # longest windows until correlation over them is known, within a third or so
    USES: Final = 8  # scales are followed at every so many samples; they change by 1 % in that time
    CALM: Final = 0.5  # ratios below need not be told: 0 may stand for them
    BOUND_USES: Final = 16  # samples that a bound holds for
    RENEW: Final = 1.02  # thresholds are counted anew when the samples are 2 % more; those in between are up to 4 % too wide
    FALLEN: Final = (
        0.15  # share of the longest window's mean square over the last 2 `LEAST` values: the noise has fallen, it is learned again
    )

    def __init__(self, windows: Sequence[int], probability: float, quantum: float, memory: int = 1000) -> None:
        self.windows = tuple(windows)
        self._lasts = tuple(w - 1 for w in self.windows)
        self._expected = _expected(self.windows)
        self._longest = slice(None, -self.windows[-1] - 1, -1)
        self.rounding = quantum * quantum / 12.0  # variance that rounding makes
        self.memory = memory
        self._z = two_sided_quantile(probability / len(self.windows))
        self._scales = [0.0] * len(self.windows)
        self._lately = 0.0
        self._thresholds: list[float] = []  # of each window, squared
        self._valid_to = 0.0  # samples for which those hold
        self._factors: list[float] = []
        self._uses = 0  # of the factors, until they are counted anew
        self._bounds: list[float] = []  # what the factors cannot exceed in the next samples
        self._bounds_uses = 0
        self._skips = self.has_learned = False
        self.n = 0

    @property
    def quantum(self) -> float:
        """One count, in the unit of the residuals; 0 for values that are not rounded."""
        return math.sqrt(12.0 * self.rounding)

    @quantum.setter
    def quantum(self, value: float) -> None:
        self.rounding = value * value / 12.0
        self._uses = self._bounds_uses = 0

    def fix(self, sigma: float) -> None:
        """White noise of known deviation: nothing more is learned."""
        self._scales = [sigma * sigma / w for w in self.windows]
        self.n = self.memory = GIVEN
        self._valid_to, self._uses = 0.0, 0

    def learn_again(self, sigma: float) -> None:
        """Begin with white noise of that deviation, to be learned anew; given noise stays."""
        if self.memory < GIVEN:
            self._scales = [sigma * sigma * expected for expected in self._expected]
            self._lately = self._scales[-1]
            self.n = self.LEAST
            self._valid_to, self._uses = 0.0, 0

    def sigma(self) -> float:
        """Deviation of one sample, rounding included."""
        return math.sqrt(max(self._scales[0], self.rounding))

    def scale(self, index: int) -> float:
        """Deviation of the mean over window number ``index``."""
        return math.sqrt(max(self._scales[index], self.rounding * min(1.0 / self.windows[index] + self._undithered(), 1.0))) or math.inf

    def deviation_of_mean(self, samples: int) -> float:
        """Usual deviation of the mean over that many samples: of the longest window that is not longer."""
        return self.scale(max(n for n, window in enumerate(self.windows) if window <= max(samples, self.windows[0])))

    def as_white(self, extra: float = 0.0) -> float:
        """Deviation of one value of the white noise whose means over the longest window scatter as these do; at least that of one value,
        wider while it is known from few samples, and infinite before the correlation shows. ``extra`` as in `update`."""
        known = min(self.n, self.memory)
        if known < self.LONGEST_SEEN * self.windows[-1]:
            return math.inf
        wider = 1.0 if known > 5e4 else student_quantile(self._z, known) / self._z
        one = max(self._scales[0], self.rounding)
        longest = self.scale(-1) ** 2 + extra * one
        return math.sqrt(max(one * wider * wider, longest / (1.0 / self.windows[-1] + USUAL_LEVEL)))

    def as_white_by_now(self) -> float:
        """The same before the correlation shows: as it seems, and wider by what is missing to `LONGEST_SEEN` windows."""
        seen, needed = max(min(self.n, self.memory), 1), self.LONGEST_SEEN * self.windows[-1]
        one, longest = max(self._scales[0], self.rounding), self.scale(-1) ** 2
        return math.sqrt(max(one, longest / (1.0 / self.windows[-1] + USUAL_LEVEL)) * max(needed / seen, 1.0))

    def update(self, residuals: Sequence[float], learn: bool, extra: float = 0.0) -> float:
        """Take the last residuals, newest last, at least as many as the longest window.

        Returns the largest ratio to its threshold (`CALM`): 1 and above is an alarm. ``learn``: adapt the scales. ``extra``: variance of
        the level beyond what was usual when the scales were learned, in variances of one sample (a level that was started again a moment
        ago).
        """
        sums = [*accumulate(residuals[self._longest])]
        n, best = self.n, 0.0
        if learn:
            if n >= self.memory:  # neighbouring means tell nearly the same: every second one is learned from
                learn = self._skips = not self._skips
            if learn:
                n = self.n = n + 1
        if n >= self.LEAST and ((extra <= 0.0 and self._uses > 0) or not self._is_calm(sums, extra)):
            self._uses -= 1
            for last, factor in zip(self._lasts, self._factors, strict=True):
                total = sums[last]
                ratio = total * total * factor
                if ratio > best:
                    best = ratio
        self.has_learned = learn
        if learn:
            self._learn(sums, extra)
        return math.sqrt(best)

    def _learn(self, sums: list[float], extra: float) -> None:
        n, scales = self.n, self._scales
        weight = 1.0 / (n if n < self.memory else self.memory)
        is_bounded = n > self.LEAST
        square = 0.0
        for index, window in enumerate(self.windows):
            mean = sums[window - 1] / window
            square = mean * mean
            known = scales[index]
            if extra > 0.0:  # the usual share of it, for noise that is white
                square /= 1.0 + extra / self._expected[index]
            if is_bounded and square > 9.0 * known:
                square = min(square, 9.0 * max(known, self.rounding / window))
            scales[index] = known + weight * (square - known)
        lately = self._lately = self._lately + (square - self._lately) / (n if n < 2 * self.LEAST else 2 * self.LEAST)
        if lately < self.FALLEN * scales[-1] and n > 4 * self.LEAST and self.memory < GIVEN:
            self.n = 2 * self.LEAST
            self._valid_to, self._uses = 0.0, 0

    def _is_calm(self, sums: list[float], extra: float) -> bool:
        """No ratio can reach `CALM`; else the factors are counted anew."""
        n = min(self.n, self.memory)
        if n > self._valid_to:
            self._thresholds = [self._threshold(window) ** 2 for window in self.windows]
            self._valid_to = math.inf if n >= self.memory else min(self.RENEW * n, self.memory - 1)
            self._bounds_uses = 0
        if extra <= 0.0 and n >= 4 * self.LEAST:  # these factors will be used again
            self._renew(extra, self.USES)
            return False
        if self._bounds_uses <= 0:
            self._bound()
        self._bounds_uses -= 1
        self._uses = 0
        for last, bound in zip(self._lasts, self._bounds, strict=True):
            total = sums[last]
            if total * total * bound >= self.CALM * self.CALM:
                self._renew(extra, 0)
                return False
        return True

    def _bound(self) -> None:
        """Learning shrinks scales by the n-th part at most each time, the floor is that of rounding at least, an uncertain level adds."""
        self._bounds_uses = self.BOUND_USES
        left = (1.0 - 1.0 / min(self.n, self.memory)) ** self.BOUND_USES
        bounds, rounding = [], self.rounding
        for window, scale, threshold in zip(self.windows, self._scales, self._thresholds, strict=True):
            variance, floor = left * scale, rounding / window
            least = window * window * threshold * (variance if variance > floor else floor)
            bounds.append(1.0 / least if least > 1e-300 else 1e300)
        self._bounds = bounds

    def _undithered(self) -> float:
        """Share of the rounding noise that does not average out, at the noise as learned."""
        return math.exp(-3.2898681 * self._scales[0] / self.rounding) if self.rounding > 0.0 else 0.0

    def _renew(self, extra: float, uses: int) -> None:
        """Count anew by what the square of each window's sum is divided to be 1 at its threshold."""
        self._uses = uses
        scales, more, rounding, undithered = self._scales, extra * self._scales[0], self.rounding, self._undithered()
        factors = []
        for window, scale, threshold in zip(self.windows, scales, self._thresholds, strict=True):
            stays = 1.0 / window + undithered
            floor = rounding * stays if stays < 1.0 else rounding
            variance = (scale if scale > floor else floor) + more
            factors.append(1.0 / (window * window * variance * threshold) if variance > 0.0 else 0.0)
        self._factors = factors

    def _threshold(self, window: int) -> float:
        freedom = min(self.n, self.memory) * 3.0 * window / (2.0 * window * window + 1.0)
        return self._z if freedom > 5e4 else student_quantile(self._z, max(freedom, 8.0))
