"""Charge and energy: trapezoids over good samples, gaps stated and bounded.

``value`` is what was seen (gaps left out). ``details`` hold the sum with gaps bridged by straight lines, and the time in gaps; ``low`` and
``high`` enclose the truth if the channel lay, where it was not seen, between zero and the extremes that were seen.

Uncertainty, in quadrature: the accuracy specification, common to all samples (it does not average out); instants (half-width of each
stamp); the shape between samples: a step between two samples ΔI apart moves the integral by at most ΔI·Δt/2, taken as rectangular and
independent from interval to interval. Simpson's rule is never used: on uneven steps it invents charge. The rate of the computer's clock
(some 10 ppm) is not in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from loadlog.analysis.chunk import Chunk, Floats, Ints, inner
from loadlog.analysis.figure import Figure
from loadlog.analysis.moments import Moments
from loadlog.analysis.walk import Span, Steps, Walk
from loadlog.model.device import ChannelSpec

HOUR_S = 3600.0
INTEGRAL_UNITS = {"A": "A·h", "W": "W·h", "V": "V·h", "°C": "°C·h"}


class _Integrator:
    """The integral of y, and those of absolute values of further series, from which the effect of the specification follows.

    In unit · s; ``shape`` and ``time`` are variances.
    """

    def __init__(self, gap_s: float) -> None:
        self.walk = Walk(gap_s)
        self.extremes = Moments()
        self.sizes: list[float] = []
        self._seen = self._bridge = self._shape = self._time = 0.0
        self._last: tuple[float, ...] = ()  # of every series at the last good sample
        self._height = self._width_s = 0.0  # before that sample; of its instant

    def add(self, t_utc_ns: Ints, half_width_s: Floats, y: Floats, *sizes: Floats) -> None:
        """``sizes``: series whose absolute values are integrated."""
        if not len(y):
            return
        self.sizes = self.sizes or [0.0] * len(sizes)
        self.extremes.add(y)
        for steps in self.walk.steps(t_utc_ns):
            if steps.join:
                ends = [np.array([last, s[0]]) for last, s in zip(self._last, (y, *sizes), strict=True)]
                self._run(steps, np.array([self._width_s, half_width_s[0]]), ends[0], ends[1:])
            else:
                self._run(steps, half_width_s, y, sizes)
        self._last = tuple(float(s[-1]) for s in (y, *sizes))
        self._width_s = float(half_width_s[-1])

    def _run(self, steps: Steps, half_width_s: Floats, y: Floats, sizes: Sequence[Floats]) -> None:
        dt_s = steps.dt_s
        height = 0.5 * (y[:-1] + y[1:])
        if steps.gap is not None:
            self._bridge += inner(height[steps.gap], dt_s[steps.gap])
        if steps.seen is not None:
            height = np.where(steps.seen, height, 0.0)
        self._seen += inner(height, dt_s)
        bound = steps.of_seen(np.diff(y) * dt_s)
        self._shape += inner(bound, bound) / 12.0  # (ΔI·Δt/2)²/3
        for i, s in enumerate(sizes):
            size = np.abs(s)
            self.sizes[i] += 0.5 * inner(steps.of_seen(size[:-1] + size[1:]), steps.of_seen(dt_s))
        # ∂Q/∂t of a sample is the mean height before it less the mean height after it.
        first = (self._height - float(height[0])) * float(half_width_s[0])
        moved = np.diff(height) * half_width_s[1:-1]
        self._time += (first * first + inner(moved, moved)) / 3.0
        self._height = float(height[-1])

    def figure(self, name: str, unit: str, span: Span | None, symbol: str, u_accuracy: float) -> Figure:
        """``u_accuracy``: of the specification, in unit · s."""
        walk = self.walk
        coverage = walk.coverage(span)
        if walk.samples < 2 or walk.seen_s == 0:
            why = "no good sample" if not walk.samples else "no two good samples close enough to integrate between"
            return Figure.missing(name, unit, why, walk.samples, coverage)
        time = self._time + (self._height * self._width_s) ** 2 / 3.0
        u = math.sqrt(u_accuracy**2 + self._shape + time) / HOUR_S
        value = self._seen / HOUR_S
        edges_s = sum(walk.edges_s(span))
        unseen_h = (walk.gaps_s + edges_s) / HOUR_S
        low = value + unseen_h * min(0.0, self.extremes.minimum)
        high = value + unseen_h * max(0.0, self.extremes.maximum)
        suffix = unit.replace("·", "").lower()
        details = {
            f"bridged_{suffix}": value + self._bridge / HOUR_S, "seen_s": walk.seen_s, "gaps_s": walk.gaps_s, "gaps": float(walk.gap_count),
            "unseen_edges_s": edges_s, f"u_accuracy_{suffix}": u_accuracy / HOUR_S, f"u_shape_{suffix}": math.sqrt(self._shape) / HOUR_S,
            f"u_time_{suffix}": math.sqrt(time) / HOUR_S,
        }  # fmt: skip
        notes = walk.notes()
        if unseen_h > 0:
            notes += (f"what was not seen: {symbol} between zero and its extremes",)
        return Figure(name, value, unit, u, walk.samples, coverage, low, high, notes=notes, details=details)


def _effect(spec: ChannelSpec, size: float, weight: float) -> float:
    """Standard uncertainty of a sum of readings with weights by the specification and resolution of one instrument, common to all:
    ``size`` = Σ weight · |reading|, ``weight`` = Σ |weight|."""
    percent = spec.accuracy.percent_of_reading / 100.0 if spec.accuracy else 0.0
    absolute = spec.accuracy.absolute if spec.accuracy else 0.0
    return math.hypot((percent * size + absolute * weight) / math.sqrt(3.0), spec.resolution * weight / math.sqrt(12.0))


class Charge:
    """∫ I dt of one channel over its good samples, A·h (or the hour-integral of any other channel).

    ``gap_s``: the longest interval between two samples that is no gap, see `walk.PERIODS_OF_A_GAP`.
    """

    def __init__(self, spec: ChannelSpec, gap_s: float) -> None:
        self._spec = spec
        self._integrator = _Integrator(gap_s)

    def add(self, chunk: Chunk) -> None:
        """Take in a chunk."""
        y = chunk.values_where(self._spec.name, of=self._spec.name)
        self._integrator.add(*chunk.times_where(self._spec.name), y, y)

    @property
    def walk(self) -> Walk:
        """What was seen."""
        return self._integrator.walk

    def figure(self, span: Span | None = None, name: str = "charge") -> Figure:
        """The charge so far; ``span``: when it should have been recorded, for the coverage."""
        unit = INTEGRAL_UNITS.get(self._spec.unit, f"{self._spec.unit}·h")
        size = sum(self._integrator.sizes)
        return self._integrator.figure(name, unit, span, self._spec.name, _effect(self._spec, size, self.walk.seen_s))


class Energy:
    """∫ V·I dt over the polls in which both are good, W·h.

    The product is formed of two readings of one poll; an instrument that converts them one after the other adds an error while both change.
    """

    def __init__(self, voltage: ChannelSpec, current: ChannelSpec, gap_s: float) -> None:
        self._voltage, self._current = voltage, current
        self._integrator = _Integrator(gap_s)

    def add(self, chunk: Chunk) -> None:
        """Take in a chunk."""
        both = (self._voltage.name, self._current.name)
        v, i = (chunk.values_where(*both, of=name) for name in both)
        p = v * i
        self._integrator.add(*chunk.times_where(*both), p, p, v, i)

    @property
    def walk(self) -> Walk:
        """What was seen."""
        return self._integrator.walk

    def figure(self, span: Span | None = None, name: str = "energy") -> Figure:
        """The energy so far."""
        size, volts, amperes = self._integrator.sizes or (0.0, 0.0, 0.0)
        u = math.hypot(_effect(self._voltage, size, amperes), _effect(self._current, size, volts))
        return self._integrator.figure(name, "W·h", span, "V·I", u)
