"""`limit` and `over_temperature`: a channel beyond a configured limit or, for temperatures, beyond its rating.

Physical cause: whatever moves the measurand; the limit is the user's, the rating the instrument's.
Rule (ISA-18.2 / IEC 62682): raised when every usable reading was beyond the limit for at least the on-delay; cleared when every usable
reading was back beyond the deadband for at least the off-delay. Both delays count time that was watched, by source timestamps: a gap counts
with at most three due times of the channel, so neither an outage nor a step of the clock raises or clears anything by itself. Without a
delay the first usable reading beyond counts. One event per limit: low-low and low are two. Equal to the limit is not beyond it.
Units: the channel's; delays in s. For temperatures, high and high-high raise `over_temperature` instead of `limit`, as does the rating,
which has a deadband of 1 K or two counts, whichever is more (common practice against chatter).
Confusions: a single spike (validation marks it ``possible_spike``, it is not usable), a frozen or stale reading (not usable).
Expected false alarms: none of its own; a measurand that stands at its limit crosses it by noise, against which deadband and on-delay are
there.
Onset: around the first crossing, not the end of the on-delay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from loadlog.detectors.base import NOTHING, Context, Stateless, Watched, onset_since, usable
from loadlog.model.device import ChannelSpec, DeviceSpec, LimitSpec
from loadlog.model.event import Event, Finding, Severity
from loadlog.model.sample import Sample, Stamp

LONGEST_GAP_DUE_TIMES = 3.0
RATING_DEADBAND_K = 1.0
_ROUNDING = 1e-9  # of the difference of two decimal fractions; far below a count
_SIDES = (("low_low", -1), ("low", -1), ("high", 1), ("high_high", 1))
_WORDS = {"low_low": "low-low limit", "low": "low limit", "high": "high limit", "high_high": "high-high limit", "rating": "rating"}


@dataclass(frozen=True, slots=True)
class _Bound:
    """``side`` +1: beyond is above."""

    key: str
    word: str
    kind: str
    severity: Severity
    side: int
    value: float


class _Watch:
    """State of one limit."""

    __slots__ = ("_last_inside", "_last_outside", "_since", "_turning", "active", "bound", "spec", "unit", "worst")

    def __init__(self, bound: _Bound, spec: LimitSpec, unit: str, longest_s: float) -> None:
        self.bound, self.spec, self.unit = bound, spec, unit
        self.active = False
        self.worst = bound.value
        self._turning = Watched(longest_s)
        self._since: Sample | None = None  # first sample of the run that may turn the state
        self._last_inside: Stamp | None = None
        self._last_outside: Stamp | None = None

    def update(self, sample: Sample, value: float, device: str) -> Finding | None:
        excess = (value - self.bound.value) * self.bound.side
        turned = excess <= _ROUNDING - self.spec.deadband if self.active else excess > 0
        if excess > 0 and (self.active or self._since is not None):
            self.worst = max(self.worst, value) if self.bound.side > 0 else min(self.worst, value)
        if not turned:
            self._since = None
            if self.active:
                self._last_outside = sample.stamp
            else:
                self._last_inside = sample.stamp
            return None
        if self._since is None:
            self._since = sample
            self._turning.start(sample.stamp.t_utc_ns)
            if not self.active:
                self.worst = value
        delay_s = self.spec.off_delay_s if self.active else self.spec.on_delay_s
        if self._turning.tick(sample.stamp.t_utc_ns) < delay_s:
            return None
        return self._turn(sample, value, device)

    def _turn(self, sample: Sample, value: float, device: str) -> Finding:
        first = self._since or sample
        bound = self.bound
        clear = self.active
        onset = onset_since(self._last_outside if clear else self._last_inside, first)
        if clear:
            self._last_inside = sample.stamp
        else:
            self._last_outside = sample.stamp
        self.active, self._since = not clear, None
        channel, _, _ = bound.key.rpartition(".")
        where = f"{bound.value:g} {self.unit}".strip()
        text = (
            f"{device}: {channel} back within its {bound.word} {where}" if clear else f"{device}: {channel} beyond its {bound.word} {where}"
        )
        evidence = {"channel": channel, "limit": bound.value, "value": value, "worst": self.worst, "unit": self.unit}
        return Finding(bound.kind, device, bound.severity, onset, text, key=bound.key, clear=clear, evidence=evidence)


class Limits(Stateless):
    """All limits of one device."""

    KINDS: ClassVar[tuple[str, ...]] = ("limit", "over_temperature")

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._watches: dict[str, list[_Watch]] = {}
        for channel in device.channels:
            watches = _watches_of(channel, limit_of(device, channel.name), device.period_s)
            if watches:
                self._watches[channel.name] = watches

    def restore(self, event: Event) -> None:
        """The limit was crossed when the service stopped; it clears when the reading is back."""
        for watch in (w for watches in self._watches.values() for w in watches):
            if watch.bound.key == event.key and watch.bound.kind == event.kind:
                watch.active = True
                watch.worst = float(event.evidence.get("worst", watch.worst))

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None or not self._watches:
            return NOTHING
        found: Sequence[Finding] = NOTHING
        held = sample.held
        for channel, watches in self._watches.items():
            if channel in held or (value := usable(sample, channel)) is None:
                continue
            for watch in watches:
                finding = watch.update(sample, value, self._device.name)
                if finding is not None:
                    found = [*found, finding]
        return found


def limit_of(device: DeviceSpec, channel: str) -> LimitSpec | None:
    """The configured limits of a channel; the configuration may name it with or without its unit (``voltage`` for ``voltage_v``)."""
    return device.limits.get(channel) or device.limits.get(channel.rpartition("_")[0])


def _watches_of(channel: ChannelSpec, limits: LimitSpec | None, period_s: float) -> list[_Watch]:
    longest_s = LONGEST_GAP_DUE_TIMES * period_s * channel.every
    watches = []
    is_temperature = channel.unit == "°C"
    for name, side in _SIDES if limits is not None and channel.kind == "number" else ():
        value = getattr(limits, name)
        if value is None or limits is None:
            continue
        kind = "over_temperature" if is_temperature and side > 0 else "limit"
        severity = Severity.ALARM if name in ("low_low", "high_high") else Severity.WARNING
        watches.append(_Watch(_Bound(f"{channel.name}.{name}", _WORDS[name], kind, severity, side, value), limits, channel.unit, longest_s))
    if is_temperature and channel.high is not None:
        bound = _Bound(f"{channel.name}.rating", _WORDS["rating"], "over_temperature", Severity.ALARM, 1, channel.high)
        spec = LimitSpec(deadband=max(RATING_DEADBAND_K, 2 * channel.resolution))
        watches.append(_Watch(bound, spec, channel.unit, longest_s))
    return watches
