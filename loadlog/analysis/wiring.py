"""Between devices of one group: path resistance and what it dissipates, current sharing, efficiency.

All take bins (`bins.join`): means over the same stretches of UTC, so that polls of two devices need not coincide. A mean of a product is
only formed of products of one poll.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

import numpy as np

from loadlog.analysis.bins import BinTable, join
from loadlog.analysis.figure import Figure
from loadlog.analysis.regression import LineFit
from loadlog.analysis.supply import DISCERNIBLE, difference_uncertainty
from loadlog.analysis.uncertainty import standard_uncertainties
from loadlog.model.device import ChannelSpec


@dataclasses.dataclass(frozen=True, slots=True)
class Measured:
    """One channel of one device with its means."""

    table: BinTable
    spec: ChannelSpec


def path_resistance(source: Measured, load: Measured, current: Measured) -> tuple[Figure, Figure]:
    """(resistance in Ω, dissipation in W) of the path between the points where ``source`` and ``load`` measure the voltage.

    Where the current varied, R is the slope of the difference over the current, and a constant difference of the two instruments drops out;
    where it did not, it is the quotient, and both accuracies count. Dissipation: mean of ΔU · I over the bins.
    """
    named = {"source": source, "load": load, "current": current}
    both = join({k: m.table for k, m in named.items()}, {k: m.spec.name for k, m in named.items()})
    if not len(both):
        why = f"no stretch in which {source.spec.name} of the source and {load.spec.name} and {current.spec.name} of the load were good"
        return Figure.missing("path_resistance", "Ω", why), Figure.missing("path_dissipation", "W", why)
    i, du = both.means["current"], both.means["source"] - both.means["load"]
    u_du = math.hypot(_typical(both.means["source"], source.spec), _typical(both.means["load"], load.spec))
    u_i = _typical(i, current.spec)
    resistance = _slope(i, du, source.spec, load.spec, current.spec) or _quotient(i, du, u_du, u_i)
    if resistance.value is None:
        return resistance, Figure.missing("path_dissipation", "W", resistance.why_not, len(both))
    power = float(np.mean(du * i))
    u_power = math.hypot(float(np.mean(np.abs(i))) * u_du, float(np.mean(np.abs(du))) * u_i)
    details = {"highest_w": float(np.max(du * i)), "mean_drop_v": float(np.mean(du))}
    dissipation = Figure("path_dissipation", power, "W", u_power, len(both), details=details)
    return resistance, dissipation


def _typical(values: np.ndarray, spec: ChannelSpec) -> float:
    return float(np.mean(standard_uncertainties(values, spec)))


def _slope(i: np.ndarray, du: np.ndarray, source: ChannelSpec, load: ChannelSpec, current: ChannelSpec) -> Figure | None:
    """None where the current did not vary enough."""
    change = float(np.ptp(i))
    if len(i) < 3 or change < DISCERNIBLE * difference_uncertainty(0.0, current):
        return None
    fit = LineFit()
    fit.add(i, du)
    line = fit.line()
    if line is None or line.u_slope is None:
        return None
    drop = abs(line.slope) * change
    parts = (
        line.u_slope,
        difference_uncertainty(drop, source) / change,
        difference_uncertainty(drop, load) / change,
        abs(line.slope) * difference_uncertainty(change, current) / change,
    )
    u = math.sqrt(sum(p * p for p in parts))
    details = {"difference_at_zero_v": line.intercept, "current_low_a": float(i.min()), "current_high_a": float(i.max())}
    return Figure("path_resistance", line.slope, "Ω", u, len(i), notes=("slope over the current",), details=details)


def _quotient(i: np.ndarray, du: np.ndarray, u_du: float, u_i: float) -> Figure:
    mean_i, mean_du = float(np.mean(i)), float(np.mean(du))
    if abs(mean_i) < DISCERNIBLE * u_i:
        return Figure.missing("path_resistance", "Ω", f"the current of {mean_i:.3g} A is too small", len(i))
    r = mean_du / mean_i
    u = math.hypot(u_du / mean_i, r * u_i / mean_i)
    note = "the current did not vary: the difference of the two instruments' offsets is in it"
    return Figure("path_resistance", r, "Ω", u, len(i), notes=(note,))


def sharing(currents: Mapping[str, Measured]) -> dict[str, Figure]:
    """Device -> its share of the group's current in percent; ``details``: lowest and highest share, mean current and its part beyond an
    equal share. Only stretches in which all devices are good, and in which a current flowed."""
    if len(currents) < 2:
        return {n: Figure.missing("current_share", "%", "only one device of the group measures its current") for n in currents}
    both = join({n: m.table for n, m in currents.items()}, {n: m.spec.name for n, m in currents.items()})
    total = sum(both.means.values()) if len(both) else np.zeros(0)
    u_bins = {n: standard_uncertainties(both.means[n], m.spec) for n, m in currents.items()}
    u_total = np.sqrt(sum(u * u for u in u_bins.values())) if len(both) else np.zeros(0)
    flowing = np.asarray(np.abs(total) > DISCERNIBLE * u_total)
    if not flowing.any():
        why = "no stretch in which all devices of the group were good and a current flowed"
        return {n: Figure.missing("current_share", "%", why) for n in currents}
    sums = {n: float(np.sum(both.means[n][flowing])) for n in currents}
    all_ = sum(sums.values())
    out = {}
    for name in currents:
        shares = 100.0 * both.means[name][flowing] / np.asarray(total)[flowing]
        share = sums[name] / all_
        u_own = float(np.sum(u_bins[name][flowing]))
        u_rest = math.sqrt(sum(float(np.sum(u_bins[n][flowing])) ** 2 for n in currents if n != name))
        u = 100.0 * math.hypot((1 - share) * u_own, share * u_rest) / abs(all_)
        details = {
            "lowest_percent": float(shares.min()), "highest_percent": float(shares.max()),
            "mean_a": sums[name] / int(flowing.sum()), "beyond_equal_a": (share - 1 / len(currents)) * all_ / int(flowing.sum()),
        }  # fmt: skip
        out[name] = Figure("current_share", 100.0 * share, "%", u, int(flowing.sum()), details=details)
    return out


def efficiency(given: Mapping[str, Measured], taken: Mapping[str, Measured]) -> Figure:
    """Energy that arrived at ``taken`` over energy that ``given`` put in, in percent, over the stretches in which all are good.

    The channels are powers (`Measured.spec` in W). Errors of different instruments are independent, those of one are common.
    """
    name = "efficiency"
    named = {f"in {n}": m for n, m in given.items()} | {f"out {n}": m for n, m in taken.items()}
    if not given or not taken:
        return Figure.missing(name, "%", "input power is not measured" if not given else "output power is not measured")
    both = join({k: m.table for k, m in named.items()}, {k: m.spec.name for k, m in named.items()})
    if not len(both):
        return Figure.missing(name, "%", "no stretch in which input and output power were both good")
    energy = {k: float(np.sum(both.means[k])) for k in named}
    u = {k: float(np.sum(standard_uncertainties(both.means[k], m.spec))) for k, m in named.items()}
    put_in = sum(v for k, v in energy.items() if k.startswith("in "))
    put_out = sum(v for k, v in energy.items() if k.startswith("out "))
    u_in = math.sqrt(sum(v * v for k, v in u.items() if k.startswith("in ")))
    u_out = math.sqrt(sum(v * v for k, v in u.items() if k.startswith("out ")))
    if put_in <= DISCERNIBLE * u_in:
        return Figure.missing(name, "%", "the input power is not above its uncertainty", len(both))
    ratio = put_out / put_in
    uncertainty = 100.0 * math.hypot(u_out / put_in, ratio * u_in / put_in)
    hours = both.bin_s / 3600.0
    details = {"input_wh": put_in * hours, "output_wh": put_out * hours, "hours": len(both) * hours}
    notes = ("more came out than went in: check the instruments",) if ratio > 1 + 2 * uncertainty / 100 else ()
    return Figure(name, 100.0 * ratio, "%", uncertainty, len(both), notes=notes, details=details)
