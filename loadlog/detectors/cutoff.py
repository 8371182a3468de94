"""`cutoff_reached`: a battery at its end of discharge, or stopped there.

Physical cause: the cell's voltage falls off steeply as it empties. The load's undervoltage stop, the pack's own protection circuit, or
nobody ends the discharge.
Rule, for a load with ``source = "battery"`` that draws current (20 counts and twice the accuracy's bound at zero):

- two readings in a row at or below ``cutoff_v`` while the current flows;
- or the current stops (below 5 % of before) near the end: the voltage before was within 2 % of ``cutoff_v`` (tolerance of undervoltage
  stops; common practice, no source), within the accuracy's bound, or within three polls of its present fall. Without ``cutoff_v`` near
  the end means at 85 % of the highest voltage under load or less (from memory: lithium cells end at 70 to 75 %, lead-acid at 83 %): 0.8
  sure;
- or an undervoltage protection bit of the load appears as the current stops, wherever that is.

Active until the current flows again for three polls well above the end: another pack, or a charged one. While it is active, and at the
sample that shows it, a stop or a collapse is no trip: `trips` asks ``Context.discharged``.
Units: V, A. Confusions: a supply trip or an open lead at the very end looks like the pack's own protection circuit; both are named.
An order of ours that lets the current stop (given since it was last at `asked.FULL` of its level, as an instrument may show means of some
seconds) is no end. A sag under a current pulse counts as reached: the cut-off is defined under load.
Expected false alarms: none: the configured voltage must be reached twice; with noise of s around the cut-off it is reached early by about
one s. Onset: from the last reading above (with current) to the first at or below it or without current. Source: IEC 61960-3
(end-of-discharge voltage; clause from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from loadlog.detectors.asked import Steady, stops
from loadlog.detectors.base import (
    NOTHING,
    ORDER_SETTLE_S,
    Context,
    Order,
    Stateless,
    begin_ns,
    bit_names,
    end_ns,
    least_shown,
    onset_between,
    within,
)
from loadlog.detectors.status import is_undervoltage
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.sample import Sample

STOPPED = 0.05
COLLAPSED = 0.7
NEAR_SHARE, NEAR_POLLS, LOW_SHARE = 0.02, 3.0, 0.85
READINGS, READINGS_TO_CLEAR = 2, 3
RECOVERED = 1.03  # of the end's voltage, under load: it will not stand there again without a charge
FALL_WEIGHT = 0.2


class Cutoff(Stateless):
    """One load on a battery."""

    KINDS: ClassVar[tuple[str, ...]] = ("cutoff_reached",)

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        voltage, current = device.channel("voltage_v"), device.channel("current_a")
        assert voltage is not None  # `applies` says so
        assert current is not None
        self._voltage = voltage
        self._least_a = least_shown(current)
        protection = device.channel("protection")
        self._wait_polls = 0 if protection is None else 2 * protection.every + 1
        self._peak_v = 0.0
        self._fall_v = 0.0  # a poll
        self._before: tuple[float, float, Sample] | None = None  # last sample with current
        self._steady: Steady | None = None  # of those up to it
        self._low: list[Sample] = []
        self._above: Sample | None = None
        self._waiting: tuple[float, float, Onset, int] | None = None
        self._active = False
        self._end_v = 0.0
        self._back = 0

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """A load on a battery that measures voltage and current."""
        return device.role == "load" and device.source == "battery" and {"voltage_v", "current_a"} <= {c.name for c in device.channels}

    def restore(self, event: Event) -> None:
        """The battery was empty when the service stopped."""
        self._active = True
        self._end_v = float(event.evidence.get("voltage_v", self._device.cutoff_v or 0.0))

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        v, i = context.measured(sample)
        if v is None or i is None:
            return NOTHING
        found = self._follow(sample, v, abs(i)) if self._active else self._watch(sample, v, abs(i), context)
        context.discharged = self._active
        return found

    def _watch(self, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        before = self._before
        if before is not None and i < max(STOPPED * before[1], 0.25 * self._least_a):
            self._before, self._low = None, []
            return self._stopped(before, sample, v, i, context)
        if self._waiting is not None:
            found = self._wait(sample, v)
            if found:
                return found
        if i < self._least_a:
            return NOTHING
        self._waiting = None
        if before is not None and v < COLLAPSED * before[0]:  # current still flows: a source that collapses, not one that empties
            self._before = None
            return NOTHING
        self._follow_level(before, sample, v, i, context.mode(sample))
        return self._loaded(before, sample, v, i)

    def _follow_level(self, before: tuple[float, float, Sample] | None, sample: Sample, v: float, i: float, mode: str | None) -> None:
        """Since when it has drawn less than its level."""
        steady = self._steady
        if before is None or steady is None or steady.mode != mode:
            self._steady = Steady(v, i, sample, mode, i)
        else:
            steady.take(sample, v, i)

    def _loaded(self, before: tuple[float, float, Sample] | None, sample: Sample, v: float, i: float) -> Sequence[Finding]:
        if before is not None:
            self._fall_v += FALL_WEIGHT * (max(before[0] - v, 0.0) - self._fall_v)
        self._before = (v, i, sample)
        self._peak_v = max(self._peak_v, v)
        cutoff_v = self._device.cutoff_v
        if cutoff_v is None or v > cutoff_v:
            self._low, self._above = [], sample
            return NOTHING
        self._low.append(sample)
        if len(self._low) < READINGS:
            return NOTHING
        first, self._low = self._low[0], []
        return self._reach(v, i, onset_between(self._above, first), 0.99, "reading", {})

    def _stopped(self, before: tuple[float, float, Sample], sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        last_v, last_a, last = before
        onset = onset_between(last, sample)
        steady = self._steady
        if steady is not None:
            after_ns, until_ns = begin_ns(steady.full or last) - int(ORDER_SETTLE_S * 1e9), end_ns(sample)
            if any(_stops(order, steady) for order in within(context.orders, after_ns, until_ns)):
                return NOTHING
        if self._undervoltage(sample):
            return self._reach(last_v, last_a, onset, 0.99, "undervoltage stop of the load", {})
        near = self._nearness(last_v)
        if near > 0.0:
            opened = v < COLLAPSED * last_v
            how = "the source switched off" if opened else "the load stopped"
            return self._reach(
                last_v, last_a, onset, near, how, {"supply_trip": 0.6, "open_circuit": 0.4} if opened else {"load_trip": 1.0}
            )
        if self._wait_polls:
            self._waiting = (last_v, last_a, onset, self._wait_polls)
        return NOTHING

    def _wait(self, sample: Sample, v: float) -> Sequence[Finding]:
        """The protection word is slow: an undervoltage stop may be read only now."""
        if self._waiting is None:
            return NOTHING
        last_v, last_a, onset, left = self._waiting
        self._waiting = (last_v, last_a, onset, left - 1) if left > 1 else None
        return self._reach(last_v, last_a, onset, 0.99, "undervoltage stop of the load", {}) if self._undervoltage(sample) else NOTHING

    def _undervoltage(self, sample: Sample) -> bool:
        word = sample.counts.get("protection")
        return word is not None and any(is_undervoltage(name) for name in bit_names(self._device, "protection", word))

    def _nearness(self, last_v: float) -> float:
        """Probability that a battery that stopped at this voltage had ended."""
        cutoff_v = self._device.cutoff_v
        if cutoff_v is None:
            return 0.8 if last_v <= LOW_SHARE * self._peak_v else 0.0
        bound = self._voltage.accuracy.half_width(last_v) if self._voltage.accuracy else self._voltage.resolution
        return 0.95 if last_v - cutoff_v <= max(bound, NEAR_POLLS * self._fall_v, NEAR_SHARE * cutoff_v) else 0.0

    def _reach(self, v: float, i: float, onset: Onset, confidence: float, how: str, others: dict[str, float]) -> Sequence[Finding]:
        self._active, self._end_v, self._back, self._waiting = True, v, 0, None
        self._peak_v = self._fall_v = 0.0
        evidence: dict[str, Any] = {"voltage_v": round(v, 6), "current_a": round(i, 6), "how": how}
        cutoff_v = self._device.cutoff_v
        end = ""
        if cutoff_v is not None:
            evidence["cutoff_v"] = cutoff_v
            end = f", cut-off {cutoff_v:g} V"
        text = f"{self._device.name}: battery at its end of discharge ({how}), {v:.4g} V at {i:.4g} A{end}"
        alternatives = {kind: round(share * (1.0 - confidence), 4) for kind, share in others.items()} or {"noise": round(1 - confidence, 4)}
        return (
            Finding(
                "cutoff_reached", self._device.name, Severity.WARNING, onset, text, confidence=confidence, alternatives=alternatives,
                evidence=evidence,
            ),
        )  # fmt: skip

    def _follow(self, sample: Sample, v: float, i: float) -> Sequence[Finding]:
        end_v = max(self._end_v, self._device.cutoff_v or 0.0)
        self._back = self._back + 1 if i >= self._least_a and v > RECOVERED * end_v else 0
        if self._back < READINGS_TO_CLEAR:
            return NOTHING
        self._active, self._before, self._above = False, (v, i, sample), sample
        text = f"{self._device.name}: the battery delivers again, {v:.4g} V at {i:.4g} A"
        onset = Onset(begin_ns(sample), end_ns(sample))
        return (Finding("cutoff_reached", self._device.name, Severity.WARNING, onset, text, clear=True),)


def _stops(order: Order, steady: Steady) -> bool:
    """What was ordered lets no current flow; a set-point in a mode that is not told only when it is none at all."""
    return stops(order, steady) and (order.channel != "setpoint" or steady.mode is not None or order.value == 0.0)
