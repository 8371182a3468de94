"""`setpoint_changed` of a load that does not report its set-point: inferred from its current.

Physical cause: a hand on the knob, another program on the bus. A load that reports its set-point is `operated`'s.
Rule: the current steps to a new level (`steps`: two agreeing samples, three below 20 deviations; hardly a burst or a ramp), by more than
the accuracy's bound, which covers what the instrument does of itself, and relatively more than `OVER_VOLTAGE` times what the voltage
moved: a load in CR or CP follows its source one to one, a source does no more. Where the mode is not told the voltage must in addition
answer against the current, by `SIGNIFICANT` deviations, as behind any source: a load that holds its voltage shows a step of its source, or
a loose sense lead, by its current alone. The input is on and the current flows before and after (more than 20 counts, and 5 % of what it
was: less is a stop, which `trips` tells). Not judged: a load in CV; `ORDER_SETTLE_S` after an order of ours; a step at which the current of
another device of the group moved by a third as much and more.
Confusions, named with probabilities, which are judgements: a mode changed by hand where no mode is told; a load that regulates wrongly or
derates (`sharing_imbalance`).
Limits: a source so stiff that its voltage does not answer leaves a load of unknown mode unjudged; turns slower than two polls are ramps;
within about 35 samples after a step, the level is learned again and another one is not told.
Expected false alarms: `FALSE_ALARMS_PER_1000_H` in noise as learned. Onset: as `steps` finds it. Units: A, V.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from typing import ClassVar

from loadlog.detectors.base import NOTHING, ORDER_SETTLE_S, Context, Order, Peer, Stateless, begin_ns, end_ns, usable
from loadlog.detectors.statistics import alarm_probability
from loadlog.detectors.steps import CLEAR_WINDOWS, LAG, Step, StepWatch
from loadlog.detectors.trips import STOPPED
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Finding, Onset, Severity
from loadlog.model.sample import Sample

FALSE_ALARMS_PER_1000_H = 0.1
OVER_VOLTAGE = 3.0  # one is what CR and CP do; the rest is margin for the second order and for noise of the voltage
SIGNIFICANT = 3.5
SHOWN_BY_PEER = 1.0 / 3.0
LEAST_COUNTS = 20.0
MOST_VOLTS = 2 * LAG
KNOB, WRONG_MODE = 0.8, 0.1  # that it was the set-point; that it was the mode, where no mode is told; the rest is the load's own error


class UnreportedSetpoint(Stateless):
    """One load without a channel of its set-point."""

    KINDS: ClassVar[tuple[str, ...]] = ("setpoint_changed",)

    def __init__(self, device: DeviceSpec) -> None:
        current = device.channel("current_a")
        assert current is not None  # `applies` says so
        self._device, self._current = device, current
        self._pace(1)
        self._volts = array("d")  # the last `MOST_VOLTS`, or a few more
        self._mode: str | None = None
        self._order: Order | None = None
        self._last_ns = 0

    def _pace(self, polls: int) -> None:
        """A reading lasts for as many polls."""
        self._polls, period_s = polls, polls * self._device.period_s
        probability = alarm_probability(FALSE_ALARMS_PER_1000_H, period_s)
        self._watch = StepWatch(period_s, self._current.resolution, probability, curves=False, windows=CLEAR_WINDOWS)

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """See the class."""
        names = {c.name for c in device.channels}
        return device.role == "load" and {"voltage_v", "current_a"} <= names and "setpoint" not in names

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        is_repeat, mode = context.is_repeat(sample), context.mode(sample)
        if self._is_operated(sample, context, mode):
            self._restart()
            return NOTHING
        v, i = (usable(sample, "voltage_v"), usable(sample, "current_a")) if sample.uncertain else context.measured(sample)
        if v is None or i is None:
            return NOTHING
        i = abs(i)
        if i < LEAST_COUNTS * self._current.resolution:
            self._restart()
            return NOTHING
        if is_repeat:
            return NOTHING
        if context.polls_a_reading != self._polls:
            self._pace(context.polls_a_reading)
            del self._volts[:]
        watch, now_ns = self._watch, sample.stamp.t_utc_ns
        watch.update(i, sample, watch.elapsed(self._last_ns, now_ns) if self._last_ns else 1.0)
        self._last_ns = now_ns
        self._volts.append(v)
        if len(self._volts) > 2 * MOST_VOLTS:
            del self._volts[:-MOST_VOLTS]
        if watch.ratio < 1.0 or not watch.ready or context.may_repeat:
            return NOTHING
        step = watch.clear_step()
        if step is None:
            return NOTHING
        before_a = watch.now(step.samples) - step.size
        moved_v = self._moved_by_hand(step, before_a)
        if moved_v is None:
            return NOTHING
        self._restart()
        if any(_moved(peer, step.onset) >= SHOWN_BY_PEER * abs(step.size) for peer in context.peers.values()):
            return NOTHING
        return (self._finding(step, before_a, moved_v),)

    def _is_operated(self, sample: Sample, context: Context, mode: str | None) -> bool:
        """By an order of ours, or as the instrument tells; or it holds its voltage, where a step of current is its source's."""
        order = context.orders[-1] if context.orders else None
        was_mode, self._mode = self._mode, mode
        was_order, self._order = self._order, order
        if order is not was_order or mode != was_mode or mode == "cv" or sample.status.get("input_on", 1) == 0:
            return True
        return order is not None and begin_ns(sample) - int(ORDER_SETTLE_S * 1e9) <= order.t_utc_ns <= end_ns(sample)

    def _restart(self) -> None:
        self._watch.restart()
        del self._volts[:]

    def _moved_by_hand(self, step: Step, before_a: float) -> float | None:
        """By how much the voltage moved with the current, V; None when the step may be another cause's (so far)."""
        volts = self._volts[-MOST_VOLTS:]
        before, after = volts[: -step.samples - 1], volts[-step.samples :]
        bound = self._current.accuracy.half_width(before_a) if self._current.accuracy else 0.0
        after_a = before_a + step.size
        if len(before) < 3 or before_a <= 0.0 or after_a <= STOPPED * before_a or abs(step.size) <= bound + 2.0 * self._current.resolution:
            return None
        level_v = math.fsum(before) / len(before)
        moved_v = math.fsum(after) / len(after) - level_v
        channel = self._device.channel("voltage_v")
        rounding = (channel.resolution**2 / 12.0) if channel else 0.0
        variance = max(math.fsum((x - level_v) ** 2 for x in before) / (len(before) - 1), rounding)
        deviation = math.sqrt(variance * (1.0 / len(before) + 1.0 / len(after)))
        if level_v <= 0.0 or abs(step.size) / before_a <= OVER_VOLTAGE * (abs(moved_v) + deviation) / level_v:
            return None
        answers = moved_v * step.size < 0.0 and abs(moved_v) >= SIGNIFICANT * deviation
        return moved_v if answers or self._mode is not None else None

    def _finding(self, step: Step, before_a: float, moved_v: float) -> Finding:
        after_a = before_a + step.size
        others = {"mode_changed": WRONG_MODE} if self._mode is None else {}
        others["sharing_imbalance"] = round(1.0 - KNOB - WRONG_MODE, 4)
        text = (
            f"{self._device.name}: set-point changed without an order of ours, inferred from the current "
            f"({before_a:.4g} A to {after_a:.4g} A); the instrument does not report its set-point"
        )
        evidence = {
            "current_before_a": round(before_a, 6), "current_a": round(after_a, 6), "uncertainty_a": round(step.uncertainty, 6),
            "voltage_moved_v": round(moved_v, 6), "samples": step.samples, "inferred": True,
        }  # fmt: skip
        return Finding(
            "setpoint_changed", self._device.name, Severity.WARNING, step.onset, text, momentary=True,
            confidence=round(1.0 - math.fsum(others.values()), 4), alternatives=others, evidence=evidence,
        )  # fmt: skip


def _moved(peer: Peer, onset: Onset) -> float:
    """By how much the mean current of another device differs after and before, A; 0 when it was not polled on both sides."""
    before = [abs(g.current_a) for g in peer.recent if g.current_a is not None and g.end_ns <= onset.earliest_utc_ns]
    after = [abs(g.current_a) for g in peer.recent if g.current_a is not None and g.begin_ns >= onset.latest_utc_ns]
    return abs(math.fsum(after) / len(after) - math.fsum(before) / len(before)) if before and after else 0.0
