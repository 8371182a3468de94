"""Batteries: capacity and energy to a cut-off voltage, mean voltage, internal resistance by the two-current method, Peukert.

Discharge current is positive. A capacity belongs to its current, its cut-off voltage and its temperature; nothing here is extrapolated.

*Two-current method* (IEC 61960-3; clause from memory): R = (U1 − U2) / (I2 − I1), U2 read a stated time after the step from I1 to I2. A
cell's voltage goes on moving after the step, so the same step gives several resistances: the time belongs to the figure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from loadlog.analysis.chunk import Chunk, Floats, Ints
from loadlog.analysis.figure import Figure
from loadlog.analysis.integral import Charge, Energy
from loadlog.analysis.supply import DISCERNIBLE, difference_uncertainty
from loadlog.model.clock import NS
from loadlog.model.device import ChannelSpec
from loadlog.model.errors import UsageError

AFTER_S = (1.0, 10.0, 30.0)
MOST_STEPS = 1000  # that are kept; a load that pulses all night makes more


class Discharge:
    """Capacity and energy from the first sample with at least ``start_a`` until the voltage is at or below ``cutoff_v``.

    The cut-off is passed between two samples: ``low`` and ``high`` are the sums at both, ``value`` lies between them by a straight line of
    the voltage. Without a cut-off (None, or never reached) everything counts, and a note says that it was not reached.
    """

    def __init__(
        self, voltage: ChannelSpec, current: ChannelSpec, gap_s: float, cutoff_v: float | None = None, start_a: float | None = None
    ) -> None:
        self._voltage, self._current, self._cutoff_v, self._gap_s = voltage, current, cutoff_v, gap_s
        self._start_a = DISCERNIBLE * difference_uncertainty(0.0, current) if start_a is None else start_a
        self._charge, self._energy = Charge(current, gap_s), Energy(voltage, current, gap_s)
        self._before: tuple[Figure, Figure] | None = None  # charge and energy at the last sample above the cut-off
        self._last: tuple[int, float] | None = None  # instant and voltage of that sample
        self._share = 0.0  # how far between the two samples the cut-off lies
        self._started = False
        self._rest: Chunk | None = None  # the last sample before the discharge
        self.ended_utc_ns: int | None = None

    def add(self, chunk: Chunk) -> None:
        """Take in a chunk; after the cut-off nothing more counts."""
        if self.ended_utc_ns is not None:
            return
        good = chunk.where(chunk.good(self._voltage.name, self._current.name))
        if not self._started:
            loaded = np.flatnonzero(good.values(self._current.name) >= self._start_a)
            index = np.arange(len(good))
            first = int(loaded[0]) if len(loaded) else len(good)
            self._rest = good.where(index == first - 1) if first else self._rest
            if not len(loaded):
                return
            self._started = True
            self._take(self._rest)
            good = good.where(index >= first)
        below = self._first_below(good)
        if below is None:
            self._take(good)
            return
        index = np.arange(len(good))
        self._take(good.where(index < below))
        self._before = self._charge.figure(), self._energy.figure()
        self._cross(good, below)
        self._take(good.where(index == below))

    def _first_below(self, good: Chunk) -> int | None:
        """The first sample under load at or below the cut-off."""
        if self._cutoff_v is None:
            return None
        under = (good.values(self._voltage.name) <= self._cutoff_v) & (good.values(self._current.name) >= self._start_a)
        found = np.flatnonzero(under)
        return int(found[0]) if len(found) else None

    def _cross(self, good: Chunk, below: int) -> None:
        v = float(good.values(self._voltage.name)[below])
        self.ended_utc_ns = int(good.t_utc_ns[below])
        if self._last is not None and self._cutoff_v is not None and self._last[1] > v:
            self._share = min(1.0, max(0.0, (self._last[1] - self._cutoff_v) / (self._last[1] - v)))

    def _take(self, part: Chunk | None) -> None:
        if part is None or not len(part):
            return
        self._charge.add(part)
        self._energy.add(part)
        self._last = int(part.t_utc_ns[-1]), float(part.values(self._voltage.name)[-1])

    def capacity(self) -> Figure:
        """A·h to the cut-off."""
        return self._figure("capacity", self._charge.figure(), 0)

    def energy(self) -> Figure:
        """W·h to the cut-off."""
        return self._figure("discharge_energy", self._energy.figure(), 1)

    def _figure(self, name: str, total: Figure, which: int) -> Figure:
        if not self._started:
            why = f"no sample with at least {self._start_a:.3g} {self._current.unit}"
            return Figure.missing(name, total.unit, why)
        if total.value is None:
            return replace(total, name=name)
        if self.ended_utc_ns is None:
            note = "no cut-off voltage was given" if self._cutoff_v is None else f"the cut-off of {self._cutoff_v:g} V was not reached"
            return replace(total, name=name).noted(f"{note}: everything recorded counts")
        before = self._before[which] if self._before is not None else total
        at_last = before.value if before.value is not None else 0.0
        value = at_last + self._share * (total.value - at_last)
        low = value if before.low is None else min(before.low, value)
        u_cutoff = self._cutoff_effect(total.value - at_last)
        details = {**total.details, "cutoff_v": float(self._cutoff_v or 0.0), "u_cutoff": u_cutoff}
        u = math.hypot(total.uncertainty or 0.0, u_cutoff)
        return replace(total, name=name, value=value, low=low, uncertainty=u, details=details)

    def _cutoff_effect(self, last_interval: float) -> float:
        """Uncertainty by not knowing where in the last interval the cut-off lay (rectangular)."""
        return abs(last_interval) * max(self._share, 1.0 - self._share) / math.sqrt(3.0)

    def mean_voltage(self) -> Figure:
        """Energy over charge, V."""
        energy, charge = self.energy(), self.capacity()
        if not energy.value or not charge.value:
            return Figure.missing("mean_voltage", "V", energy.why_not or charge.why_not or "no charge flowed", charge.samples)
        value = energy.value / charge.value
        # The current's error is the same in numerator and denominator: the voltage's accuracy is what remains.
        spec = self._voltage.accuracy
        u = math.hypot((spec.half_width(value) if spec else 0.0) / math.sqrt(3.0), self._voltage.resolution / math.sqrt(12.0))
        return Figure("mean_voltage", value, "V", u, charge.samples, charge.coverage, notes=("energy over charge",))


def against_rated(figure: Figure, rated: float) -> Figure:
    """The figure in percent of a rated value in the same unit.

    Raises:
        UsageError: the rated value is not positive.
    """
    if not rated > 0:
        raise UsageError(f"the rated {figure.name} must be positive, not {rated:g}")
    name = f"{figure.name}_of_rated"
    if figure.value is None:
        return Figure.missing(name, "%", figure.why_not, figure.samples, figure.coverage)

    def percent(x: float | None) -> float | None:
        return None if x is None else 100.0 * x / rated

    notes = (*figure.notes, f"rated {rated:g} {figure.unit}")
    return Figure(
        name, 100.0 * figure.value / rated, "%", percent(figure.uncertainty), figure.samples, figure.coverage, percent(figure.low),
        percent(figure.high), notes=notes,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class CurrentStep:
    """A step of the current and what the voltage made of it.

    The step lies between ``before_utc_ns`` (last sample at I1) and ``reached_utc_ns`` (first at I2). ``after_s`` = (shortest, longest) time
    that may have passed between the step and the reading of U2. ``held_s``: how long I1 was seen before. ``resistance`` in Ω.
    """

    before_utc_ns: int
    reached_utc_ns: int
    i1_a: float
    i2_a: float
    u1_v: float
    u2_v: float
    after_s: tuple[float, float]
    held_s: float
    resistance: Figure


class TwoCurrent:
    """Finds steps of the current between two steady levels and computes R at each of ``after_s`` seconds after the step.

    ``min_step_a``: smaller steps are no steps (default: ten standard uncertainties of a difference). Steady means within a tenth of the
    step. The reading taken is the first at or after the time wanted; a step that was not held so long, or with a gap in it, gives none.
    """

    def __init__(
        self, voltage: ChannelSpec, current: ChannelSpec, gap_s: float, after_s: Sequence[float] = AFTER_S, min_step_a: float | None = None
    ) -> None:
        if not after_s or min(after_s) < 0:
            raise UsageError("give at least one time after the step, not negative")
        self._voltage, self._current, self._gap_s, self._after_s = voltage, current, gap_s, tuple(sorted(after_s))
        self._min_step_a = DISCERNIBLE * difference_uncertainty(0.0, current) if min_step_a is None else min_step_a
        self._t: Ints = np.zeros(0, np.int64)
        self._v: Floats = np.zeros(0)
        self._i: Floats = np.zeros(0)
        self._steady_since_ns: int | None = None
        self._steps: list[CurrentStep] = []

    def add(self, chunk: Chunk) -> None:
        """Take in a chunk. The end of it, as long as the longest time after a step, waits for the next."""
        good = chunk.good(self._voltage.name, self._current.name)
        self._t = np.concatenate((self._t, chunk.t_utc_ns[good]))
        self._v = np.concatenate((self._v, chunk.values(self._voltage.name)[good]))
        self._i = np.concatenate((self._i, chunk.values(self._current.name)[good]))
        if len(self._t):
            self._find(int(self._t[-1]) - round((self._after_s[-1] + self._gap_s) * NS))

    def steps(self) -> tuple[CurrentStep, ...]:
        """What was found, in order of time, then of the time after the step; looks through what is left."""
        if len(self._t):
            self._find(int(self._t[-1]) + 1)
        return tuple(self._steps)

    def resistance(self, after_s: float | None = None) -> Figure:
        """Mean over the steps found, at one of the times after the step (default: the shortest), Ω; ``details``: lowest and highest."""
        name, wanted = "internal_resistance", self._after_s[0] if after_s is None else after_s
        found = [s for s in self.steps() if s.after_s[1] - self._gap_s <= wanted <= s.after_s[1]]
        found = [s for s in found if s.resistance.value is not None]
        if not found:
            return Figure.missing(name, "Ω", f"no step of the current of {self._min_step_a:.3g} A that was held for {wanted:g} s")
        values = [s.resistance.value or 0.0 for s in found]
        latest = max(s.after_s[1] for s in found)
        # The specification is the same for every step; it does not average out.
        u = sum(s.resistance.uncertainty or 0.0 for s in found) / len(found)
        details = {"steps": float(len(found)), "lowest_ohm": min(values), "highest_ohm": max(values), "after_s": latest}
        note = f"two-current method, {len(found)} step{'s' if len(found) > 1 else ''}, read {wanted:g} to {latest:g} s after it"
        return Figure(name, sum(values) / len(values), "Ω", u, 2 * len(found), notes=(note,), details=details)

    def _find(self, until_ns: int) -> None:
        """Evaluate every step that began before ``until_ns`` and drop what is no more needed."""
        large = np.flatnonzero(np.abs(np.diff(self._i)) >= self._min_step_a)
        position = keep = 0
        for first in large.tolist():
            if first < position:
                continue  # still the step before, which took more than one sample
            if self._t[first] >= until_ns:
                break
            last = self._end_of_step(first)
            if len(self._steps) < MOST_STEPS:
                self._evaluate(first, last)
            position = keep = last
            self._steady_since_ns = int(self._t[last])
        if self._steady_since_ns is None:
            self._steady_since_ns = int(self._t[0])
        keep = max(keep, int(np.searchsorted(self._t, until_ns)) - 1)
        keep = min(max(keep, 0), len(self._t) - 1)
        self._t, self._v, self._i = self._t[keep:], self._v[keep:], self._i[keep:]

    def _end_of_step(self, first: int) -> int:
        """The first sample at the new level: the last of consecutive large changes of one sign."""
        direction = np.sign(self._i[first + 1] - self._i[first])
        last = first + 1
        while last + 1 < len(self._i) and (self._i[last + 1] - self._i[last]) * direction >= self._min_step_a:
            last += 1
        return last

    def _evaluate(self, first: int, last: int) -> None:
        if self._t[last] - self._t[first] > self._gap_s * NS * (last - first) or self._t[last] <= self._t[first]:
            return
        change = self._i[last] - self._i[first]
        since = self._steady_since_ns if self._steady_since_ns is not None else int(self._t[0])
        held_s = (int(self._t[first]) - since) / NS
        for after_s in self._after_s:
            # Counted from the last sample before the step: the step itself is not sharper than that.
            found = np.flatnonzero(self._t[last:] >= self._t[first] + round(after_s * NS))
            at = last + int(found[0]) if len(found) else len(self._t)
            if at >= len(self._t) or not self._steady(last, at, change):
                return
            self._steps.append(self._step(first, last, at, held_s))

    def _steady(self, last: int, at: int, change: float) -> bool:
        held = np.abs(self._i[last : at + 1] - self._i[last]) <= 0.1 * abs(change)
        near = np.diff(self._t[last : at + 1]) <= self._gap_s * NS
        return bool(held.all() and near.all())

    def _step(self, first: int, last: int, at: int, held_s: float) -> CurrentStep:
        i1, i2, u1, u2 = float(self._i[first]), float(self._i[at]), float(self._v[first]), float(self._v[at])
        shortest, longest = (int(self._t[at] - self._t[last])) / NS, (int(self._t[at] - self._t[first])) / NS
        di, du = i2 - i1, u1 - u2
        resistance = du / di
        u_v, u_i = difference_uncertainty(du, self._voltage), difference_uncertainty(di, self._current)
        u = math.hypot(u_v / di, resistance * u_i / di)
        note = f"{longest:g} s after the step from {i1:g} to {i2:g} A (at least {shortest:g} s)"
        details = {"after_s": longest, "i1_a": i1, "i2_a": i2, "u1_v": u1, "u2_v": u2}
        figure = Figure("internal_resistance", resistance, "Ω", u, 2, notes=(note,), details=details)
        return CurrentStep(int(self._t[first]), int(self._t[last]), i1, i2, u1, u2, (shortest, longest), held_s, figure)


def peukert_exponent(current_1_a: float, hours_1: float, current_2_a: float, hours_2: float) -> float:
    """n of I^n · t = constant from two discharges of the same battery (Peukert 1897; formula from memory).

    Raises:
        UsageError: not positive, or the same current twice.
    """
    if min(current_1_a, hours_1, current_2_a, hours_2) <= 0 or current_1_a == current_2_a:
        raise UsageError("Peukert's exponent needs two discharges with different currents, all figures positive")
    return math.log(hours_1 / hours_2) / math.log(current_2_a / current_1_a)


def peukert_hours(capacity_ah: float, rated_hours: float, exponent: float, current_a: float) -> float:
    """Discharge time in h at ``current_a`` of a battery that gives ``capacity_ah`` in ``rated_hours``: H (C / (I H))^n.

    Raises:
        UsageError: not positive.
    """
    if min(capacity_ah, rated_hours, exponent, current_a) <= 0:
        raise UsageError("capacity, rated time, exponent and current must be positive")
    return float(rated_hours * (capacity_ah / (current_a * rated_hours)) ** exponent)
