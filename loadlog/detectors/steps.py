"""Steps of one channel: a level with slope that lags behind, residuals against it, and what shape a change has.

The level is a line through about the last 100 samples *older* than the last `LAG`, extrapolated, so a step does not creep into its own
baseline and a steady drift (warm-up, a battery's sag) leaves no residual. The chart of the residuals raises suspicion; `StepWatch.step`
then decides whether the last samples look like a step: constant after at most one sample in transition (an instrument that averages shows
half of it), better explained so than by a kink in the slope (log likelihood ratio of at least 3), and larger than what the last samples'
own scatter would allow (a burst of noise widens the scatter first). At least two samples must show it.

Limits: changes that take two polls and more are ramps; a step that goes back within one poll is a spike.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

from loadlog.detectors.base import begin_ns, end_ns
from loadlog.detectors.statistics import StepChart, Trend
from loadlog.model.event import Onset
from loadlog.model.sample import Sample

LAG = 8
WINDOWS = (1, 2, 3, 5, 8)
MEMORY = 100
READY = 20  # samples in the level before residuals against it are judged
LONGEST_GAP_PERIODS = 30.0
STEP_OVER_KINK = 3.0  # log likelihood ratio
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

    __slots__ = ("_ahead", "_begins", "_chart", "_elapsed", "_ends", "_residuals", "_values", "period_ns", "ratio", "trend")

    def __init__(self, period_s: float, resolution: float, probability: float) -> None:
        self.period_ns = period_s * 1e9
        self._chart = StepChart(WINDOWS, probability, resolution)
        self.trend = Trend(MEMORY)
        self.restart()

    def restart(self) -> None:
        """A new level; the noise stays known."""
        self.trend.restart()
        self.ratio = 0.0
        self._ahead = 0.0
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
            oldest = self._elapsed.pop(0)
            self._ahead -= oldest
            trend.update(self._values.pop(0), oldest)
        self._values.append(value)
        self._elapsed.append(elapsed)
        self._ahead += elapsed
        self._begins.append(begin_ns(sample))
        self._ends.append(end_ns(sample))
        self._residuals.append(value - trend.level - trend.slope * self._ahead if trend.n > 1 else 0.0)
        if len(self._begins) > LAG + 2:
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
        size = sum(residuals[-samples:]) / samples
        in_transition = samples < LAG and 0.0 < residuals[-samples - 1] / size < 1.0 and abs(residuals[-samples - 1]) > 3.0 * sigma
        before = residuals[: LAG - samples - in_transition]
        after = residuals[-samples:]
        if max(abs(r - size) for r in after) > 5.0 * sigma or self.ratio < max(_scatter(before, after) / sigma, 1.0):
            return None
        step_square = sum(r * r for r in before) + sum((r - size) ** 2 for r in after)
        if (_kink_square(residuals) - step_square) / (2.0 * sigma * sigma) < STEP_OVER_KINK:
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
    """Deviation of one sample from successive differences on both sides of the step; the largest difference is left out, it may be an
    edge."""
    squares = sorted((b - a) ** 2 for side in (before, after) for a, b in itertools.pairwise(side))[:-1]
    return math.sqrt(sum(squares) / (2.0 * len(squares))) if len(squares) >= 2 else 0.0


def _line_variance(n: int) -> float:
    """Variance of a least-squares line through n samples, `LAG` samples beyond its end, in variances of one sample."""
    return 1.0 / n + (0.5 * (n - 1) + LAG) ** 2 * 12.0 / (n * (n * n - 1.0))
