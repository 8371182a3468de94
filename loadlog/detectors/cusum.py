"""Page's CUSUM: the quickest chart for a step whose size is known.

For independent normal values S = max(0, S + z - k), with z in deviations towards the step and k half the step, is the sum of log-likelihood
ratios, and no rule of the same mean run length without a step has a shorter worst mean delay (E. S. Page, Biometrika 41 (1954) 100; G.
Lorden, Ann. Math. Stat. 42 (1971) 1897; G. V. Moustakides, Ann. Stat. 14 (1986) 1379). The generalised likelihood ratio of `StepChart`
needs no size, and pays for that with a wider threshold and windows that fit only some lengths. Two charts, of z and of -z, make a two-sided
one.

The threshold follows from the mean run length without a step, by D. Siegmund's approximation (Sequential Analysis, 1985; formulas from
memory, a test holds them against the Markov chain of Brook and Evans): (exp(2kb) - 2kb - 1)/(2k²) with b = h - ln(v)/k, where v = 2/d²
exp(-2 sum Phi(-d sqrt(n)/2)/n), d = 2k, is the transform of the overshoot; for small d it gives his b = h + 1.166.

`KnownStep` keeps such a chart beside a `StepWatch`. Noise that is correlated enters as white noise that is wider (`StepChart.as_white`): a
step that is small against that is left to the other chart.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from statistics import NormalDist

from loadlog.detectors.steps import StepWatch

FOLLOWED_EVERY = 16  # samples until size and noise are looked at again
LEAST_SHIFT = 2.5  # deviations; smaller steps take longer than the correlation over a window shows
SAME_SHIFT = 0.03  # of the shift: smaller changes are not followed
_TAIL = NormalDist().cdf


class Cusum:
    """One-sided chart. ``k``: reference value, ``h``: decision interval, both in deviations."""

    __slots__ = ("h", "k", "sum")

    def __init__(self, k: float, h: float) -> None:
        self.k, self.h = k, h
        self.sum = 0.0

    def update(self, z: float) -> bool:
        """Take the next value in deviations; whether the chart signals."""
        total = self.sum + z - self.k
        self.sum = total if total > 0.0 else 0.0
        return total > self.h


def overshoot(shift: float) -> float:
    """Transform of the overshoot, Siegmund's v: 1 for no shift, falling."""
    total = 0.0
    for n in range(1, 2000):
        term = _TAIL(-0.5 * shift * math.sqrt(n)) / n
        total += term
        if term < 1e-9:
            break
    return 2.0 / (shift * shift) * math.exp(-2.0 * total)


@functools.lru_cache(maxsize=256)
def decision_interval(k: float, run_length: float) -> float:
    """``h`` of the one-sided chart whose mean run length without a step is ``run_length``."""
    wanted = 2.0 * k * k * run_length + 1.0
    exponent = math.log(wanted)
    for _ in range(20):  # exp(x) - x = wanted; the step shrinks by wanted each time
        exponent = math.log(wanted + exponent)
    return max(exponent / (2.0 * k) + math.log(overshoot(2.0 * k)) / k, 0.0)


class KnownStep:
    """Waits for a step of known size in a `StepWatch`. ``probability``: of a false alarm a sample."""

    __slots__ = ("_chart", "_run_length", "_scale", "_uses", "signals")

    def __init__(self, probability: float) -> None:
        self._run_length = 1.0 / probability
        self._chart: Cusum | None = None
        self._scale = 0.0  # deviations a unit, towards the step
        self._uses = 0
        self.signals = False

    def update(self, watch: StepWatch, size: Callable[[], float | None]) -> None:
        """``watch`` took its next value. ``size`` of the step that is waited for, with its sign, in the channel's unit; None: not known."""
        if not watch.ready:  # a ratio of 0 does not say so: `StepChart.CALM`
            self._uses, self._chart, self.signals = 0, None, False
            return
        if self._uses <= 0:
            self._expect(size(), watch)
            self._uses = FOLLOWED_EVERY
        self._uses -= 1
        if self._chart is not None:
            self.signals = self._chart.update(watch.residual * self._scale)

    def _expect(self, size: float | None, watch: StepWatch) -> None:
        deviation = watch.as_white
        if size is None or abs(size) < LEAST_SHIFT * deviation:
            self._chart, self.signals = None, False
            return
        k, chart = 0.5 * abs(size) / deviation, self._chart
        self._scale = math.copysign(1.0 / deviation, size)
        if chart is None or abs(k - chart.k) > SAME_SHIFT * chart.k:
            self._chart = Cusum(k, decision_interval(round(k, 2), self._run_length))
            self._chart.sum = 0.0 if chart is None else chart.sum
