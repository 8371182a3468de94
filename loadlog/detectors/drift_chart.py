"""When a level has settled, and whether it has left its settled value since: by minutes, one number each.

- *Settled*: the line through the last minutes (10 to 30), two deviations of its slope added, would leave the band of ±``u`` (the channel's
  standard uncertainty) in half an hour at the earliest. Warm-up and the discharge of a battery do not settle, nor does a source whose slow
  noise hides its trend, so they give no reference to drift from. The reference is the mean of the minutes in which it settled.
- *Left*: the mean of the last three minutes departs from the reference by more than ``u`` + t·s: s is the deviation of one minute around
  the line through the last minutes that counted as settled, t Student's quantile of the stated false-alarm rate, with as many degrees of
  freedom as the correlation of the minutes leaves. Below ``u`` a change is not the measurand's for certain: the instrument may drift as far
  within its accuracy.

A level that jumped is no drift: `is_step` says so when 40 % of the change came from one quarter of a block to the next.
Two explanations are compared since the reference: the channel follows time, or it follows a temperature (least squares with one regressor
each, likelihoods by the residual sums of squares, as many observations as the correlation leaves).
Source: IEC 61204 (drift counts after warm-up; the half hour is from memory); least squares; B. G. Quenouille's correction of degrees of
freedom n (1 - r)/(1 + r) for correlated observations (from memory).
"""

from __future__ import annotations

import itertools
import math
from array import array
from dataclasses import dataclass

from loadlog.detectors.blocks import Block
from loadlog.detectors.statistics import student_quantile

LEAST_MINUTES, MOST_MINUTES, HORIZON_MINUTES = 10, 30, 30.0
LAST = 3
SAME_NOISE = 1.5  # a line whose deviation is more than so many times the first one's is bent
JUMP_SHARE = 0.4
LEAST_TEMPERATURE_SPREAD_K = 0.3


@dataclass(frozen=True, slots=True)
class Line:
    """Least-squares line through equally spaced values; ``slope`` per step with its deviation; ``deviation`` of one value around it;
    ``freedom``: independent values beyond the two parameters."""

    mean: float
    slope: float
    slope_deviation: float
    deviation: float
    freedom: float


def line_through(values: list[float]) -> Line:
    """At least four values."""
    n = len(values)
    middle, mean = 0.5 * (n - 1), math.fsum(values) / n
    spread = n * (n * n - 1.0) / 12.0
    slope = math.fsum((k - middle) * (v - mean) for k, v in enumerate(values)) / spread
    rest = [v - mean - slope * (k - middle) for k, v in enumerate(values)]
    square = math.fsum(r * r for r in rest)
    near = math.fsum(a * b for a, b in itertools.pairwise(rest))
    correlation = min(max(near / square - 1.0 / math.sqrt(n), 0.0), 0.9) if square > 0.0 else 0.0  # less than chance shows is none
    independent = (1.0 - correlation) / (1.0 + correlation)
    freedom = max(n * independent - 2.0, 1.0)
    deviation = math.sqrt(square / (n - 2) / independent) if independent > 0.0 else math.inf
    return Line(mean, slope, deviation / math.sqrt(spread * independent), deviation, freedom)


class _Follows:
    """Running co-moments of time, temperature and value since the reference."""

    __slots__ = ("_c", "_m", "n")

    def __init__(self) -> None:
        self.n = 0
        self._m = [0.0, 0.0, 0.0]
        self._c = [0.0] * 6  # tt, TT, vv, tT, tv, Tv

    def update(self, time: float, temperature: float, value: float) -> None:
        self.n += 1
        weight = (self.n - 1) / self.n
        x = (time - self._m[0], temperature - self._m[1], value - self._m[2])
        for k in range(3):
            self._m[k] += x[k] / self.n
        for k, (a, b) in enumerate(((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))):
            self._c[k] += weight * x[a] * x[b]

    @property
    def temperature_spread_k(self) -> float:
        """Deviation of the temperature since the reference."""
        return math.sqrt(self._c[1] / self.n) if self.n else 0.0

    def temperature_probability(self, independent: float, floor: float) -> tuple[float, float]:
        """That the value follows the temperature rather than time, and by how much a kelvin. ``floor``: square of what rounding leaves."""
        tt, hot, vv, _, by_time, by_heat = self._c
        if self.n < LEAST_MINUTES or hot < self.n * LEAST_TEMPERATURE_SPREAD_K**2 or tt <= 0.0:
            return 0.0, 0.0
        rest_time = max(vv - by_time * by_time / tt, 0.0) + self.n * floor
        rest_heat = max(vv - by_heat * by_heat / hot, 0.0) + self.n * floor
        odds = 0.5 * self.n * independent * math.log(rest_heat / rest_time)
        return 1.0 / (1.0 + math.exp(min(max(odds, -30.0), 30.0))), by_heat / hot


class DriftChart:
    """One channel. ``z``: normal quantile of the false-alarm probability a minute; ``quantum``: a count."""

    __slots__ = (
        "_ends", "_follows", "_jump", "_recalled", "_usual", "_usual_deviation", "_z", "departs", "last", "line", "minutes", "quantum",
        "reference", "shows", "since", "threshold",
    )  # fmt: skip

    def __init__(self, z: float, quantum: float) -> None:
        self._z, self.quantum = z, quantum
        self._recalled: float | None = None
        self.restart()

    def restart(self) -> None:
        """Another operating point: everything is learned again."""
        self.minutes = array("d")
        self.reference: float | None = None
        self.line: Line | None = None
        self._usual: Line | None = None  # the last that counted as settled
        self._usual_deviation = 0.0  # of the first
        self.since = 0
        self.threshold = math.inf
        self.last = 0.0
        self.shows = False  # the last minute lies further than one deviation from the reference
        self.departs = 0  # minutes in a row, signed
        self._jump = 0.0
        self._ends: float | None = None
        self._follows = _Follows()

    def recall(self, reference: float) -> None:
        """The reference of before a restart; used when the level has settled near it again."""
        self._recalled = reference

    def block(self, block: Block) -> None:
        """Note jumps within a block, and from the block before to this one."""
        between = 0.0 if self._ends is None else abs(block.begins - self._ends)
        self._ends = block.ends
        self._jump = max(self._jump, block.jump, between)

    def update(self, mean: float, uncertainty: float, temperature: float | None) -> None:
        """Take a minute; ``uncertainty``: the channel's standard uncertainty there."""
        self.minutes.append(mean)
        if len(self.minutes) > MOST_MINUTES:
            del self.minutes[0]
        if len(self.minutes) < LEAST_MINUTES:
            return
        self.line = line = line_through(list(self.minutes))
        if self._is_settled(line, uncertainty):
            if self._usual is None or line.deviation <= SAME_NOISE * self._usual_deviation:
                self._usual = line  # else a drift begins to bend it
            if self.reference is None:
                self._settle(line)
                return
        usual = self._usual
        if self.reference is None or usual is None:
            return
        self.since += 1
        if temperature is not None:
            self._follows.update(float(self.since), temperature, mean)
        deviation = math.hypot(usual.deviation, self.quantum / math.sqrt(12.0))
        factor = student_quantile(self._z, usual.freedom) if usual.freedom >= 4.0 else math.inf
        self.threshold = uncertainty + factor * deviation * math.sqrt(1.0 + 1.0 / LEAST_MINUTES)
        self.shows = abs(mean - self.reference) > deviation
        recent = list(self.minutes)[-LAST:]
        self.last = math.fsum(recent) / len(recent) - self.reference
        beyond = abs(self.last) > self.threshold and all((m - self.reference) * self.last > 0.0 for m in recent)
        self.departs = (max(self.departs, 0) + 1 if self.last > 0.0 else min(self.departs, 0) - 1) if beyond else 0

    @staticmethod
    def _is_settled(line: Line, uncertainty: float) -> bool:
        return (abs(line.slope) + 2.0 * line.slope_deviation) * HORIZON_MINUTES <= 2.0 * uncertainty

    def _settle(self, line: Line) -> None:
        self.reference, self._jump, self._usual_deviation = line.mean, 0.0, line.deviation
        if self._recalled is not None:
            self.reference, self._recalled = self._recalled, None

    @property
    def is_step(self) -> bool:
        """What departed came in one jump."""
        return self._jump > JUMP_SHARE * abs(self.last)

    @property
    def is_warmed_alike(self) -> bool:
        """The temperature that was given has hardly moved since the reference."""
        return self._follows.n >= LEAST_MINUTES and self._follows.temperature_spread_k < LEAST_TEMPERATURE_SPREAD_K

    def temperature(self) -> tuple[float, float]:
        """Probability that the change follows the temperature, and its coefficient a kelvin."""
        line = self._usual
        independent = 1.0 if line is None else min((line.freedom + 2.0) / len(self.minutes), 1.0)
        return self._follows.temperature_probability(independent, self.quantum * self.quantum / 12.0)
