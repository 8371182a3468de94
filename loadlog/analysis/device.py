"""Everything that one device's samples say, in one pass: `DeviceAnalysis`.

A *statistic* is named with the channel that it is about; `STATISTICS` lists them. Acceptance limits use the same names.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence

import numpy as np

from loadlog.analysis.battery import Discharge, TwoCurrent, against_rated
from loadlog.analysis.bins import Bins, BinTable, bin_width_s
from loadlog.analysis.chunk import Arrays, Chunk, chunk_of_recorded
from loadlog.analysis.figure import Figure
from loadlog.analysis.integral import Charge, Energy
from loadlog.analysis.moments import ChannelStatistics
from loadlog.analysis.regulated import LeftOut, left_out_text
from loadlog.analysis.supply import WARM_UP_S, LoadEffect, drift, temperature_coefficient, warm_up
from loadlog.analysis.verdict import AcceptanceLimit
from loadlog.analysis.walk import PERIODS_OF_A_GAP, Span, Walk
from loadlog.config import nearest
from loadlog.model.clock import NS
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.errors import UsageError

VOLTAGE, CURRENT, POWER, TEMPERATURE = "voltage_v", "current_a", "power_w", "temperature_c"
PRODUCT = "voltage_times_current_w"  # means of V·I, poll by poll, in the bins
OUTPUT = (VOLTAGE, CURRENT, POWER, PRODUCT)
NO_NUMBER_OF_INTEREST = ("setpoint",)  # its unit changes with the mode

# statistic -> (what it is, the channels that it can be asked of; empty: every number)
STATISTICS: dict[str, tuple[str, tuple[str, ...]]] = {
    "minimum": ("lowest good reading", ()),
    "mean": ("mean of the good readings", ()),
    "maximum": ("highest good reading", ()),
    "standard_deviation": ("scatter of the good readings", ()),
    "peak_to_peak": ("highest less lowest good reading", ()),
    "charge": ("A·h by trapezoids", (CURRENT,)),
    "energy": ("W·h by trapezoids of V·I", (POWER, VOLTAGE)),
    "load_effect": ("voltage at the lowest current less that at the highest, V", (VOLTAGE,)),
    "output_resistance": ("−dU/dI by regression, Ω", (VOLTAGE,)),
    "drift": ("largest change of the means after warm-up", ()),
    "temperature_coefficient": ("change with temperature_c, unit/K", (VOLTAGE, CURRENT, POWER)),
    "capacity": ("A·h of a battery to its cut-off voltage", (CURRENT,)),
    "capacity_of_rated": ("capacity in percent of the rated one", (CURRENT,)),
    "discharge_energy": ("W·h of a battery to its cut-off voltage", (POWER, VOLTAGE)),
    "mean_voltage": ("of a battery's discharge: energy over charge, V", (VOLTAGE,)),
    "internal_resistance": ("of a battery by the two-current method, Ω", (VOLTAGE,)),
    "warm_up_time_constant": ("time constant of the approach to the settled value, s", (TEMPERATURE,)),
}
OF_BATTERIES = ("capacity", "capacity_of_rated", "discharge_energy", "mean_voltage", "internal_resistance")
SHORT = {"min": "minimum", "max": "maximum", "std": "standard_deviation", "pp": "peak_to_peak", "average": "mean"}


class DeviceAnalysis:
    """One pass over a device's chunks.

    ``span``: when it was meant to be recorded. ``warm_up_s``: what drift leaves out. ``channels``: which numbers (default: all that the
    chunks may hold). ``bin_s``: width of the means for slow things. ``left_out``: spans in which the output is known not to have been
    regulated; load effect, output resistance, drift and temperature coefficient leave them out, and what the samples show of the kind.
    """

    def __init__(
        self,
        spec: DeviceSpec,
        span: Span,
        *,
        warm_up_s: float = WARM_UP_S,
        channels: Iterable[str] | None = None,
        bin_s: float | None = None,
        left_out: Sequence[LeftOut] = (),
    ) -> None:
        wanted = None if channels is None else frozenset(channels)
        self.spec, self.span, self._warm_up_s = spec, span, warm_up_s
        self._numbers = {c.name: c for c in spec.channels if _of_interest(c) and (wanted is None or c.name in wanted)}
        self._statistics = {name: ChannelStatistics(c) for name, c in self._numbers.items()}
        self._walks = {name: Walk(PERIODS_OF_A_GAP * spec.period_s * c.every) for name, c in self._numbers.items()}
        v, i = self._numbers.get(VOLTAGE), self._numbers.get(CURRENT)
        products = {PRODUCT: (VOLTAGE, CURRENT)} if v and i else {}
        width_s = bin_s or bin_width_s(span.length_s, spec.period_s)
        self._bins, self._left_out = Bins(tuple(self._numbers), width_s, products), tuple(left_out)
        gap_s = PERIODS_OF_A_GAP * spec.period_s * max(c.every for c in (v, i) if c) if v or i else spec.period_s
        self.charge = Charge(i, gap_s) if i else None
        self.energy = Energy(v, i, gap_s) if v and i else None
        battery = spec.source == "battery"
        mode = spec.channel("mode")
        modes = mode.names if mode is not None else {}
        self.load = LoadEffect(v, i, bin_s=width_s, modes=modes, left_out=self._left_out, has_level=not battery) if v and i else None
        self.discharge = Discharge(v, i, gap_s, spec.cutoff_v) if v and i and battery else None
        self.two_current = TwoCurrent(v, i, gap_s) if v and i and battery else None

    @property
    def channels(self) -> tuple[str, ...]:
        """What the chunks should hold."""
        return tuple(self._numbers)

    def add(self, chunk: Chunk) -> None:
        """Take in the next chunk."""
        for name, statistics in self._statistics.items():
            statistics.add(chunk)
            self._walks[name].cover(chunk, chunk.good(name))
        self._bins.add(chunk)
        for part in (self.charge, self.energy, self.load, self.discharge, self.two_current):
            if part is not None:
                part.add(chunk)

    def bins(self) -> BinTable:
        """Means over short equal stretches, of every channel."""
        return self._bins.table()

    def coverage(self, channel: str) -> float:
        """Share of the span in which the channel was seen."""
        return self._walks[channel].coverage(self.span)

    def figure(self, channel: str, statistic: str) -> Figure:
        """One figure; missing with its reason when the samples do not give it.

        Raises:
            UsageError: no such channel or statistic.
        """
        channel, statistic = check_statistic(self.spec, channel, statistic)
        if channel not in self._numbers:
            return Figure.missing(statistic, self.spec_of(channel).unit, f"{channel} was left out of the computation")
        if statistic in ChannelStatistics.NAMES:
            return self._with_coverage(channel, self._statistics[channel].figure(statistic))
        return self._derived(channel, statistic)

    def spec_of(self, channel: str) -> ChannelSpec:
        """The channel's description."""
        found = self.spec.channel(channel)
        if found is None:
            raise UsageError(f"{self.spec.name} has no channel {channel!r}{nearest(channel, [c.name for c in self.spec.channels])}")
        return found

    def _with_coverage(self, channel: str, figure: Figure) -> Figure:
        walk = self._walks[channel]
        return dataclasses.replace(figure, coverage=walk.coverage(self.span), notes=(*figure.notes, *walk.notes()))

    def _derived(self, channel: str, statistic: str) -> Figure:
        number, unit = self._numbers[channel], ""
        if statistic == "charge" and self.charge is not None:
            return self.charge.figure(self.span)
        if statistic == "energy" and self.energy is not None:
            return self.energy.figure(self.span)
        if statistic in ("load_effect", "output_resistance") and self.load is not None:
            figure = self.load.load_effect() if statistic == "load_effect" else self.load.output_resistance()
            return self._with_coverage(channel, figure)
        if statistic == "drift":
            return self._with_coverage(channel, self._regulated(drift(self._steady(), number, self._warm_up_s), channel))
        if statistic == "warm_up_time_constant":
            return self._with_coverage(channel, warm_up(self.bins(), number))
        if statistic in OF_BATTERIES:
            return self._of_battery(statistic)
        temperature = self._numbers.get(TEMPERATURE)
        if statistic == "temperature_coefficient" and temperature is not None:
            others = [c for n, c in self._numbers.items() if n == CURRENT != channel]
            found = temperature_coefficient(self._steady(), number, temperature, others)
            return self._with_coverage(channel, self._regulated(found, channel))
        return Figure.missing(statistic, unit, f"{self.spec.name} does not measure all that {statistic} needs")

    def _steady(self) -> BinTable:
        """The means, those of the output only of when it was regulated."""
        bins, width_ns = self.bins(), round(self._bins.bin_s * NS)
        out = set() if self.load is None else set(self.load.regulated.out.tolist())
        for span in self._left_out:
            out |= set(range(span.from_utc_ns // width_ns, span.to_utc_ns // width_ns + 1))
        return bins.without(np.array(sorted(out), np.int64), OUTPUT)

    def _regulated(self, figure: Figure, channel: str) -> Figure:
        """With what was left out of it, or why it cannot be given."""
        if channel not in OUTPUT:
            return figure
        if self.load is not None and self.load.regulated.why_not and figure.value is not None:
            return Figure.missing(figure.name, figure.unit, f"cannot be determined: {self.load.regulated.why_not}", figure.samples)
        note = left_out_text(_seconds(self._left_out, self.span)) if self.load is None else self.load.regulated.note
        if not note:
            return figure
        if figure.value is None:
            return dataclasses.replace(figure, why_not=f"cannot be determined: {figure.why_not} ({note})")
        return figure.noted(note)

    def _of_battery(self, statistic: str) -> Figure:
        if self.discharge is None or self.two_current is None:
            return Figure.missing(statistic, "", f'{self.spec.name} is no load on a battery (source = "battery") that measures V and I')
        if statistic == "internal_resistance":
            return self.two_current.resistance()
        if statistic == "mean_voltage":
            return self.discharge.mean_voltage()
        if statistic == "discharge_energy":
            return self.discharge.energy()
        capacity = self.discharge.capacity()
        if statistic == "capacity":
            return capacity
        if self.spec.rated_ah is None:
            return Figure.missing(statistic, "%", "no rated capacity (rated_ah) is configured")
        return against_rated(capacity, self.spec.rated_ah)

    def figures(self) -> dict[tuple[str, str], Figure]:
        """Every statistic of every channel that it can be asked of, by (channel, statistic)."""
        out = {}
        for channel in self._numbers:
            for statistic, (_, only) in STATISTICS.items():
                twice = statistic.endswith("energy") and channel == VOLTAGE and POWER in self._numbers
                foreign = statistic in OF_BATTERIES and self.spec.source != "battery"
                if (not only or channel in only) and not twice and not foreign:
                    out[channel, statistic] = self.figure(channel, statistic)
        return out


def analyse(arrays: Arrays, span: Span | None = None, warm_up_s: float = WARM_UP_S) -> DeviceAnalysis:
    """For notebooks: everything about a device whose samples are held as arrays (``loadlog.open(run)[device]``).

    ``span``: when it was meant to be recorded, default from the first to the last sample.
    """
    chunk = chunk_of_recorded(arrays)
    times = chunk.t_utc_ns
    held = Span(int(times[0]), int(times[-1])) if len(chunk) else Span(0, 0)
    analysis = DeviceAnalysis(arrays.spec, span or held, warm_up_s=warm_up_s)
    analysis.add(chunk)
    return analysis


def _seconds(spans: Iterable[LeftOut], within: Span) -> dict[str, float]:
    out: dict[str, float] = {}
    for span in spans:
        length_ns = min(span.to_utc_ns, within.to_utc_ns) - max(span.from_utc_ns, within.from_utc_ns)
        if length_ns > 0:
            out[span.reason] = out.get(span.reason, 0.0) + length_ns / NS
    return out


def _of_interest(channel: ChannelSpec) -> bool:
    return channel.kind == "number" and channel.name not in NO_NUMBER_OF_INTEREST


def check_statistic(spec: DeviceSpec, channel: str, statistic: str) -> tuple[str, str]:
    """(channel, statistic) in full: ``voltage`` for ``voltage_v`` where only one begins so, ``max`` for ``maximum``.

    Raises:
        UsageError: the device has no such channel, there is no such statistic, or not of this channel; names the nearest.
    """
    numbers = [c.name for c in spec.channels if _of_interest(c)]
    matches = [n for n in numbers if n == channel] or [n for n in numbers if n.rpartition("_")[0] == channel]
    if len(matches) != 1:
        hint = f"may be {' or '.join(matches)}; write which" if matches else f"there is none{nearest(channel, numbers)}"
        raise UsageError(f"channel {channel!r}: {hint}", where=spec.name)
    name = SHORT.get(statistic, statistic)
    if name not in STATISTICS:
        raise UsageError(f"there is no statistic {statistic!r}{nearest(statistic, STATISTICS)}", where=f"{spec.name} {matches[0]}")
    only = STATISTICS[name][1]
    if only and matches[0] not in only:
        raise UsageError(f"{name} is of {' or '.join(only)}, not of {matches[0]}", where=spec.name)
    return matches[0], name


def check_limit(spec: DeviceSpec, limit: AcceptanceLimit) -> AcceptanceLimit:
    """The limit with channel and statistic in full.

    Raises:
        UsageError: as `check_statistic`.
    """
    channel, statistic = check_statistic(spec, limit.channel, limit.statistic)
    return dataclasses.replace(limit, channel=channel, statistic=statistic)
