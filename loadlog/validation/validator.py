"""One `Validator` per device: every check of one poll, in one pass over its channels.

Decisions that the reader of a sample must know:

- ``counts`` holds what was read in *this* poll and nothing else, sentinels included; that is what the store keeps. ``values`` and
  ``status`` also hold slow channels at their last reading (``held``); held values are no new measurement.
- A departure that nothing explains marks its *first* sample ``possible_spike`` (`rules.SpikeRule`); explained is one that another channel
  or a status channel makes in the same poll.
- A reading that departs from the set-point does not make the reading less true: the *set-point* is marked ``off_setpoint``. As a rule the
  source cannot deliver, or the knob was turned and the slow set-point is not read again yet.
- ``identity_changed`` makes everything read bad until the expected identity (configured, else the first seen) answers again.
- An instant comes from the source timestamps (UTC) only, so the same counts give the same sample in a replay.

Numbers outside the profile's channels are ignored: nobody could tell their unit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.quantity import REGULATED, product_bound, standard_uncertainty
from loadlog.model.sample import PollFailure, Quality, Reading, Sample, sample_of
from loadlog.validation.reasons import REASONS
from loadlog.validation.rules import FrozenRule, SpikeRule, rate_rule_for

_ELECTRICAL = ("voltage_v", "current_a", "power_w")
_SPIKE_UNITS = ("V", "A", "W", "Ω", "°C")  # others, such as a fan's speed, are switched in steps
_IS_BAD = {name: reason.quality is Quality.BAD for name, reason in REASONS.items()}
STALE_DUE_TIMES = 2.5  # older than twice the due time, and half a due time for a late poll
_POWER_MISMATCH_SETTLE = 1  # polls after a step in which V, I and P may come from different averaging windows


class _Channel:
    """One channel's spec, last reading and rules."""

    __slots__ = ("count", "due_ns", "frozen", "high", "low", "rate", "reason", "spec", "spike", "stepped", "t_ns", "uncertainty", "value")

    def __init__(self, spec: ChannelSpec, device: DeviceSpec) -> None:
        self.spec = spec
        self.due_ns = int(spec.every * device.period_s * 1e9)
        self.count: int | None = None
        self.value: float | None = None
        self.uncertainty = 0.0
        self.reason = "no_value_yet"
        self.t_ns = 0
        self.stepped = False
        number = spec.kind == "number"
        self.spike = SpikeRule(spec) if number and spec.unit in _SPIKE_UNITS else None
        self.frozen = FrozenRule(device.period_s) if number and spec.name in _ELECTRICAL and spec.every == 1 else None
        current, power = device.channel("current_a"), device.channel("power_w")
        self.rate = rate_rule_for(spec, current.high if current else None, power.high if power else None) if number else None

    def bound(self) -> float:
        """The accuracy's half-width at the present value; half a count without a specification."""
        spec = self.spec
        if spec.accuracy is None or self.value is None:
            return 0.5 * spec.resolution
        return spec.accuracy.half_width(self.value)

    def take(self, count: int | None, why: str, t_ns: int) -> None:
        """A fresh reading: value, uncertainty and the checks that need no other channel."""
        before, self.count, self.t_ns = self.count, count, t_ns
        self.stepped = False
        spec = self.spec
        if count is None:
            self.value = None
            self.reason = why if why in REASONS else "undecodable"
        elif spec.kind != "number":
            self.value = None
            self.reason = "unknown_code" if spec.kind == "enum" and spec.names and count not in spec.names else ""
        elif count in spec.sentinels:
            self.value = None
            self.reason = "sentinel"
        else:
            value = self.value
            if value is None or count != before:  # a count that stays has the same value and uncertainty
                self.value = value = spec.scale.value(count)
                self.uncertainty = standard_uncertainty(value, spec.accuracy, spec.resolution)
            self.reason = self._judge(value, count, t_ns)

    def reason_when_held(self, t_ns: int) -> str:
        """The mark of the last reading in a poll that did not read it; a spike was that reading's alone."""
        reason = "" if self.reason == "possible_spike" else self.reason
        if self.t_ns and not reason and not -self.due_ns <= t_ns - self.t_ns <= self.due_ns * STALE_DUE_TIMES:
            return "stale"
        return reason

    def _judge(self, value: float, count: int, t_ns: int) -> str:
        spec = self.spec
        frozen = self.frozen is not None and self.frozen.update(count)
        too_fast = self.rate is not None and self.rate.too_fast(value, t_ns)
        if (spec.possible_low is not None and value < spec.possible_low) or (spec.possible_high is not None and value > spec.possible_high):
            return "impossible"
        bound = self.bound()
        self.stepped = self.spike is not None and self.spike.departs(value, bound)
        if (spec.low is not None and value < spec.low - bound) or (spec.high is not None and value > spec.high + bound):
            return "beyond_rating"
        return "frozen" if frozen else "too_fast" if too_fast else ""


class Validator:
    """Judges the polls of one device in their order."""

    def __init__(self, device: DeviceSpec) -> None:
        self.device = device
        self._channels = {spec.name: _Channel(spec, device) for spec in device.channels}
        self._numbers = tuple(c for c in self._channels.values() if c.spec.kind == "number")
        self._states = tuple(c for c in self._channels.values() if c.spec.kind != "number")
        self._essential = _essential(device)
        self._identity: dict[str, str] = dict(device.identity)
        self._wrong_identity = ""
        self._electrical_quiet = 0
        self._rest = (0.0, 0.0)  # V and A since it is quiet
        self._mode_names = {n: name.lower() for n, name in mode.names.items()} if (mode := device.channel("mode")) else {}

    def update(self, item: Reading | PollFailure, seq: int) -> Sample:
        """The sample of one poll. Never raises for what an instrument answers."""
        if isinstance(item, PollFailure):
            return Sample(seq, item.device, item.stamp, Quality.BAD, {}, {}, {}, failure=item.cause, detail=item.detail)
        fresh = self._take_all(item)
        self._check_identity(item, fresh)
        self._check_spikes(fresh)
        self._check_power(fresh)
        self._check_setpoint()
        return self._sample(item, seq, fresh)

    def _take_all(self, item: Reading) -> set[str]:
        fresh = set()
        t_ns = item.stamp.t_utc_ns
        for name, count in item.counts.items():
            channel = self._channels.get(name)
            if channel is not None:
                before = channel.count
                channel.take(count, item.reasons.get(name, ""), t_ns)
                channel.stepped = channel.stepped or (channel.spec.kind != "number" and before is not None and count != before)
                fresh.add(name)
        return fresh

    def _check_identity(self, item: Reading, fresh: set[str]) -> None:
        """Texts against those expected or first seen. A poll without identity keeps the last verdict."""
        if item.texts:
            wrong = [n for n, text in item.texts.items() if self._identity.setdefault(n, text) != text]
            self._wrong_identity = "; ".join(f"{n}: expected {self._identity[n]!r}, found {item.texts[n]!r}" for n in wrong)
        # In a replay the reason comes with the reading: texts are not stored, the verdict is.
        if self._wrong_identity or "identity_changed" in item.reasons.values():
            for name in fresh:
                self._channels[name].reason = "identity_changed"

    def _check_spikes(self, fresh: set[str]) -> None:
        stepped = [c for n in fresh if (c := self._channels[n]).stepped]
        if not stepped:
            return
        for channel in self._channels.values():
            if channel.frozen is not None:
                channel.frozen.restart()  # noise belongs to the operating point
        witnesses = [c for c in stepped if c.spec.name != "power_w"]  # power follows the others and explains neither
        for channel in stepped:
            if channel.spike is None or channel.value is None:
                continue
            explained = len(witnesses) > 1 or (len(witnesses) == 1 and channel is not witnesses[0] and witnesses[0].spike is None)
            if explained:
                channel.spike.accept(channel.value)
            elif channel.spike.flag(channel.value) and not channel.reason:
                channel.reason = "possible_spike"

    def _check_power(self, fresh: set[str]) -> None:
        """P against V·I within the combined bounds, at rest: during a step the three may come from different averaging windows, and a mean
        of V·I is not the product of means that still move by more than their bounds."""
        if not fresh.issuperset(_ELECTRICAL):
            return
        v, i, p = (self._channels[n] for n in _ELECTRICAL)
        moved = v.stepped or i.stepped or p.stepped
        if v.value is not None and i.value is not None:
            rest_v, rest_a = self._rest
            if moved or abs(v.value - rest_v) > v.bound() or abs(i.value - rest_a) > i.bound():
                self._rest, moved = (v.value, i.value), True
        self._electrical_quiet = 0 if moved else self._electrical_quiet + 1
        if (
            v.value is None
            or i.value is None
            or p.value is None
            or p.reason
            or _IS_BAD.get(v.reason)
            or _IS_BAD.get(i.reason)
            or self._electrical_quiet <= _POWER_MISMATCH_SETTLE
        ):
            return
        bound = p.bound() + product_bound(v.value, v.bound(), i.value, i.bound()) + p.spec.resolution
        if abs(p.value - v.value * i.value) > bound:
            p.reason = "power_mismatch"

    def _check_setpoint(self) -> None:
        setpoint, mode, input_on = (self._channels.get(n) for n in ("setpoint", "mode", "input_on"))
        if setpoint is None or mode is None or input_on is None or setpoint.value is None or input_on.count != 1:
            return
        if setpoint.reason not in ("", "off_setpoint"):
            return
        channel = self._channels.get(REGULATED.get(self._mode_names.get(mode.count or 0, ""), ""))
        if channel is None or channel.value is None or (channel.reason and channel.reason != "possible_spike"):
            return
        bound = 2.0 * channel.bound() + channel.spec.resolution + setpoint.bound()
        setpoint.reason = "off_setpoint" if abs(channel.value - setpoint.value) > bound else ""

    def _sample(self, item: Reading, seq: int, fresh: set[str]) -> Sample:
        t_ns = item.stamp.t_utc_ns
        values: dict[str, float | None] = {}
        uncertainty: dict[str, float] = {}
        status: dict[str, int] = {}
        marks: dict[str, str] = {}
        held = []
        for name, channel in self._channels.items():
            reason = channel.reason
            if name not in fresh:
                reason = channel.reason_when_held(t_ns)
                if channel.t_ns:
                    held.append(name)
            if channel.spec.kind == "number":
                values[name] = channel.value
                if channel.value is not None:
                    uncertainty[name] = channel.uncertainty
            elif channel.count is not None:
                status[name] = channel.count
            if reason:
                marks[name] = reason
        bad = frozenset(n for n, reason in marks.items() if _IS_BAD[reason])
        counts = {n: c for n, c in item.counts.items() if n in fresh}
        quality, detail = _worst(self._essential, marks), self._wrong_identity
        return sample_of(seq, item.device, item.stamp, quality, counts, values, status, uncertainty, marks, bad, frozenset(held), detail)


def _worst(essential: tuple[str, ...], marks: Mapping[str, str]) -> Quality:
    worst = Quality.GOOD
    for name in essential:
        if name in marks:
            worst = max(worst, Quality.BAD if _IS_BAD[marks[name]] else Quality.UNCERTAIN)
    return worst


def _essential(device: DeviceSpec) -> tuple[str, ...]:
    """Voltage, current and power where the device has them; a thermometer's temperatures; else every number that is read each poll."""
    numbers = [c for c in device.channels if c.kind == "number"]
    if device.role == "thermometer":
        chosen = [c.name for c in numbers if c.unit == "°C"]
    else:
        chosen = [c.name for c in numbers if c.name in _ELECTRICAL]
    return tuple(chosen or [c.name for c in numbers if c.every == 1 and math.isfinite(c.resolution)])
