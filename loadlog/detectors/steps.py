"""Steps of one channel: a level with slope that lags behind, residuals against it, and what shape a change has.

The level is a line through about the last 100 samples *older* than the last `LAG`, extrapolated, so a step does not creep into its own
baseline and a steady drift (warm-up, a battery's sag) leaves no residual. The chart of the residuals raises suspicion; `StepWatch.step`
then decides whether the last samples look like a step: constant after at most one sample in transition (an instrument that averages shows
half of it), better explained so than by a kink in the slope (log likelihood ratio of at least 3), and larger than what the last samples'
own scatter would allow (a burst of noise widens the scatter first). At least two samples must show it.

Limits: changes that take two polls and more are ramps; a step that goes back within one poll is a spike. Below seven deviations seven
samples are insisted on.
Expected false alarms: the stated rate in noise as learned; bursts of three to ten times the learned noise imitated none in 8,000 bursts
(measured on the tests' bench). Missed, measured with 1 mV counts and white noise: 3 % at five deviations, below 1 % at six and more.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from loadlog.detectors.base import begin_ns, end_ns
from loadlog.detectors.statistics import StepChart, Trend
from loadlog.model.event import Onset
from loadlog.model.sample import Sample

LAG = 14
WINDOWS = (1, 2, 3, 5, 8, 12)
MEMORY = 100
KEPT = 26  # residuals, for the scatter before a step
READY = 20  # samples in the level before residuals against it are judged
LONGEST_GAP_PERIODS = 30.0
STEP_OVER_KINK = 3.0  # log likelihood ratio
LEVEL_LAGS = 0.3  # mean residual before the step over its size: more, and the level lagged behind a slow change already
ONSET_LOG_ODDS = 4.6  # change points within 1:100 of the most likely one belong to the onset interval


@dataclass(frozen=True, slots=True)
class Step:
    """``size`` in the channel's unit with its standard uncertainty; ``samples`` show it; ``sigma``: noise of one sample."""

    size: float
    uncertainty: float
    samples: int
    sigma: float
    onset: Onset


class StepWatch:
    """Watches one channel of one device; the owner gives it values, asks `step` when `ratio` reaches 1, and calls `restart` after a
    change."""

    __slots__ = ("_ahead", "_begins", "_chart", "_elapsed", "_ends", "_entered", "_residuals", "_values", "period_ns", "ratio", "trend")

    def __init__(self, period_s: float, resolution: float, probability: float) -> None:
        self.period_ns = period_s * 1e9
        self._chart = StepChart(WINDOWS, probability, resolution)
        self.trend = Trend(MEMORY)
        self.restart()

    def restart(self) -> None:
        """A new level; the noise stays known."""
        self.trend.restart()
        self.ratio = 0.0
        self._ahead = self._entered = 0.0
        self._values: list[float] = []
        self._elapsed: list[float] = []
        self._residuals: list[float] = []
        self._begins: list[int] = []
        self._ends: list[int] = []

    @property
    def ready(self) -> bool:
        """Level and noise are known well enough to judge."""
        return self.trend.n >= READY and not self._chart.learning

    @property
    def sigma(self) -> float:
        """Noise of one sample in the channel's unit, rounding included."""
        return self._chart.sigma()

    @property
    def level(self) -> float:
        """The mean of the last values (at most `LAG`); 0 right after a restart."""
        return self.now(LAG)

    def now(self, samples: int) -> float:
        """Mean of that many last values, at most `LAG`."""
        last = self._values[-samples:]
        return sum(last) / len(last) if last else 0.0

    def elapsed(self, before_ns: int, now_ns: int) -> float:
        """Poll periods between two stamps; a clock that stepped back counts as one."""
        periods = (now_ns - before_ns) / self.period_ns
        return periods if periods > 0.0 else 1.0

    def update(self, value: float, sample: Sample, elapsed: float) -> None:
        """Take the next value."""
        if elapsed > LONGEST_GAP_PERIODS:
            self.restart()
        trend = self.trend
        if len(self._values) == LAG:
            oldest, value_then = self._elapsed.pop(0), self._values.pop(0)
            self._ahead -= oldest
            self._entered = sorted((self._entered if trend.n else value_then, value_then, self._values[0]))[1]
            trend.update(self._entered, oldest)
        self._values.append(value)
        self._elapsed.append(elapsed)
        self._ahead += elapsed
        self._begins.append(begin_ns(sample))
        self._ends.append(end_ns(sample))
        self._residuals.append(value - trend.level - trend.slope * self._ahead if trend.n > 1 else 0.0)
        if len(self._begins) > KEPT:
            del self._begins[0], self._ends[0], self._residuals[0]
        n = trend.n
        if n < READY or len(self._residuals) < LAG:
            self.ratio = 0.0
            return
        extra = 0.0 if n >= MEMORY else max(_line_variance(n) - _line_variance(MEMORY), 0.0)
        self.ratio = self._chart.update(self._residuals, True, extra)

    def mean_of_last(self, samples: int) -> float:
        """Mean residual of the last samples: how far they lie from the level."""
        last = self._residuals[-samples:]
        return sum(last) / len(last) if last else 0.0

    def step(self) -> Step | None:
        """The step that the last samples show, or None when they show none (yet)."""
        residuals = self._residuals[-LAG:]
        if self.trend.n < READY or len(residuals) < LAG:
            return None
        sigma = self.sigma
        likelihoods = _likelihoods(residuals, sigma)
        samples = max(range(2, LAG + 1), key=lambda k: likelihoods[k - 1])
        if samples > LAG - 2:  # the edge is out of sight: the level lags behind a slow change
            return None
        size = sum(residuals[-samples:]) / samples
        if sigma <= 0.0 or size == 0.0:
            return None
        in_transition = 0.0 < residuals[-samples - 1] / size < 1.0 and abs(residuals[-samples - 1]) > 3.0 * sigma
        before, after = self._residuals[: -samples - in_transition], residuals[-samples:]
        near = before[-LAG:]
        if abs(sum(near)) > LEVEL_LAGS * abs(size) * len(near):
            return None
        scatter = _scatter(before, after)
        if samples < _samples_needed(abs(size) / sigma, scatter / sigma) or self.ratio < scatter / sigma:
            return None
        if max(abs(r - size) for r in after) > 5.0 * sigma:
            return None
        step_square = sum(r * r for r in near) + sum((r - size) ** 2 for r in after)
        kink_square = _kink_square([*near, *self._residuals[-samples - in_transition :]])
        if (kink_square - step_square) / (2.0 * sigma * sigma) < STEP_OVER_KINK:
            return None
        level_variance = _line_variance(min(self.trend.n, MEMORY))
        uncertainty = sigma * math.sqrt(1.0 / samples + level_variance)
        return Step(size, uncertainty, samples, sigma, self._onset(likelihoods, samples + in_transition))

    def _onset(self, likelihoods: list[float], samples: int) -> Onset:
        floor = max(likelihoods) - ONSET_LOG_ODDS
        credible = [k for k in range(1, LAG + 1) if likelihoods[k - 1] >= floor]
        longest, shortest = max([*credible, samples]), min([*credible, samples])
        before = min(longest + 1, len(self._begins))
        earliest, latest = self._begins[-before], self._ends[-shortest]
        return Onset(min(earliest, latest), latest)


def _likelihoods(residuals: list[float], sigma: float) -> list[float]:
    """Log likelihood gain of a step that began k samples ago, for k = 1, 2, ..."""
    out, total = [], 0.0
    for k in range(1, len(residuals) + 1):
        total += residuals[-k]
        out.append(total * total / (2.0 * k * sigma * sigma))
    return out


def _kink_square(residuals: list[float]) -> float:
    """Sum of squares left by the best kink: zero until a sample, then a straight line."""
    square = sum(r * r for r in residuals)
    best = square
    for length in range(1, len(residuals) + 1):
        product = sum(r * (i + 1) for i, r in enumerate(residuals[-length:]))
        best = min(best, square - product * product / (length * (length + 1) * (2 * length + 1) / 6.0))
    return best


def _scatter(before: list[float], after: list[float]) -> float:
    """Deviation of one sample from successive differences within each side of the step: of all of them, of the last few before it alone, or
    of those after it alone, whichever is most. A burst of noise shows in the latter two first."""
    old = [(b - a) ** 2 for a, b in itertools.pairwise(before)]
    new = [(b - a) ** 2 for a, b in itertools.pairwise(after)]
    parts = [old + new, old[-4:], new if len(new) >= 2 else []]
    return max(math.sqrt(sum(part) / (2.0 * len(part))) if part else 0.0 for part in parts)


def _samples_needed(size: float, scatter: float) -> int:
    """Samples that must show a step of ``size`` deviations: a burst of noise (``scatter`` deviations in the last samples) imitates small
    ones."""
    if scatter > 1.8 and size < 20.0 * scatter:
        return LAG - 4
    return 2 if size >= 20.0 else 3 if size >= 7.0 else 7


def _line_variance(n: int) -> float:
    """Variance of a least-squares line through n samples, `LAG` samples beyond its end, in variances of one sample."""
    return 1.0 / n + (0.5 * (n - 1) + LAG) ** 2 * 12.0 / (n * (n * n - 1.0))
