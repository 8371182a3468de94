"""The figures of a group of devices that share one source: sharing, path resistance and its heat, efficiency, the battery's capacity.

Which instrument stands where follows from the roles: a supply or a meter of the group measures at the source, the loads at the far end of
their leads. Every figure's notes name the instruments it rests on, so that a bench wired otherwise is noticed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from loadlog.analysis.battery import against_rated
from loadlog.analysis.bins import BinTable
from loadlog.analysis.device import CURRENT, POWER, PRODUCT, VOLTAGE, DeviceAnalysis
from loadlog.analysis.figure import Figure
from loadlog.analysis.wiring import Measured, efficiency, path_resistance, sharing
from loadlog.model.device import ChannelSpec
from loadlog.model.quantity import Accuracy

AT_SOURCE = ("supply", "meter")


@dataclass(frozen=True, slots=True)
class GroupFigure:
    """``device``: the one it is about, None when it is about the group."""

    group: str
    device: str | None
    figure: Figure

    def to_json(self) -> dict[str, Any]:
        """For programs."""
        return {"group": self.group, "device": self.device, **self.figure.to_json()}


def group_figures(analyses: Sequence[DeviceAnalysis]) -> list[GroupFigure]:
    """Of every group among devices that were analysed over the same span; what a group cannot give at all is left out."""
    groups: dict[str, list[DeviceAnalysis]] = {}
    for analysis in analyses:
        if analysis.spec.group is not None:
            groups.setdefault(analysis.spec.group, []).append(analysis)
    return [figure for name, members in groups.items() for figure in _of_group(name, members)]


def _of_group(name: str, members: Sequence[DeviceAnalysis]) -> list[GroupFigure]:
    tables = {m.spec.name: m.bins() for m in members}
    loads = [m for m in members if m.spec.role == "load" and m.spec.channel(CURRENT)]
    sources = [m for m in members if m.spec.role in AT_SOURCE]
    out = []
    if len(loads) > 1:
        currents = {m.spec.name: Measured(tables[m.spec.name], m.spec_of(CURRENT)) for m in loads}
        out += [GroupFigure(name, device, figure) for device, figure in sharing(currents).items()]
    for source in sources:
        if source.spec.channel(VOLTAGE):
            out += [GroupFigure(name, m.spec.name, f) for m in loads for f in _path(source, m, tables)]
        out += _efficiency(name, source, loads, tables)
    return out + _battery(name, loads)


def _path(source: DeviceAnalysis, load: DeviceAnalysis, tables: dict[str, BinTable]) -> list[Figure]:
    if load.spec.channel(VOLTAGE) is None:
        return []
    at_source, at_load = source.spec.name, load.spec.name
    if load.spec.sense == "remote":
        why = f"{at_load} senses remotely: it does not see the voltage that its leads lose"
        return [Figure.missing("path_resistance", "Ω", why)]
    figures = path_resistance(
        Measured(tables[at_source], source.spec_of(VOLTAGE)),
        Measured(tables[at_load], load.spec_of(VOLTAGE)),
        Measured(tables[at_load], load.spec_of(CURRENT)),
    )
    return [f.noted(f"between {at_source} and {at_load}, with the current of {at_load}") for f in figures]


def _efficiency(name: str, source: DeviceAnalysis, loads: Sequence[DeviceAnalysis], tables: dict[str, BinTable]) -> list[GroupFigure]:
    """Power that arrived at the loads over power at the source, where the source measures it."""
    put_in = _power(source, tables[source.spec.name])
    taken = {m.spec.name: _power(m, tables[m.spec.name]) for m in loads}
    if put_in is None or not loads:
        return []
    known = {device: p for device, p in taken.items() if p is not None}
    if len(known) < len(loads):
        return []
    figure = efficiency({source.spec.name: put_in}, known)
    return [GroupFigure(name, None, figure.noted(f"from {source.spec.name} to {', '.join(known)}"))]


def _power(analysis: DeviceAnalysis, table: BinTable) -> Measured | None:
    """Measured power, else V·I poll by poll with the specification that follows at the mean reading."""
    measured = analysis.spec.channel(POWER)
    if measured is not None:
        return Measured(table, measured)
    v, i = analysis.spec.channel(VOLTAGE), analysis.spec.channel(CURRENT)
    if v is None or i is None:
        return None
    volts, amperes = (float(np.nanmean(np.abs(m))) if np.isfinite(m).any() else 0.0 for m in (table.means[VOLTAGE], table.means[CURRENT]))
    a_v, a_i = v.accuracy or Accuracy(0.0, 0.0), i.accuracy or Accuracy(0.0, 0.0)
    accuracy = Accuracy(a_v.percent_of_reading + a_i.percent_of_reading, a_v.absolute * amperes + a_i.absolute * volts)
    resolution = math.hypot(v.resolution * amperes, i.resolution * volts)
    return Measured(table, ChannelSpec(PRODUCT, "W", "number", v.scale, resolution, accuracy))


def _battery(name: str, loads: Sequence[DeviceAnalysis]) -> list[GroupFigure]:
    """What several loads took from one battery, each to the cut-off; the errors of their currents are independent."""
    parts = [m.figure(CURRENT, "capacity") for m in loads if m.discharge is not None]
    known = [p for p in parts if p.value is not None]
    if len(parts) < 2 or len(known) < len(parts):
        return []
    figure = Figure(
        "capacity", sum(p.value or 0.0 for p in known), known[0].unit, math.hypot(*(p.uncertainty or 0.0 for p in known)),
        sum(p.samples for p in known), min(p.coverage or 0.0 for p in known), sum(p.bounds[0] for p in known),
        sum(p.bounds[1] for p in known), notes=(f"sum over {', '.join(m.spec.name for m in loads)}",),
    )  # fmt: skip
    out = [GroupFigure(name, None, figure)]
    rated = next((m.spec.rated_ah for m in loads if m.spec.rated_ah is not None), None)
    if rated is not None:
        out.append(GroupFigure(name, None, replace(against_rated(figure, rated), name="capacity_of_rated")))
    return out
