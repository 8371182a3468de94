"""`setpoint_changed`, `mode_changed`, `input_switched`: somebody operated the instrument, and it was not us.

Physical cause: a hand on the knob or the keys, another program on the bus.
Rule: the instrument's own report (set-point, mode, input) differs from its last one, and no order of ours for it was given since then (nor
up to `ORDER_SETTLE_S` before, in which an order may still take effect, nor since the poll before that, which an instrument that reports
from its buffer answers in the next). An order with another value does not explain the change; of several any may show, since a report can
lag behind the last. A set-point is carried out, and reported, to a step of the instrument's converter: what lies within the accuracy of the
quantity that it sets is the value that was ordered. Where more orders came than are remembered nobody knows. These reports are digital, so
any change beyond the resolution is one and noise raises none; an analogue set-point that flickers by more than its resolution would. A load
that does not report its set-point is `unreported`'s, one that reports neither that nor its input `unreported_input`'s too.
Turning a knob is one event: `setpoint_changed` stays active until the set-point has rested for three of its polls and 3 s. `mode_changed`
and `input_switched` are momentary. A set-point that changes along with the mode (another unit) is part of that.
Confusions, and how they are told apart: an ordered change (orders); the load's own protection, which switches the input off too: with a
protection bit set in the same poll, or in the next poll of that word, it is no `input_switched`. A profile without protection bits cannot
tell the two: `load_trip` is then named as the alternative. A regulation error moves the reading, not the set-point.
Expected false alarms: none at rest. Onset: between the two polls of the channel that differ. Units: the mode's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import ClassVar

from loadlog.detectors.base import (
    NOTHING,
    ORDER_SETTLE_S,
    Context,
    Order,
    Stateless,
    Watched,
    begin_ns,
    bit_names,
    end_ns,
    onset_since,
    status_name,
    usable,
    within,
)
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.quantity import REGULATED, SETPOINT_UNIT
from loadlog.model.sample import Sample, Stamp

QUIET_S = 3.0
QUIET_POLLS = 3
WITHOUT_PROTECTION_BITS = 0.7  # that an unordered switch-off was a hand, when the instrument cannot say; a judgement


class Operated(Stateless):
    """Compares an instrument's reports with the orders of ours."""

    KINDS: ClassVar[tuple[str, ...]] = ("setpoint_changed", "mode_changed", "input_switched")

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._seen: dict[str, tuple[float, Stamp, Stamp]] = {}  # last report, its poll, and the poll before that
        self._polled: Stamp | None = None
        setpoint, protection = device.channel("setpoint"), device.channel("protection")
        self._smallest = setpoint.resolution if setpoint else 0.0
        self._every = setpoint.every if setpoint else 1
        self._protection_polls = 0 if protection is None else 2 * protection.every + 1
        self._off: Finding | None = None  # switched off; the protection word is not known yet
        self._off_wait = 0
        self._knob: tuple[float, str] | None = None  # where it began, unit
        self._changes = self._quiet_polls = 0
        self._quiet = Watched(3.0 * device.period_s * self._every)

    def restore(self, event: Event) -> None:
        """A knob was being turned when the service stopped."""
        if event.kind == "setpoint_changed":
            self._knob = (float(event.evidence.get("from", 0.0)), str(event.evidence.get("unit", "")))
            self._quiet_polls, self._quiet = 0, Watched(3.0 * self._device.period_s * self._every)

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None or (sample.uncertain and "identity_changed" in sample.uncertain.values()):
            return NOTHING
        counts = sample.counts
        found: Sequence[Finding] = NOTHING
        if "mode" in counts and not self._stays(sample, "mode"):
            found = self._mode(sample, context)
        if "input_on" in counts and not self._stays(sample, "input_on"):
            found = [*found, *self._input(sample, context)]
        if self._off is not None:
            found = [*found, *self._resolve_off(sample)]
        if "setpoint" in counts and (setpoint := self._setpoint(sample, context)):
            found = [*found, *setpoint]
        self._polled = sample.stamp
        return found

    def _stays(self, sample: Sample, channel: str) -> bool:
        """It is reported as it was: only the last stamp of it is another one."""
        seen, value = self._seen.get(channel), sample.counts[channel]
        if seen is None or value is None or seen[0] != value:
            return False
        self._seen[channel] = (value, sample.stamp, self._polled or sample.stamp)
        return True

    def _change(self, sample: Sample, channel: str, value: float | None) -> tuple[float, Stamp, Stamp] | None:
        """The last report before this one, when this one differs."""
        if value is None:
            return None
        before = self._seen.get(channel)
        self._seen[channel] = (value, sample.stamp, self._polled or sample.stamp)
        return before if before is not None and before[0] != value else None

    @staticmethod
    def _orders(context: Context, channel: str, before: tuple[float, Stamp, Stamp], sample: Sample) -> list[Order] | None:
        """All that may show in this report; None when there may have been more of them. Not only the last: an instrument that answers a
        poll late, or from its buffer, still shows the one before."""
        _, seen, polled = before
        after_ns = min(seen.t_utc_ns - seen.half_width_ns - int(ORDER_SETTLE_S * 1e9), polled.t_utc_ns - polled.half_width_ns)
        until_ns, orders = end_ns(sample), context.orders
        if len(orders) == orders.maxlen and after_ns < orders[0].t_utc_ns <= until_ns:
            return None
        return [order for order in within(orders, after_ns, until_ns) if order.channel == channel]

    def _was_ordered(self, context: Context, channel: str, before: tuple[float, Stamp, Stamp], sample: Sample, value: float) -> bool:
        """The report is what we ordered, or nobody knows."""
        orders = self._orders(context, channel, before, sample)
        return orders is None or any(order.value == value for order in orders)

    def _mode(self, sample: Sample, context: Context) -> Sequence[Finding]:
        value = sample.counts.get("mode")
        before = self._change(sample, "mode", value)
        if before is None or value is None:
            return NOTHING
        self._seen.pop("setpoint", None)  # its unit changed
        if self._was_ordered(context, "mode", before, sample, value):
            return NOTHING
        spec = self._device.channel("mode")
        names = spec.names if spec else {}
        number = int(before[0])
        old, new = names.get(number, str(number)).lower(), names.get(value, str(value)).lower()
        if self._device.role == "supply" and {old, new} == {"cv", "cc"}:
            return NOTHING  # the crossover is the load's doing, nobody's hand: `current_limit`
        text = f"{self._device.name}: mode changed from {old} to {new} without an order of ours"
        return (self._momentary("mode_changed", onset_since(before[1], sample), text, {"from": old, "to": new}),)

    def _input(self, sample: Sample, context: Context) -> Sequence[Finding]:
        value = sample.counts.get("input_on")
        before = self._change(sample, "input_on", value)
        if before is None or value is None or self._was_ordered(context, "input_on", before, sample, value):
            return NOTHING
        onset = onset_since(before[1], sample)
        if value:
            self._off = None
            return (
                self._momentary("input_switched", onset, f"{self._device.name}: input switched on without an order of ours", {"to": "on"}),
            )
        self._off = self._momentary(
            "input_switched", onset, f"{self._device.name}: input switched off without an order of ours", {"to": "off"}
        )
        self._off_wait = self._protection_polls
        return NOTHING

    def _resolve_off(self, sample: Sample) -> Sequence[Finding]:
        """Was it a protection? Say nothing before the protection word was read again."""
        finding = self._off
        if finding is None:
            return NOTHING
        if self._protection_polls == 0:
            self._off = None
            hand = WITHOUT_PROTECTION_BITS
            return (self._less_sure(finding, hand),)
        word = sample.counts.get("protection")
        if word is None:
            self._off_wait -= 1
            if self._off_wait > 0:
                return NOTHING
            self._off = None
            return (self._less_sure(finding, WITHOUT_PROTECTION_BITS),)
        self._off = None
        return NOTHING if any(True for _ in bit_names(self._device, "protection", word)) else (finding,)

    def _less_sure(self, finding: Finding, confidence: float) -> Finding:
        return Finding(
            finding.kind, finding.device, finding.severity, finding.onset, finding.message, momentary=True, confidence=confidence,
            alternatives={"load_trip": round(1.0 - confidence, 4)}, evidence=finding.evidence,
        )  # fmt: skip

    def _setpoint(self, sample: Sample, context: Context) -> Sequence[Finding]:
        value = usable(sample, "setpoint")
        if value is None:
            return NOTHING
        before = self._change(sample, "setpoint", value)
        if before is None or abs(value - before[0]) <= self._smallest:
            return self._rest(sample, value)
        if self._is_ours(context, before, sample, value):
            return self._rest(sample, value)
        mode = status_name(self._device, sample, "mode") or ""
        if self._knob is None:
            self._knob = (before[0], SETPOINT_UNIT.get(mode, ""))
            self._changes = 0
        self._changes += 1
        self._quiet_polls = 0
        self._quiet.start(sample.stamp.t_utc_ns)
        return (self._knob_finding(onset_since(before[1], sample), value, mode),)

    def _is_ours(self, context: Context, before: tuple[float, Stamp, Stamp], sample: Sample, value: float) -> bool:
        orders = self._orders(context, "setpoint", before, sample)
        if not orders:
            return orders is None
        bound = 2.0 * self._smallest + 1e-6 * abs(value) + self._carried_out_within(sample, value)
        return any(abs(order.value - value) <= bound for order in orders)

    def _carried_out_within(self, sample: Sample, value: float) -> float:
        """How far a set-point may lie beside what was ordered: the accuracy of what it sets, in the mode's unit."""
        mode = status_name(self._device, sample, "mode") or ""
        if mode == "cr":  # the ratio of two
            shares = (
                self._bound(name, sample.values.get(name)) / at for name in ("voltage_v", "current_a") if (at := sample.values.get(name))
            )
            return abs(value) * math.fsum(map(abs, shares))
        return self._bound(REGULATED[mode], value) if mode in REGULATED else 0.0

    def _bound(self, name: str, value: float | None) -> float:
        channel = self._device.channel(name)
        return channel.accuracy.half_width(value) if channel is not None and channel.accuracy and value is not None else 0.0

    def _rest(self, sample: Sample, value: float) -> Sequence[Finding]:
        if self._knob is None:
            return NOTHING
        self._quiet_polls += 1
        if self._quiet.tick(sample.stamp.t_utc_ns) < QUIET_S or self._quiet_polls < QUIET_POLLS:
            return NOTHING
        onset = Onset(begin_ns(sample), end_ns(sample))
        finding = self._knob_finding(onset, value, status_name(self._device, sample, "mode") or "", clear=True)
        self._knob = None
        return (finding,)

    def _knob_finding(self, onset: Onset, value: float, mode: str, clear: bool = False) -> Finding:
        start, unit = self._knob or (value, "")
        text = f"{self._device.name}: set-point changed from {start:.6g} to {value:.6g} {unit}".rstrip() + " without an order of ours"
        evidence = {"from": start, "to": value, "unit": unit, "mode": mode, "changes": self._changes}
        return Finding("setpoint_changed", self._device.name, Severity.WARNING, onset, text, clear=clear, evidence=evidence)

    def _momentary(self, kind: str, onset: Onset, text: str, evidence: dict[str, str]) -> Finding:
        return Finding(kind, self._device.name, Severity.WARNING, onset, text, momentary=True, evidence=evidence)
