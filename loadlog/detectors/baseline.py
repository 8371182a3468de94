"""`drift` and `noise_changed`: a channel leaves the run's own baseline slowly, or its noise is another one.

Voltage and current at one operating point are condensed into blocks and minutes (`blocks`); `drift` and `noise_changed` judge them. The
operating point is another one after a changed mode, set-point or input, or a current that leaves its level by 2 %, twenty counts and eight
deviations: then everything is learned again, and what was active ends. What another device of the group shows too is the source's and told
once (`witness`). Units: the channel's. Expected false alarms: `FALSE_ALARMS_PER_1000_H` of each kind, shared among the channels; of drifts
less, since the uncertainty is added. Physical causes, rules, limits, confusions, onsets and sources stand with the kinds.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import ClassVar

from loadlog.detectors import drift, noise_changed
from loadlog.detectors.base import MOST_SQUARE, NOTHING, Context
from loadlog.detectors.baseline_state import CHANNELS, Channel, Group
from loadlog.detectors.blocks import block_samples, condense
from loadlog.detectors.drift_chart import LEAST_MINUTES
from loadlog.detectors.noise_chart import LEARN
from loadlog.detectors.witness import Witness
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding
from loadlog.model.learned import CORRELATION, NOISE, Knowledge, Learned, fact, fixed
from loadlog.model.sample import Sample

POINT_SHARE, POINT_COUNTS, POINT_DEVIATIONS = 0.02, 20.0, 8.0
LONGEST_GAP_PERIODS = 30.0
_OPERATED = ("mode", "setpoint", "input_on")


class Baseline:
    """Voltage and current of one load, supply or meter."""

    KINDS: ClassVar[tuple[str, ...]] = (drift.KIND, noise_changed.KIND)

    __slots__ = (
        "_channels", "_device", "_group", "_last_ns", "_longest_ns", "_looked", "_operated", "_point_a", "_point_bound_a", "_reported",
        "_size", "_witness",
    )  # fmt: skip

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._channels = [Channel(c, device) for c in device.channels if c.name in CHANNELS and c.kind == "number"]
        self._size = block_samples(device.period_s)
        self._longest_ns = int(LONGEST_GAP_PERIODS * device.period_s * 1e9)
        self._reported: dict[str, float] = {}
        self._operated: tuple[float | None, ...] | None = None  # the last reports, when they are in `_reported`
        self._point_a: float | None = None
        self._last_ns: int | None = None
        self._point_bound_a = 0.0
        self._group = Group(device)
        self._witness: Witness | None = None  # that of `_group`
        self._looked = False

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """It measures a voltage or a current."""
        return device.role != "thermometer" and any(c.name in CHANNELS and c.kind == "number" for c in device.channels)

    def restore(self, event: Event) -> None:
        """It had departed when the service stopped; ends when the baseline is learned again or the operating point changes."""
        for channel in self._channels:
            if channel.spec.name == event.key:
                channel.active.add(event.kind)

    def recall(self, known: Mapping[str, Learned]) -> None:
        """The settled levels, each taken up again when the level settles; noise is learned again."""
        for channel in self._channels:
            old = known.get(f"baseline_{channel.spec.name}")
            if old is not None and old.state is Knowledge.LEARNED and old.value is not None:
                channel.drift.recall(old.value)

    def learned(self) -> Sequence[Learned]:
        """Noise, correlation and settled level of each channel."""
        out: list[Learned] = []
        for channel in self._channels:
            name, unit, noise, chart = channel.spec.name, channel.spec.unit, channel.noise, channel.drift
            given = self._device.fixed.get(f"{NOISE}{name}")
            if given is not None:
                out.append(fixed(f"{NOISE}{name}", unit, given))
            else:
                sure = noise.usual / math.sqrt(2.0 * max(noise.samples, 1))
                known = noise.usual if noise.blocks else None
                needed = LEARN * self._size
                out.append(fact(f"{NOISE}{name}", unit, known, sure, noise.samples, needed, ("noise_changed",)))
            if noise.blocks:
                r = max(noise.correlation, 0.0)
                out.append(fact(f"{CORRELATION}{name}_count", "", (1.0 + r) / (1.0 - r), None, noise.samples))
            line = chart.line
            sure_level = None if line is None else line.deviation / math.sqrt(LEAST_MINUTES)
            level = fact(f"baseline_{name}", unit, chart.reference, sure_level, len(chart.minutes), LEAST_MINUTES, ("drift",))
            out.append(level)
            if line is not None and chart.reference is None:
                out.append(fact(f"trend_{name}_per_h", f"{unit}/h", 60.0 * line.slope, 60.0 * line.slope_deviation, len(chart.minutes)))
        return out

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        t_ns = sample.stamp.t_utc_ns
        last_ns, self._last_ns = self._last_ns, t_ns
        values, status = sample.values, sample.status
        operated = (status.get("mode"), values.get("setpoint"), status.get("input_on"))
        if operated != self._operated and self._is_operated(sample, operated):
            return self._restart("the operating point changed", sample)
        if last_ns is not None and not 0 < t_ns - last_ns < self._longest_ns:
            for channel in self._channels:
                del channel.values[:]
        found: list[Finding] | None = None
        marks, held, size = sample.uncertain, sample.held, self._size
        for channel in self._channels:
            name = channel.name
            value = values.get(name)
            if value is None or not value * value < MOST_SQUARE or name in held or (marks and name in marks):
                continue
            if name == "current_a":
                point_a = self._point_a
                if (point_a is None or abs(value - point_a) > self._point_bound_a) and self._point_moved(value):
                    return self._restart("the operating point changed", sample)
            elif not self._looked:
                self._look(context)
            taken = channel.values
            taken.append(value)
            if self._witness is not None and name == "voltage_v":
                self._witness.sample()
            if len(taken) >= size:
                found = (found or []) + self._block(channel, sample, context)
        return found or NOTHING

    def _look(self, context: Context) -> None:
        self._looked = True
        self._group.look(context, self._size * self._device.period_s)
        self._witness = self._group.witness

    # -- the operating point

    def _is_operated(self, sample: Sample, operated: tuple[float | None, ...]) -> bool:
        """Mode, set-point or input is another one."""
        reported, held = self._reported, sample.held
        changed, unread = False, False
        for name, value in zip(_OPERATED, operated, strict=True):
            if value is None:
                continue
            if name in held:
                unread = unread or reported.get(name) != value
            elif reported.get(name) != value:
                changed = changed or name in reported
                reported[name] = value
        self._operated = None if unread else operated
        return changed

    def _point_moved(self, current_a: float) -> bool:
        point = self._point_a
        if point is None:
            self._set_point(current_a, next(c.spec.resolution for c in self._channels if c.spec.name == "current_a"))
            return False
        away = abs(current_a - point)
        return away > self._point_bound_a and away > self._point_bound_a + POINT_DEVIATIONS * self._noise_a()

    def _set_point(self, current_a: float, resolution: float) -> None:
        self._point_a = current_a
        self._point_bound_a = max(POINT_SHARE * abs(current_a), POINT_COUNTS * resolution)

    def _noise_a(self) -> float:
        return next(c.noise.usual for c in self._channels if c.spec.name == "current_a")

    def _restart(self, why: str, sample: Sample) -> Sequence[Finding]:
        found = []
        if self._witness is not None:
            self._witness.restart()
        for channel in self._channels:
            found += [channel.end(self._device.name, kind, why, sample) for kind in sorted(channel.active)]
            channel.active.clear()
            channel.restart()
        self._point_a = None
        return found or NOTHING

    # -- a block is full

    def _block(self, channel: Channel, sample: Sample, context: Context) -> list[Finding]:
        block = condense(channel.values)
        del channel.values[:]
        if channel.name == "voltage_v" and self._witness is not None:
            self._witness.block(channel.drift.reference is not None)
        if channel.name == "current_a":
            self._set_point(block.mean, channel.spec.resolution)
        found = noise_changed.judge_noise(channel, block, sample, context, self._group)
        channel.drift.block(block)
        mean = channel.minutes.update(block.mean)
        if mean is not None:
            found += drift.minute_over(channel, mean, self._channels, self._size, sample, context, self._group)
        return found
