"""What the bench says of a supply under load: load effect, output resistance, drift, temperature coefficient, warm-up.

Terms as in IEC 61204 (definitions from memory): *load effect*: change of the output voltage when the load current goes from its lowest to
its highest; *drift*: maximum change over a period after warm-up with everything else constant. Figures are maximum changes, either sign.

Errors: of a difference of two readings of one instrument, the percentage part of its specification is common and scales the difference; the
counts part may differ between the two (JCGM 100, F.1.2.3: nothing is known of the correlation), and is taken as independent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np

from loadlog.analysis.bins import BinTable
from loadlog.analysis.chunk import Chunk, Floats
from loadlog.analysis.figure import Figure
from loadlog.analysis.regression import LineFit, autocorrelation_factor, fit, grouped_u_slope
from loadlog.analysis.regulated import LeftOut, Regulated, Stretches, Sums, regulated
from loadlog.model.device import ChannelSpec

WARM_UP_S = 1800.0
DISCERNIBLE = 10.0  # a regressor must vary by so many of its own standard uncertainties
ENOUGH_BINS = 10


def difference_uncertainty(change: float, spec: ChannelSpec) -> float:
    """Standard uncertainty of the difference of two readings ``change`` apart of one channel, in its unit."""
    gain = spec.accuracy.percent_of_reading / 100.0 if spec.accuracy else 0.0
    absolute = spec.accuracy.absolute if spec.accuracy else 0.0
    each = math.hypot(absolute / math.sqrt(3.0), spec.resolution / math.sqrt(12.0))
    return math.hypot(abs(change) * gain / math.sqrt(3.0), math.sqrt(2.0) * each)


class LoadEffect:
    """Regression of voltage on current, U = U0 − R I, over the polls in which both are good and the output was regulated (`regulated`).

    ``bin_s``: width of the stretches that are kept or left out; ``modes``: names of the device's modes by number; ``left_out``: spans known
    not to have been regulated; ``has_level``: the source keeps a level, which no battery does.
    """

    def __init__(
        self,
        voltage: ChannelSpec,
        current: ChannelSpec,
        *,
        bin_s: float = 1.0,
        modes: Mapping[int, str] = MappingProxyType({}),
        left_out: Sequence[LeftOut] = (),
        has_level: bool = True,
    ) -> None:
        self._voltage, self._current = voltage, current
        self._stretches = Stretches(voltage, current, bin_s, modes)
        self._left_out, self._has_level = left_out, has_level
        self._found: Regulated | None = None

    def add(self, chunk: Chunk) -> None:
        """Take in a chunk."""
        self._found = None
        self._stretches.add(chunk)

    @property
    def regulated(self) -> Regulated:
        """What the regression rests on, and what it leaves out."""
        if self._found is None:
            u_v = difference_uncertainty(0.0, self._voltage)
            self._found = regulated(self._stretches.sums(), self._stretches.bin_ns, self._left_out, self._has_level, u_v)
        return self._found

    def _why_not(self, kept: Sums) -> str:
        polls = int(kept.n.sum())
        if self.regulated.why_not:
            return f"cannot be determined: {self.regulated.why_not}"
        if polls < 3:
            return self._beside("fewer than three polls with good voltage and current")
        change = float(kept.i_high.max() - kept.i_low.min())
        needed = DISCERNIBLE * difference_uncertainty(0.0, self._current)
        if change < needed:
            unit = self._current.unit
            return self._beside(f"the current varied by {change:.3g} {unit} only; {needed:.3g} {unit} are needed")
        return ""

    def _beside(self, why_not: str) -> str:
        note = self.regulated.note
        return f"cannot be determined: {why_not} ({note})" if note else why_not

    def output_resistance(self) -> Figure:
        """R = −ΔU/ΔI in Ω. With local sense the leads are in it."""
        name, kept = "output_resistance", self.regulated.kept
        why_not = self._why_not(kept)
        fit = LineFit.of_groups(kept.n, kept.i, kept.v, kept.ii, kept.iv, kept.vv)
        line = fit.line()
        if why_not or line is None or line.u_slope is None:
            return Figure.missing(name, "Ω", why_not or "the current did not vary", fit.n)
        resistance, low, high = -line.slope, float(kept.i_low.min()), float(kept.i_high.max())
        change = high - low
        from_v = difference_uncertainty(resistance * change, self._voltage) / change
        from_i = abs(resistance) * difference_uncertainty(change, self._current) / change
        grouped = grouped_u_slope(line, line.at(line.x_mean)[0], kept.n, kept.i, kept.v, kept.ii, kept.iv)
        scatter = max(line.u_slope, grouped or 0.0)
        u = math.sqrt(scatter**2 + from_v**2 + from_i**2)
        details = {"no_load_v": line.intercept, "current_low_a": low, "current_high_a": high, "u_scatter_ohm": line.u_slope}
        notes = ("slow changes of the source (warming, discharge) that go with the current are in it", self.regulated.note)
        return Figure(name, resistance, "Ω", u, fit.n, notes=tuple(n for n in notes if n), details=details)

    def load_effect(self) -> Figure:
        """U at the lowest current minus U at the highest, in V; ``details``: in percent of the voltage at the lowest current."""
        resistance, name = self.output_resistance(), "load_effect"
        if resistance.value is None or resistance.uncertainty is None:
            return Figure.missing(name, "V", resistance.why_not, resistance.samples)
        low, high = resistance.details["current_low_a"], resistance.details["current_high_a"]
        value, u = resistance.value * (high - low), resistance.uncertainty * (high - low)
        at_low = resistance.details["no_load_v"] - resistance.value * low
        details = {"current_low_a": low, "current_high_a": high, "voltage_low_v": at_low}
        if at_low:
            details["load_effect_percent"] = 100.0 * value / at_low
        return Figure(name, value, "V", u, resistance.samples, notes=resistance.notes, details=details)


def drift(table: BinTable, spec: ChannelSpec, warm_up_s: float = WARM_UP_S) -> Figure:
    """Maximum change of the bin means after warm-up, in the channel's unit; ``details``: slope per hour by regression.

    The scatter of a bin's mean is not subtracted; the uncertainty is that of a difference of two readings.
    """
    name, unit = "drift", spec.unit
    good = table.after(warm_up_s).with_all(spec.name)
    if len(good) < ENOUGH_BINS:
        return Figure.missing(name, unit, _too_few(table, good, warm_up_s))
    y, hours = good.means[spec.name], good.time_s / 3600.0
    change = float(y.max() - y.min())
    line = LineFit()
    line.add(hours, y)
    fitted = line.line()
    details = {"from_s": float(warm_up_s), "lowest": float(y.min()), "highest": float(y.max()), "period_h": float(hours[-1])}
    if fitted is not None and fitted.u_slope is not None:
        factor = autocorrelation_factor(y - fitted.intercept - fitted.slope * hours)
        details |= {"slope_per_h": fitted.slope, "u_slope_per_h": fitted.u_slope * factor}
    # The means of many noisy readings resolve more than one count; of a quiet channel they do not.
    u = difference_uncertainty(change, spec)
    samples = int(good.counts[spec.name].sum())
    note = f"largest less smallest mean over {good.bin_s:g} s; warm-up of {warm_up_s:g} s left out"
    return Figure(name, change, unit, u, samples, notes=(note,), details=details)


def temperature_coefficient(
    table: BinTable, quantity: ChannelSpec, temperature: ChannelSpec, others: Sequence[ChannelSpec] = (), warm_up_s: float = 0.0
) -> Figure:
    """∂quantity/∂T by regression of bin means, in unit/K; ``others``: regressors that varied too (the load current).

    What the instrument itself changes with temperature is in it.
    """
    name, unit = "temperature_coefficient", f"{quantity.unit}/K"
    good = table.after(warm_up_s).with_all(quantity.name, temperature.name, *(o.name for o in others))
    if len(good) < ENOUGH_BINS:
        return Figure.missing(name, unit, _too_few(table, good, warm_up_s))
    t, y = good.means[temperature.name], good.means[quantity.name]
    change, needed = float(np.ptp(t)), DISCERNIBLE * difference_uncertainty(0.0, _without_accuracy(temperature))
    if change < needed:
        return Figure.missing(name, unit, f"{temperature.name} varied by {change:.3g} K only; {needed:.3g} K are needed", len(good))
    varied = [good.means[o.name] for o in others if np.ptp(good.means[o.name]) > DISCERNIBLE * difference_uncertainty(0.0, o)]
    x = np.column_stack([np.ones(len(t)), t - t.mean(), *(v - v.mean() for v in varied)])
    solution = fit(x, y - y.mean())
    if solution is None or not solution.degrees:
        return Figure.missing(name, unit, f"{temperature.name} and the load current changed together", len(good))
    factor = autocorrelation_factor(y - y.mean() - x @ solution.coefficients)
    slope = float(solution.coefficients[1])
    u_scatter = float(solution.uncertainties[1]) * factor
    u_gain = abs(slope) * difference_uncertainty(change, temperature) / change
    u = math.sqrt(u_scatter**2 + u_gain**2 + (difference_uncertainty(0.0, _without_accuracy(quantity)) / change) ** 2)
    details = {"temperature_low_c": float(t.min()), "temperature_high_c": float(t.max()), "u_scatter": u_scatter}
    if y.mean():
        details["ppm_per_k"] = 1e6 * slope / float(y.mean())
    notes = ("the instrument's own temperature coefficient is in it", "a drift with time that goes with the temperature is in it")
    return Figure(name, slope, unit, u, len(good), notes=notes, details=details)


def _without_accuracy(spec: ChannelSpec) -> ChannelSpec:
    return ChannelSpec(spec.name, spec.unit, spec.kind, spec.scale, spec.resolution)


def _too_few(table: BinTable, good: BinTable, warm_up_s: float) -> str:
    length_s = len(table) * table.bin_s
    if length_s <= warm_up_s:
        return f"{length_s:.6g} s were recorded, and the first {warm_up_s:g} s are warm-up"
    return f"{len(good)} stretches of {table.bin_s:g} s with good values after warm-up; {ENOUGH_BINS} are needed"


def warm_up(table: BinTable, temperature: ChannelSpec) -> Figure:
    """Time constant τ in s of T(t) = T∞ − ΔT · exp(−t/τ), fitted to the bin means; ``details``: settled temperature and rise.

    Given only when a rise is seen, it lasted at least one τ, and τ is longer than two bins.
    """
    name, unit = "warm_up_time_constant", "s"
    good = table.with_all(temperature.name)
    if len(good) < ENOUGH_BINS:
        return Figure.missing(name, unit, _too_few(table, good, 0.0))
    t, y = good.time_s, good.means[temperature.name]
    rise = float(np.ptp(y))
    needed = DISCERNIBLE * difference_uncertainty(0.0, _without_accuracy(temperature))
    if rise < needed:
        return Figure.missing(name, unit, f"{temperature.name} changed by {rise:.3g} K only; {needed:.3g} K are needed", len(good))
    tau_s = _best_tau(t, y, good.bin_s)
    x, a, b = _exponential(t, y, tau_s)
    residuals = y - x @ np.array([a, b])
    flat = float(np.std(y - np.polynomial.Polynomial.fit(t, y, 1)(t)))
    if float(np.std(residuals)) > 0.9 * flat or tau_s > t[-1] or tau_s < 2 * good.bin_s:
        return Figure.missing(
            name, unit, f"{temperature.name} does not approach a final value like one exponential in this record", len(good)
        )
    jacobian = np.column_stack((x, b * x[:, 1] * t / tau_s**2))
    solution = fit(jacobian * np.array([1.0, 1.0, tau_s]), residuals)
    if solution is None or not solution.degrees:
        return Figure.missing(name, unit, "the record does not determine a time constant", len(good))
    u = float(solution.uncertainties[2]) * tau_s * autocorrelation_factor(residuals)
    details = {"settled_c": a, "rise_k": -b, "residual_k": float(np.std(residuals))}
    return Figure(name, tau_s, unit, u, len(good), details=details)


def _exponential(t: Floats, y: Floats, tau_s: float) -> tuple[Floats, float, float]:
    """(regressors [n, 2], settled value, amplitude) of the best a + b exp(−t/τ) for this τ."""
    x = np.column_stack((np.ones(len(t)), np.exp(-t / tau_s)))
    a, b = np.linalg.lstsq(x, y, rcond=None)[0]
    return x, float(a), float(b)


def _best_tau(t: Floats, y: Floats, bin_s: float) -> float:
    """Least squares over τ alone, the linear coefficients being solved for each (variable projection); golden section after a scan."""

    def cost(log_tau: float) -> float:
        x, a, b = _exponential(t, y, math.exp(log_tau))
        left = y - x @ np.array([a, b])
        return float(np.dot(left, left))

    grid = np.linspace(math.log(bin_s), math.log(10 * float(t[-1])), 60)
    best = int(np.argmin([cost(g) for g in grid]))
    low, high = float(grid[max(0, best - 1)]), float(grid[min(len(grid) - 1, best + 1)])
    shrink = (math.sqrt(5.0) - 1) / 2
    for _ in range(60):
        one, two = high - shrink * (high - low), low + shrink * (high - low)
        low, high = (low, two) if cost(one) < cost(two) else (one, high)
    return math.exp(0.5 * (low + high))
