"""`reading_frozen` and `reading_implausible`: readings that validation does not believe, told as events.

`reading_frozen`: physical cause: an instrument that repeats its last conversion, a display hold. Rule: validation marks the channel
``frozen`` (identical counts for longer than the learned noise makes credible, 0.01 false marks per 1,000 h and channel); active while it
does. Confusion: a quiet, coarse channel, which validation never marks. Onset: from the last different reading to the first of the identical
ones.

`reading_implausible`: physical cause: sensor open, wrong register or word order, damaged input. Rule: ``impossible`` at once; no value
(undecodable, not-a-number, sentinel) three readings in a row on a channel that had values before; power against voltage times current ten
in a row. Over after three believable readings. A channel that never had a value (a thermocouple that is not connected) is no event.
Onset: from the last believable reading to the first that is not. Validation does not judge the power next to a step, so there the last
`UNJUDGED` readings are looked through: what it agreed with then was believable.
Expected false alarms: none at rest; ten readings in a row across ten separate steps would be needed for the power.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import ClassVar

from loadlog.detectors.base import NOTHING, Context, Stateless, finite, onset_since
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.quantity import product_bound
from loadlog.model.sample import Sample, Stamp

READINGS_NEEDED = {"impossible": 1, "sentinel": 3, "undecodable": 3, "not_a_number": 3, "power_mismatch": 10}
READINGS_TO_CLEAR = 3
UNJUDGED = 6
_POWER = ("voltage_v", "current_a", "power_w")
_WORDS = {
    "impossible": "outside of the possible",
    "sentinel": "the instrument says that it has no value",
    "undecodable": "not decodable",
    "not_a_number": "not a number",
    "power_mismatch": "power is not voltage times current",
}


class _Run:
    """One channel: its present count, when that began, and when the last sample was taken at the earliest."""

    __slots__ = ("channel", "count", "earliest_ns", "last_ns", "latest_ns")

    def __init__(self, channel: str) -> None:
        self.channel = channel
        self.count: int | None = None
        self.last_ns: int | None = None
        self.earliest_ns = self.latest_ns = 0


class ReadingFrozen(Stateless):
    """Follows the ``frozen`` marks of one device's electrical channels."""

    KINDS: ClassVar[tuple[str, ...]] = ("reading_frozen",)

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._runs = [_Run(c.name) for c in device.channels if c.kind == "number" and c.every == 1]
        self._active: set[str] = set()

    def restore(self, event: Event) -> None:
        """The channel was frozen when the service stopped; a different reading ends it."""
        self._active.add(event.key)

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        found: list[Finding] | None = None
        counts, marks, active, stamp = sample.counts, sample.uncertain, self._active, sample.stamp
        begin, end = stamp.t_utc_ns - stamp.half_width_ns, stamp.t_utc_ns + stamp.half_width_ns
        for run in self._runs:
            count = counts.get(run.channel)
            if count is None:
                continue
            changed = count != run.count
            if changed:
                run.count = count
                run.earliest_ns = begin if run.last_ns is None else run.last_ns
                run.latest_ns = end
            run.last_ns = begin
            if marks or active:
                frozen = marks.get(run.channel) == "frozen"
                if frozen != (run.channel in active) and (frozen or changed):
                    found = [*(found or ()), self._turn(run, frozen)]
        return found or NOTHING

    def _turn(self, run: _Run, frozen: bool) -> Finding:
        channel, count = run.channel, run.count
        onset = Onset(min(run.earliest_ns, run.latest_ns), run.latest_ns)
        name = self._device.name
        self._active ^= {channel}
        text = f"{name}: {channel} {'is frozen' if frozen else 'moves again'}"
        evidence = {"channel": channel, "counts": count} if frozen else {}
        return Finding("reading_frozen", name, Severity.WARNING, onset, text, key=channel, clear=not frozen, evidence=evidence)


class _Doubt:
    """One channel: how many readings in a row were unbelievable, or believable."""

    __slots__ = ("active", "bad_run", "first", "good_run", "had_value", "is_calm", "last_good")

    def __init__(self) -> None:
        self.active = self.had_value = False
        self.is_calm = False  # a believable reading came last and nothing is to be counted
        self.bad_run = self.good_run = 0
        self.first: Sample | None = None
        self.last_good: Stamp | None = None


class ReadingImplausible(Stateless):
    """Counts unbelievable readings of each number of one device."""

    KINDS: ClassVar[tuple[str, ...]] = ("reading_implausible",)

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._doubts = {c.name: _Doubt() for c in device.channels if c.kind == "number"}
        specs = [device.channel(name) for name in _POWER]
        self._power = [c for c in specs if c is not None] if all(specs) else []
        self._recent: deque[tuple[Stamp, float | None, float | None, float | None]] = deque(maxlen=UNJUDGED)  # V, A, W
        self._power_onset: Onset | None = None

    def restore(self, event: Event) -> None:
        """The channel was unbelievable when the service stopped."""
        doubt = self._doubts.get(event.key)
        if doubt is not None:
            doubt.active = doubt.had_value = True
            doubt.is_calm = False

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        found: list[Finding] = []
        if self._power:
            value = sample.values.get
            self._recent.append((sample.stamp, value("voltage_v"), value("current_a"), value("power_w")))
        marks = sample.uncertain
        doubts = self._doubts
        for channel in sample.counts:
            doubt = doubts.get(channel)
            if doubt is None:
                continue
            reason = marks.get(channel) if marks else None
            if reason is None and doubt.is_calm:
                doubt.last_good = sample.stamp
                continue
            if reason is None or reason not in READINGS_NEEDED:
                finding = self._believable(channel, doubt, sample) if reason is None else None
            else:
                finding = self._unbelievable(channel, doubt, reason, sample)
            if finding is not None:
                found.append(finding)
        return found or NOTHING

    def _believable(self, channel: str, doubt: _Doubt, sample: Sample) -> Finding | None:
        doubt.had_value, doubt.bad_run, doubt.first = True, 0, None
        last, doubt.last_good = doubt.last_good, sample.stamp
        if not doubt.active:
            doubt.is_calm = True
            return None
        doubt.good_run += 1
        if doubt.good_run < READINGS_TO_CLEAR:
            return None
        doubt.active = False
        text = f"{self._device.name}: {channel} is believable again"
        return Finding("reading_implausible", self._device.name, Severity.WARNING, onset_since(last, sample), text, key=channel, clear=True)

    def _unbelievable(self, channel: str, doubt: _Doubt, reason: str, sample: Sample) -> Finding | None:
        doubt.is_calm = False
        doubt.good_run = 0
        doubt.bad_run += 1
        if doubt.first is None:
            doubt.first = sample
            self._power_onset = self._since_when() if reason == "power_mismatch" else None
        no_value = reason in ("sentinel", "undecodable", "not_a_number")
        if doubt.active or doubt.bad_run < READINGS_NEEDED[reason] or (no_value and not doubt.had_value):
            return None
        doubt.active = True
        name = self._device.name
        evidence = {"channel": channel, "reason": reason, "value": finite(sample.values.get(channel))}
        text = f"{name}: {channel} is not believable, {_WORDS[reason]}"
        onset = self._power_onset if reason == "power_mismatch" and self._power_onset else onset_since(doubt.last_good, doubt.first)
        return Finding("reading_implausible", name, Severity.WARNING, onset, text, key=channel, evidence=evidence)

    def _since_when(self) -> Onset | None:
        """Back from the present reading: the last one whose power agreed, and the first of those that do not."""
        first: Stamp | None = None
        for stamp, v, i, p in reversed(self._recent):
            if v is None or i is None or p is None:
                return None
            if self._contradicts(v, i, p):
                first = stamp
            elif first is not None:
                earliest, latest = stamp.t_utc_ns - stamp.half_width_ns, first.t_utc_ns + first.half_width_ns
                return Onset(min(earliest, latest), latest)
        return None

    def _contradicts(self, v: float, i: float, p: float) -> bool:
        v_bound, i_bound, p_bound = (_bound(spec, value) for spec, value in zip(self._power, (v, i, p), strict=True))
        return abs(p - v * i) > p_bound + product_bound(v, v_bound, i, i_bound) + self._power[2].resolution


def _bound(spec: ChannelSpec, value: float) -> float:
    return spec.accuracy.half_width(value) if spec.accuracy else 0.5 * spec.resolution
