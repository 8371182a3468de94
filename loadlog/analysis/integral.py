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
from dataclasses import dataclass

import numpy as np

from loadlog.analysis.chunk import Chunk, Floats
from loadlog.analysis.figure import Figure
from loadlog.analysis.moments import Moments
from loadlog.analysis.uncertainty import standard_uncertainties
from loadlog.analysis.walk import Span, Steps, Walk
from loadlog.model.clock import NS
from loadlog.model.device import ChannelSpec

HOUR_S = 3600.0
INTEGRAL_UNITS = {"A": "A·h", "W": "W·h", "V": "V·h", "°C": "°C·h"}


@dataclass(slots=True)
class _Sums:
    """In unit · s; variances squared."""

    seen: float = 0.0
    bridge: float = 0.0
    shape: float = 0.0  # variance
    time: float = 0.0  # variance


class _Integrator:
    """The integral of one quantity y with any number of fully correlated error contributions u."""

    def __init__(self, gap_s: float, contributions: int) -> None:
        self.walk = Walk(gap_s)
        self.extremes = Moments()
        self._sums = _Sums()
        self._common = [0.0] * contributions
        self._height = self._width_s = 0.0  # of the interval before, for the effect of the instant between

    def add(self, t_utc_ns: np.ndarray, half_width_s: Floats, y: Floats, *contributions: Floats) -> None:
        self.extremes.add(y)
        had_one = self.walk.last_utc_ns is not None
        steps = self.walk.step(t_utc_ns, y, *contributions)
        self._shape_and_area(steps)
        for i, (left, right) in enumerate(zip(steps.left[1:], steps.right[1:], strict=True)):
            self._common[i] += float(np.dot(0.5 * (left + right)[steps.seen], steps.dt_s[steps.seen]))
        self._instants(steps, half_width_s, had_one)

    def _shape_and_area(self, steps: Steps) -> None:
        left, right, dt_s = steps.left[0], steps.right[0], steps.dt_s
        area = 0.5 * (left + right) * dt_s
        self._sums.seen += float(area[steps.seen].sum())
        self._sums.bridge += float(area[steps.gap].sum())
        bound = (0.5 * (right - left) * dt_s)[steps.seen]
        self._sums.shape += float(np.dot(bound, bound)) / 3.0

    def _instants(self, steps: Steps, half_width_s: Floats, had_one: bool) -> None:
        """∂Q/∂t of a sample is the mean height before it minus the mean height after it."""
        if not len(half_width_s):
            return
        heights = np.where(steps.seen, 0.5 * (steps.left[0] + steps.right[0]), 0.0)
        if had_one:
            before, widths = np.concatenate(([self._height], heights)), np.concatenate(([self._width_s], half_width_s))
        else:
            before, widths = np.concatenate(([0.0], heights)), half_width_s
        moved = (before[:-1] - before[1:]) * widths[:-1]
        self._sums.time += float(np.dot(moved, moved)) / 3.0
        self._height, self._width_s = float(before[-1]), float(widths[-1])

    def figure(self, name: str, unit: str, span: Span | None, symbol: str) -> Figure:
        walk, sums = self.walk, self._sums
        coverage = walk.coverage(span)
        if walk.samples < 2 or walk.seen_s == 0:
            why = "no good sample" if not walk.samples else "no two good samples close enough to integrate between"
            return Figure.missing(name, unit, why, walk.samples, coverage)
        last = (self._height * self._width_s) ** 2 / 3.0
        u = math.sqrt(sum(c * c for c in self._common) + sums.shape + sums.time + last) / HOUR_S
        value = sums.seen / HOUR_S
        edges_s = sum(walk.edges_s(span))
        unseen_h = (walk.gaps_s + edges_s) / HOUR_S
        low = value + unseen_h * min(0.0, self.extremes.minimum)
        high = value + unseen_h * max(0.0, self.extremes.maximum)
        suffix = unit.replace("·", "").lower()
        details = {
            f"bridged_{suffix}": value + sums.bridge / HOUR_S, "seen_s": walk.seen_s, "gaps_s": walk.gaps_s, "gaps": float(walk.gap_count),
            "unseen_edges_s": edges_s, f"u_accuracy_{suffix}": math.sqrt(sum(c * c for c in self._common)) / HOUR_S,
            f"u_shape_{suffix}": math.sqrt(sums.shape) / HOUR_S, f"u_time_{suffix}": math.sqrt(sums.time + last) / HOUR_S,
        }  # fmt: skip
        notes = walk.notes()
        if unseen_h > 0:
            notes += (f"low and high: {symbol} between zero and its extremes while it was not seen",)
        return Figure(name, value, unit, u, walk.samples, coverage, low, high, notes=notes, details=details)


class Charge:
    """∫ I dt of one channel over its good samples, A·h (or the hour-integral of any other channel).

    ``gap_s``: the longest interval between two samples that is no gap, see `walk.PERIODS_OF_A_GAP`.
    """

    def __init__(self, spec: ChannelSpec, gap_s: float) -> None:
        self._spec = spec
        self._integrator = _Integrator(gap_s, 1)

    def add(self, chunk: Chunk) -> None:
        """Take in a chunk."""
        good = chunk.good(self._spec.name)
        y = chunk.values(self._spec.name)[good]
        self._integrator.add(chunk.t_utc_ns[good], chunk.half_width_ns[good] / NS, y, standard_uncertainties(y, self._spec))

    @property
    def walk(self) -> Walk:
        """What was seen."""
        return self._integrator.walk

    def figure(self, span: Span | None = None, name: str = "charge") -> Figure:
        """The charge so far; ``span``: when it should have been recorded, for the coverage."""
        unit = INTEGRAL_UNITS.get(self._spec.unit, f"{self._spec.unit}·h")
        return self._integrator.figure(name, unit, span, self._spec.name)


class Energy:
    """∫ V·I dt over the polls in which both are good, W·h.

    The product is formed of two readings of one poll; an instrument that converts them one after the other adds an error while both change.
    """

    def __init__(self, voltage: ChannelSpec, current: ChannelSpec, gap_s: float) -> None:
        self._voltage, self._current = voltage, current
        self._integrator = _Integrator(gap_s, 2)

    def add(self, chunk: Chunk) -> None:
        """Take in a chunk."""
        good = chunk.good(self._voltage.name, self._current.name)
        v, i = chunk.values(self._voltage.name)[good], chunk.values(self._current.name)[good]
        u_v, u_i = standard_uncertainties(v, self._voltage), standard_uncertainties(i, self._current)
        self._integrator.add(chunk.t_utc_ns[good], chunk.half_width_ns[good] / NS, v * i, i * u_v, v * u_i)

    @property
    def walk(self) -> Walk:
        """What was seen."""
        return self._integrator.walk

    def figure(self, span: Span | None = None, name: str = "energy") -> Figure:
        """The energy so far."""
        return self._integrator.figure(name, "W·h", span, "V·I")
