"""Steps of one channel: a level with slope that lags behind, residuals against it, and what shape a change has.

The level is a line through about the last 100 samples *older* than the last `LAG`, extrapolated, so a step does not creep into its own
baseline and a steady drift (warm-up, a battery's sag) leaves no residual. Where the drift is curved (a battery under a new load relaxes
over minutes) a line through 30 samples leaves much less; the one that leaves less is taken, and the noise is learned again then, from that
of neighbours or, where it is more, from how far slow means lie beside that line: an instrument that renews its readings more slowly than
it is polled repeats them, and neighbours then say little of its noise. The chart of the residuals raises suspicion at the stated rate;
`StepWatch.step` then says what the last samples look like if they are a step (constant after at most one sample in transition: an
instrument that averages shows half of it), and how likely two other explanations would have made them:

- a *burst* of noise: the same level, but from some sample on (the edge or up to 12 samples before it) the short-term deviation is f times
  the learned one, f anywhere from 1.5 to 30 (log-uniform). A step leaves the scatter within its samples as it was, a burst widens it.
- a *ramp*: a kink in the slope, or a slope that ends within sight after five samples or more (a shorter one is as good as a step). Ramp and
  step may have begun at any sample alike, beside a level that is uncertain alike (`rivals`).

`Step.doubt` is the odds of both against a step, given how densely steps of that size were expected: a step of just the expected size
needs fewer samples than one of any size. Bursts are given `BURSTS_PER_STEP` to one and ramps one to one before anything is seen; both are
judgements. At least two samples must show a step, three below 20 deviations.

Noise that is correlated enters by the learned deviations of means over the windows, not as white noise: the effective number of samples
falls by itself. The short-term deviation comes from successive differences (J. von Neumann, Ann. Math. Stat. 12 (1941) 367).

A gap of more than `LONGEST_GAP_PERIODS` counts as one period: the level is held against what it was, and the owner judges what may have
moved it meanwhile (`Step.gap_s`).

Limits: changes that take two polls and more are ramps here (`unsettled` follows those that go to and fro); a step that goes back within one
poll is a spike. A step that is still in doubt after `LAG` - 2 samples is not named.
Expected false alarms: the stated rate in noise as learned; bursts as the tests' bench measures them.
Source: ratio of marginal likelihoods (R. E. Kass and A. E. Raftery, J. Amer. Stat. Assoc. 90 (1995) 773).
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from loadlog.detectors.past_levels import PastLevels
from loadlog.detectors.rivals import Residuals, burst, ramp
from loadlog.detectors.statistics import StepChart, Trend
from loadlog.model.event import Onset
from loadlog.model.sample import Sample

LAG = 14
WINDOWS = (1, 2, 3, 5, 8, 12)
CLEAR_WINDOWS = (1, 3, 12)
MEMORY = 100
KEPT = 26  # residuals, for the scatter before a step
MOST_KEPT = 40
SHORT_MEMORY = 30
SWAP_GAIN = 3.0  # mean square beside the line, over that beside the other one
SMOOTHING = 12.0  # samples; what that leaves of the variance of white noise:
SMOOTHED = 1.0 / (2.0 * SMOOTHING - 1.0)
AGREEMENT = 0.5 / math.sqrt(math.pi)  # of two readings to the count, in deviations a count: the density of their difference at zero
READY = 20  # samples in the level before residuals against it are judged
LEAST_S = 1.0  # and for so long: many instruments renew their readings two to ten times a second; noise below a count does not show it
LONGEST_GAP_PERIODS = 30.0
HELD_AT = 0.6  # ratio from which on the noise is not learned, for at most 2 `LAG` samples: a step must not widen its own yardstick
BURSTS_PER_STEP = 30.0
LOG_SPAN = 10.0  # a step of any size: log-uniform over about four decades
MOST_DOUBT = 0.05  # odds of burst and ramp against a step that is believed
LEVEL_LAGS = 0.3  # mean residual before the step over its size: more, and the level lagged behind a slow change already
REST_SPAN = 6.0  # deviations that `LAG` samples span at most: one time in five hundred they span more
FAR = 4.0  # deviations of a sample that has left the level
ONSET_LOG_ODDS = 4.6  # change points within 1:100 of the most likely one belong to the onset interval


@dataclass(frozen=True, slots=True)
class Step:
    """``size`` in the channel's unit with its standard uncertainty; ``samples`` show it; ``sigma``: noise of one sample;
    ``gap_s``: for how long nobody looked within its onset, 0 where that is no longer than usual; ``slope``: by how
    much the level may have been moving, unit/s, its uncertainty included."""

    size: float
    uncertainty: float
    samples: int
    sigma: float
    onset: Onset
    residuals: Residuals
    gap_s: float
    slope: float

    def broad_density(self) -> float:
        """Density of a step of any size at this one, 1/unit."""
        return 1.0 / (abs(self.size) * LOG_SPAN)

    def doubt(self, density: float) -> float:
        """Odds that there was no step at all, when steps of this size are expected with ``density`` (1/unit)."""
        as_burst, as_ramp = self.rivals()
        return (BURSTS_PER_STEP * as_burst + as_ramp * self.broad_density()) / max(density, 1e-300)

    def rivals(self) -> tuple[float, float]:
        """Probability density (1/unit) of the data as a burst, and their likelihood as a ramp, both over that as a step."""
        seen = self.residuals
        return burst(seen, self.size), ramp(seen.before[-LAG:], seen, self.sigma)


class StepWatch:
    """Watches one channel of one device; its owner gives values, asks `step` when `ratio` reaches 1, and calls `restart` after a change."""

    __slots__ = (
        "_ahead", "_begins", "_chart", "_curves", "_elapsed", "_ends", "_entered", "_fresh", "_held", "_lag", "_lag_other", "_needed",
        "_other", "_past", "_residuals", "_short", "_since_swap", "_square", "_square_other", "_values", "period_ns", "ratio", "trend",
    )  # fmt: skip

    def __init__(
        self, period_s: float, resolution: float, probability: float, curves: bool = True, windows: Sequence[int] = WINDOWS
    ) -> None:
        """``curves``: its level may; that of what an instrument regulates does not, and needs no second line. ``windows``: of its chart;
        `CLEAR_WINDOWS` do for an owner who waits for a `clear_step`, which takes three samples anyway."""
        self._curves = curves
        self.period_ns = period_s * 1e9
        self._chart = StepChart(windows, probability, resolution)
        self._short = self._fresh = 0.0  # half the mean square of successive differences; of those of readings that are another one
        self.trend, self._other = Trend(MEMORY), Trend(SHORT_MEMORY)
        self._past = PastLevels(period_s)
        self.restart()

    def restart(self) -> None:
        """A new level; the noise stays known."""
        if self.trend.memory < MEMORY:
            self.trend, self._other = self._other, self.trend
        self.trend.restart()
        self._other.restart()
        self._past.restart()
        self._needed = self._ready_after()
        self._lag = self._square = self._lag_other = self._square_other = 0.0  # beside the line in use, beside the other one
        self._since_swap = 0
        self.ratio = 0.0
        self._ahead = self._entered = 0.0
        self._held = 0
        self._values, self._elapsed = array("d"), array("d")
        self._residuals: list[float] = []
        self._begins, self._ends = array("q"), array("q")

    @property
    def ready(self) -> bool:
        """Level and noise are known well enough to judge."""
        return self.trend.n >= self._needed and self._chart.n >= StepChart.LEAST

    def _ready_after(self) -> int:
        """Samples until the level is made of `READY` readings, those that are polled again counted once, and of those of `LEAST_S`; or of
        as many as it remembers."""
        polls = self.short_sigma**2 / self._short if self._short > 0.0 and self._fresh > self.quantum**2 else 1.0
        return math.ceil(min(max(polls * READY, LEAST_S * 1e9 / self.period_ns), self.trend.memory))

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
        return math.fsum(last) / len(last) if last else 0.0

    def elapsed(self, before_ns: int, now_ns: int) -> float:
        """Poll periods between two stamps; a clock that stepped back counts as one."""
        periods = (now_ns - before_ns) / self.period_ns
        return periods if periods > 0.0 else 1.0

    def update(self, value: float, sample: Sample, elapsed: float) -> None:
        """Take the next value."""
        if elapsed > LONGEST_GAP_PERIODS:
            elapsed = 1.0
        trend, other, values, periods, residuals = self.trend, self._other, self._values, self._elapsed, self._residuals
        ahead = self._ahead
        if len(values) >= LAG:
            oldest, entering = periods[-LAG], values[-LAG]
            ahead -= oldest
            before, after = self._entered if trend.n else entering, values[1 - LAG]
            low, high = (entering, before) if before > entering else (before, entering)
            if high > after:
                high = after if after > low else low
            self._entered = entering = high  # the median of the three
            trend.update(entering, oldest)
            if self._curves:
                other.update(entering, oldest)
        values.append(value)
        periods.append(elapsed)
        self._ahead = ahead = ahead + elapsed
        stamp = sample.stamp
        t_ns, half_ns = stamp.t_utc_ns, stamp.half_width_ns
        self._begins.append(t_ns - half_ns)
        self._ends.append(t_ns + half_ns)
        n = trend.n
        residual = value - trend.level - trend.slope * ahead if n > 1 else 0.0
        residuals.append(residual)
        if len(residuals) >= MOST_KEPT:
            self._shorten()
        if other.n >= SHORT_MEMORY and self._choose(residual, value - other.level - other.slope * ahead):
            self.ratio = 0.0
            return
        if n < self._needed or len(residuals) < LAG:
            self.ratio = 0.0
            return
        chart = self._chart
        if self.ratio < HELD_AT:
            self._held = 0
            learn = True
        else:
            learn = self._held >= 2 * LAG
            self._held += 1
        self.ratio = chart.update(residuals, learn, 0.0 if n >= trend.memory else UNSURE[trend.memory][n])
        if not chart.has_learned:
            return
        step = residual - residuals[-2]
        half, fresh, known, rounding = 0.5 * step * step, self._fresh, chart.n, chart.rounding
        if known >= chart.LEAST and half > 9.0 * (rounding if rounding > fresh else fresh):
            half = 9.0 * max(rounding, fresh)
        weight = 1.0 / (known if known < chart.memory else chart.memory)
        self._short += weight * (half - self._short)
        if value != values[-2]:
            self._fresh = fresh + weight * (half - fresh)

    def _shorten(self) -> None:
        """Old ones go now and then instead of one by one."""
        if self.trend.n >= self._needed:
            self._past.take(self.trend.n, self.trend.level)
        del self._values[:-KEPT], self._elapsed[:-LAG], self._residuals[:-KEPT], self._begins[:-KEPT], self._ends[:-KEPT]

    def fix(self, sigma: float) -> None:
        """Noise of one sample is given: white, and not learned."""
        self._chart.fix(sigma)
        self._short = self._fresh = sigma * sigma

    @property
    def quantum(self) -> float:
        """One count in the watched unit."""
        return self._chart.quantum

    @quantum.setter
    def quantum(self, value: float) -> None:
        self._chart.quantum = value

    def _choose(self, residual: float, residual_other: float) -> bool:
        """Go over to the line of the other length when it follows better, judged by how far slow means lie beside it; True when so."""
        since = self._since_swap = self._since_swap + 1
        weight = 1.0 / (since if since < SHORT_MEMORY else SHORT_MEMORY)
        mine, others = self._lag, self._lag_other
        mine = self._lag = mine + (residual - mine) / SMOOTHING
        others = self._lag_other = others + (residual_other - others) / SMOOTHING
        square, square_other = self._square, self._square_other
        mine = self._square = square + weight * (mine * mine - square)
        others = self._square_other = square_other + weight * (others * others - square_other)
        if mine < SWAP_GAIN * others or since < 2 * SHORT_MEMORY or mine < 2.0 * self.short_sigma**2:
            return False
        self.trend, self._other = self._other, self.trend
        self._since_swap = 0
        self._square, self._square_other = others, mine
        self._lag, self._lag_other = self._lag_other, self._lag
        self._residuals = self._beside()  # a step in the next samples would be hidden, if they had to be waited for
        del self._begins[: -len(self._residuals)], self._ends[: -len(self._residuals)]
        self._chart.learn_again(max(self.short_sigma, math.sqrt(others / (SMOOTHED + _line_variance(self.trend.memory)))))
        return True

    def _beside(self) -> list[float]:
        """How far the last `LAG` values lie beside the line in use."""
        line, ahead, out = self.trend, self._ahead, []
        for value, elapsed in zip(reversed(self._values[-LAG:]), reversed(self._elapsed[-LAG:]), strict=True):
            out.append(value - line.level - line.slope * ahead)
            ahead -= elapsed
        return out[::-1]

    @property
    def short_sigma(self) -> float:
        """Deviation of one sample from those next to it, rounding included (a level that lies on the edge between two counts flickers).
        Readings that repeat more often than noise of more than a count lets them are the same one, polled again."""
        short, fresh, quantum = self._short, self._fresh, self._chart.quantum
        if fresh > quantum * quantum:
            short = max(short, fresh * (1.0 - AGREEMENT * quantum / math.sqrt(fresh)))
        return math.sqrt(max(short, 2.0 * self._chart.rounding))

    @property
    def as_white(self) -> float:
        """`StepChart.as_white` for a level as young as the present one."""
        n, memory = self.trend.n, self.trend.memory
        return self._chart.as_white(0.0 if n >= memory else max(_line_variance(max(n, 2)) - _line_variance(memory), 0.0))

    @property
    def residual(self) -> float:
        """The last value beside the level; 0 right after a restart."""
        return self._residuals[-1] if self._residuals else 0.0

    def mean_of_last(self, samples: int) -> float:
        """Mean residual of the last samples: how far they lie from the level."""
        last = self._residuals[-samples:]
        return math.fsum(last) / len(last) if last else 0.0

    @property
    def is_at_rest(self) -> bool:
        """The last `LAG` samples lie as close together as noise lets them."""
        last = self._values[-LAG:]
        return len(last) == LAG and max(last) - min(last) <= REST_SPAN * max(self.short_sigma, self.sigma)

    def last(self, samples: int) -> Sequence[float]:
        """That many last values, at most `KEPT`."""
        return self._values[-samples:]

    @property
    def until_ns(self) -> int:
        """The latest instant at which the last sample can have been taken."""
        return self._ends[-1]

    def deviation_of_mean(self, samples: int) -> float:
        """Usual deviation of the mean over that many samples."""
        return self._chart.deviation_of_mean(samples)

    @property
    def level_variance(self) -> float:
        """Of the level, in variances of one sample."""
        return _line_variance(max(min(self.trend.n, self.trend.memory), 2))

    def left(self) -> tuple[float, Onset, Sequence[float]]:
        """The level that the last samples have left, between which of them they did, and the values since then."""
        residuals = self._residuals[-LAG:]
        far = max(FAR * self.sigma, LEVEL_LAGS * max(map(abs, residuals)))
        since = next((len(residuals) - n for n, r in enumerate(residuals) if abs(r) > far), 1)
        latest = self._ends[-since]
        earliest = self._begins[-since - 1] if since < len(self._begins) else self._begins[-since]
        return self._values[-1] - residuals[-1], Onset(min(earliest, latest), latest), self._values[-since:]

    def step(self) -> Step | None:
        """The step that the last samples show, or None when they show none (yet)."""
        residuals = self._residuals[-LAG:]
        if self.trend.n < self._needed or len(residuals) < LAG:
            return None
        sigma = self.sigma
        likelihoods = _likelihoods(residuals, sigma)
        samples = max(range(2, LAG + 1), key=lambda k: likelihoods[k - 1])
        if samples > LAG - 2:  # the edge is out of sight: the level lags behind a slow change
            return None
        if samples > 2 and _lies_between(residuals[-samples], residuals[1 - samples :], sigma):
            samples -= 1  # a mean over the instant, nearer to the new level
        size = math.fsum(residuals[-samples:]) / samples
        if sigma <= 0.0 or size == 0.0:
            return None
        in_transition = 0.0 < residuals[-samples - 1] / size < 1.0 and abs(residuals[-samples - 1]) > 3.0 * sigma
        before, after = self._residuals[: -samples - in_transition], residuals[-samples:]
        near = before[-LAG:]
        if abs(math.fsum(near)) > LEVEL_LAGS * abs(size) * len(near) or samples < (2 if abs(size) >= 20.0 * sigma else 3):
            return None
        line, known = self.trend, min(self.trend.n, self.trend.memory)
        level_variance = _line_variance(known)
        since = self._residuals[-samples - in_transition :]
        seen = Residuals(before, since, after, self.short_sigma, self._chart.deviation_of_mean(samples), level_variance)
        onset, gap_s = self._onset(likelihoods, samples + in_transition)
        slope = self._past.bound(line.n, line.level, line.slope, self._chart.as_white_by_now(), known, level_variance)
        uncertainty = sigma * math.sqrt(1.0 / samples + level_variance)
        return Step(size, uncertainty, samples, sigma, onset, seen, gap_s, 1e9 * slope / self.period_ns)

    def clear_step(self) -> Step | None:
        """A step of whatever size that is hardly a burst or a ramp."""
        step = self.step()
        return step if step is not None and step.doubt(step.broad_density()) <= MOST_DOUBT else None

    def _onset(self, likelihoods: list[float], samples: int) -> tuple[Onset, float]:
        """The interval, and the longest gap within it (`Step.gap_s`)."""
        floor = max(likelihoods) - ONSET_LOG_ODDS
        credible = [k for k in range(1, LAG + 1) if likelihoods[k - 1] >= floor]
        longest, shortest = max([*credible, samples]), min([*credible, samples])
        before = min(longest + 1, len(self._begins))
        earliest, latest = self._begins[-before], self._ends[-shortest]
        begins = self._begins[-before : len(self._begins) - shortest + 1]
        gap_ns = max((b - a for a, b in pairwise(begins)), default=0)
        return Onset(min(earliest, latest), latest), gap_ns / 1e9 if gap_ns > LONGEST_GAP_PERIODS * self.period_ns else 0.0


def _likelihoods(residuals: Sequence[float], sigma: float) -> list[float]:
    """Log likelihood gain of a step that began k samples ago, for k = 1, 2, ..."""
    out, total = [], 0.0
    for k in range(1, len(residuals) + 1):
        total += residuals[-k]
        out.append(total * total / (2.0 * k * sigma * sigma))
    return out


def _lies_between(edge: float, after: Sequence[float], sigma: float) -> bool:
    """The first residual since a change is neither at the level of before, which is 0, nor at that of those ``after`` it."""
    size = math.fsum(after) / len(after)
    return 0.0 < edge * size < size * size and abs(size - edge) > FAR * sigma


def _line_variance(n: int) -> float:
    """Variance of a least-squares line through n samples, `LAG` samples beyond its end, in variances of one sample."""
    return 1.0 / n + (0.5 * (n - 1) + LAG) ** 2 * 12.0 / (n * (n * n - 1.0))


# what a line through n samples is less sure of than one through all that it remembers, by their number and n
UNSURE = {
    memory: tuple(max(_line_variance(n) - _line_variance(memory), 0.0) if n > 1 else math.inf for n in range(memory))
    for memory in (MEMORY, SHORT_MEMORY)
}
