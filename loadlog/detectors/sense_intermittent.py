"""`sense_intermittent`: a sense lead that makes contact now and then, told as one event with a count.

Physical cause: a loose terminal, a broken strand, a probe clip that moves with the cable. Each time the contact opens, the load measures at
its own terminals, lower by I·R_path, and comes back when it closes.
Rule, for a load with remote sense in CC at a steady current: against the level of the closed contact (a line through about the last
`LEVEL_MEMORY` samples that lie near it; it moves with the open contact's level while that lasts, as a battery sags on; forgotten when the
current moves by more than its noise) a sample is *low* when it lies below by five deviations and by half of I·R_path (configured or
learned; while nothing is known eight deviations, and half of what the excursions so far had). An excursion is one low sample or more, with
most of the drop within two polls; it counts in full when a second low sample agrees with the first, else for a third, since a single sample
may be noise. `EXCURSIONS` in full within `WINDOW_S` are the event, when their depths agree as the noise allows (one path has one
resistance; 8 % for contacts) and at most an eighth as many samples stand out upwards. While it is active, `SenseFallback`'s findings are
swallowed: one cause is one event; the count is renewed at every doubling. It ends after a minute, or five mean intervals, without another
excursion; a lead that stays off then is told as `sense_fallback`.
Units: V, A, s. Limits: excursions shorter than a poll are seen by chance only: the count is a lower bound.
Confusions, and how they are told apart: a battery that sags faster than the level follows (it does not fall at once); a hiccup of the
source or the load (the current moves, or the voltage falls by 30 % and more); noise (upwards as often as downwards, depths that differ);
another load that pulses on the same source: the other devices of the group see the dips too, where there are any; else `supply_droop` is
named. Its probability is that of one step as deep as the excursions on average (`sense_causes`): as many loose leads to dipping sources as
leads that fall off to sources that step, and all excursions of one cause are equally deep under either, so their number tells nothing.
Expected false alarms: none in Gaussian noise: pairs of samples beyond five deviations, three times, and none upwards. Onset: from the last
sample before the first excursion to its first low sample. Source: circuit theory; common practice, no clause.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, ClassVar

from loadlog.detectors.base import NOTHING, Context, begin_ns, end_ns, onset_between
from loadlog.detectors.sense import SenseFallback
from loadlog.detectors.sense_causes import path_prior, probability_of_lead
from loadlog.detectors.statistics import Moments, Trend
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.learned import Learned
from loadlog.model.sample import Sample

EXCURSIONS, WINDOW_S, KEPT = 3, 600.0, 16
NEAR, LOW, UNKNOWN_LOW = 3.0, 5.0, 8.0  # deviations
DEPTH_SPREAD, DEPTH_DEVIATIONS = 0.08, 1.5  # of the depths: contacts and copper; noise
AT_ONCE = 0.7  # of the drop, within two polls
SINGLE = 1.0 / 3.0  # weight of an excursion of one sample
MEMORY, READY = 100, 20  # samples, of the noise
LEVEL_MEMORY, LOW_MEMORY = 60, 8  # samples, of the closed contact's level and of the open one's
COLLAPSED = 0.7
QUIET_S, QUIET_INTERVALS = 60.0, 5.0
LEAST_COUNTS = 50.0  # of current
STEADY_SHARE = 0.02
STEADY_COUNTS, STEADY_STEPS = 4.0, 6.0  # counts; mean steps from poll to poll, each 1.13 deviations of white noise
STALE_S = 120.0  # low for so long: another level
PEER_SHARE = 0.5


class _Level:
    """Level, slope and deviation of the closed contact; while it is open, carried along with the level of the open one."""

    __slots__ = ("_differences", "_last", "_open", "_trend", "quantum", "strangers")

    def __init__(self, quantum: float) -> None:
        self.quantum = quantum
        self.restart()

    def restart(self) -> None:
        self._trend, self._differences = Trend(LEVEL_MEMORY), Moments(MEMORY)
        self._last: float | None = None
        self._open: Moments | None = None
        self.strangers = 0.0  # values in succession that were too far off to count, negative for those below

    @property
    def n(self) -> int:
        """Samples that it is known from."""
        return self._trend.n

    @property
    def expected(self) -> float:
        """What the next sample would be."""
        return self._trend.level + self._trend.slope

    @property
    def variance(self) -> float:
        """From successive differences, rounding included, so a level that creeps widens nothing."""
        return 0.5 * self._differences.mean + self.quantum * self.quantum / 12.0

    @property
    def deviation(self) -> float:
        """Its root."""
        return math.sqrt(self.variance)

    def update(self, v: float) -> None:
        """A value of the level."""
        if self._last is not None:
            self._differences.update((v - self._last - self._trend.slope) ** 2)
        self._trend.update(v)
        self._last, self.strangers = v, 0.0

    def doubt(self, v: float, counts: bool) -> None:
        """A value that may not be the level's; one that ``counts`` does so with three deviations (far ones do not: in a burst of noise the
        low ones do not either). The next does not follow it."""
        self._last = None
        side = math.copysign(1.0, v - self.expected)
        self.strangers = 0.0 if counts else side + (self.strangers if side * self.strangers > 0.0 else 0.0)
        if counts:
            self._trend.update(self.expected + math.copysign(NEAR * self.deviation, v - self.expected))

    def sagged(self, v: float) -> None:
        """The level has moved here by and by, faster than it was followed."""
        self._last, self._trend.level = None, v

    def opened(self) -> None:
        """The contact is open from the next value of `follow` on."""
        self._last, self._open = None, Moments(LOW_MEMORY)

    def follow(self, v: float) -> None:
        """A value of the open contact."""
        if self._open is None:
            return
        was = self._open.mean
        self._open.update(v)
        known = self._open.n > LOW_MEMORY
        self._trend.level += self._open.mean - was if known else self._trend.slope


@dataclass(slots=True)
class _Excursion:
    """``ohm``: its first sample's depth over the current; ``weight``: how much it counts."""

    t_ns: int
    onset: Onset
    ohm: float
    drop_v: float
    weight: float = SINGLE


class SenseIntermittent:
    """`SenseFallback` of one load, and excursions that repeat."""

    KINDS: ClassVar[tuple[str, ...]] = (*SenseFallback.KINDS, "sense_intermittent")

    __slots__ = (
        "_active", "_count", "_current_a", "_depth_ohm", "_device", "_fallback", "_first", "_inner", "_last", "_last_a", "_last_two",
        "_least_a", "_level", "_low_since", "_probability", "_since", "_starts", "_steps_a", "_told", "_ups",
    )  # fmt: skip

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._inner = SenseFallback(device)
        voltage, current = device.channel("voltage_v"), device.channel("current_a")
        assert voltage is not None  # `applies` says so
        assert current is not None
        self._level = _Level(voltage.resolution)
        self._least_a = LEAST_COUNTS * current.resolution
        self._current_a = 0.0
        self._last_a: float | None = None
        self._steps_a = Moments(MEMORY)  # of the current between polls
        self._last: Sample | None = None
        self._low_since: int | None = None
        self._first: Onset | None = None
        self._starts: list[_Excursion] = []  # of these and the next the last `KEPT`; lists, since an empty deque takes a whole block
        self._last_two: tuple[float, ...] = ()  # voltages
        self._ups: list[int] = []
        self._count = self._told = 0
        self._active = False
        self._depth_ohm: float | None = None  # while active, as the next
        self._probability = 0.0
        self._fallback: Finding | None = None  # what `SenseFallback` says at present
        self._since: Onset | None = None

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """As `SenseFallback`."""
        return SenseFallback.applies(device)

    def restore(self, event: Event) -> None:
        """It was active when the service stopped."""
        if event.kind == "sense_intermittent":
            self._active, self._since = True, event.onset
            self._count = self._told = int(event.evidence.get("count", EXCURSIONS))
            self._depth_ohm = float(event.evidence.get("path_resistance_ohm", 0.0)) or None
            self._probability = event.confidence
        else:
            self._inner.restore(event)

    def learned(self) -> Sequence[Learned]:
        """As `SenseFallback`."""
        return self._inner.learned()

    def recall(self, known: Mapping[str, Learned]) -> None:
        """As `SenseFallback`."""
        self._inner.recall(known)

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        inner = self._inner.update(sample, context)
        for finding in inner:
            if finding.kind == "sense_fallback":
                self._fallback = None if finding.clear else finding
        own = self._watch(sample, context)
        if not own:
            return NOTHING if self._active else inner
        joined = [f for f in inner if not self._active]
        return [*joined, *own]

    # -- excursions

    def _watch(self, sample: Sample, context: Context) -> Sequence[Finding]:
        if sample.failure is not None:
            self._last_two = ()
            return NOTHING
        before, self._last = self._last, sample
        v, i = context.measured(sample)
        if v is None or i is None:
            self._last_two = ()
            return NOTHING
        found = self._see(sample, before, v, i, context)
        self._last_two = (*self._last_two[-1:], v)
        return found

    def _see(self, sample: Sample, before: Sample | None, v: float, i: float, context: Context) -> Sequence[Finding]:
        if (
            context.mode(sample) not in (None, "cc")
            or sample.status.get("input_on", 1) == 0
            or abs(i) < self._least_a
            or self._moved(abs(i))
        ):
            self._forget(abs(i))
            return self._quiet(sample)
        level = self._level
        expected = level.expected
        drop = expected - v
        if level.n < READY:
            level.update(v)
            return self._quiet(sample) if self._active else NOTHING
        if drop * drop <= NEAR * NEAR * level.variance:
            level.update(v)
            self._low_since = None
            return self._quiet(sample) if self._active else NOTHING
        deviation = level.deviation
        if drop > LOW * deviation and v > COLLAPSED * expected and drop > self._least_drop(abs(i), deviation):
            return self._low(sample, before, drop, drop / abs(i), context)
        self._low_since = None
        level.doubt(v, abs(drop) < LOW * deviation)
        if abs(level.strangers) >= READY:  # no noise stays on one side for so long: the level is another one
            if level.strangers > 0.0:
                self._ups.pop()
            self._forget(abs(i))
        elif level.strangers == 1.0:
            self._ups.append(sample.stamp.t_utc_ns)
            del self._ups[:-KEPT]
        return self._quiet(sample)

    def _moved(self, current_a: float) -> bool:
        """By more than its noise: a soft source follows a step of one per cent by as much as a path's drop."""
        moved, steps = abs(current_a - self._current_a), self._steps_a
        if self._last_a is not None:
            steps.update(min(abs(current_a - self._last_a), self._least_a))
        self._last_a = current_a
        bound = STEADY_SHARE * self._current_a + 0.4 * self._least_a
        if steps.n >= READY:
            bound = min(bound, STEADY_COUNTS * self._least_a / LEAST_COUNTS + STEADY_STEPS * steps.mean)
        return moved > bound

    def _forget(self, current_a: float) -> None:
        self._level.restart()
        self._current_a = current_a
        self._low_since = None

    def _least_drop(self, current_a: float, deviation: float) -> float:
        if self._depth_ohm is not None:
            return 0.5 * self._depth_ohm * current_a
        ohm = self._device.path_resistance_ohm
        if ohm is None:
            ohm = next((f.value for f in self._inner.learned() if f.name == "path_resistance_ohm" and f.value), None)
        if ohm is None:
            seen = sorted(start.ohm for start in self._starts)
            return max(UNKNOWN_LOW * deviation, 0.5 * seen[len(seen) // 2] * current_a if len(seen) >= EXCURSIONS else 0.0)
        return 0.5 * ohm * current_a

    def _low(self, sample: Sample, before: Sample | None, drop_v: float, ohm: float, context: Context) -> Sequence[Finding]:
        t_ns = sample.stamp.t_utc_ns
        level = self._level
        v = level.expected - drop_v
        if self._low_since is not None:
            level.follow(v)
            if t_ns - self._low_since > STALE_S * 1e9:
                self._forget(self._current_a)
                return NOTHING
            latest = self._starts[-1] if self._starts else None
            if latest is not None and latest.weight < 1.0 and abs(drop_v - latest.drop_v) <= NEAR * math.sqrt(2.0) * level.deviation:
                latest.weight = 1.0
                return NOTHING if self._active else self._judge(t_ns, context)
            return NOTHING
        if not self._fell_at_once(v, drop_v):
            level.sagged(v)
            return self._quiet(sample)
        self._low_since = t_ns
        level.opened()
        level.follow(v)
        self._starts.append(_Excursion(t_ns, onset_between(before, sample), ohm, drop_v))
        del self._starts[:-KEPT]
        if self._active:
            self._count += 1
            return (self._finding(),) if self._count >= 2 * self._told else NOTHING
        return self._judge(t_ns, context)

    def _fell_at_once(self, v: float, drop_v: float) -> bool:
        """Most of the drop lies within two polls, of which one may have averaged over the instant: a contact opens at once, a source that
        sags gets there by and by."""
        return max(self._last_two, default=math.inf) - v >= AT_ONCE * drop_v

    def _judge(self, t_ns: int, context: Context) -> Sequence[Finding]:
        recent = [s for s in self._starts if 0 <= t_ns - s.t_ns <= WINDOW_S * 1e9]
        if math.fsum(s.weight for s in recent) < EXCURSIONS - 1e-9:
            return NOTHING
        depths = Moments()
        for start in recent:
            depths.update(start.ohm)
        ups = sum(1 for up in self._ups if 0 <= t_ns - up <= WINDOW_S * 1e9)
        allowed = DEPTH_SPREAD * depths.mean + DEPTH_DEVIATIONS * self._level.deviation / max(self._current_a, self._least_a)
        if math.sqrt(depths.variance) > allowed or 8 * ups > len(recent):
            return NOTHING
        if self._others_see_it(depths.mean, context):
            self._starts.clear()
            return NOTHING
        self._active, self._count, self._since = True, len(recent), recent[0].onset
        self._depth_ohm = depths.mean
        self._probability = self._probability_of_lead(depths)
        findings = [self._finding()]
        if self._fallback is not None:
            text = f"{self._device.name}: the sense lead comes and goes"
            evidence = {"joined_in": "sense_intermittent"}
            findings.insert(0, replace(self._fallback, message=text, clear=True, evidence=evidence))
        return findings

    def _probability_of_lead(self, depths: Moments) -> float:
        """Rather than of a source that dips; what was learned of R_path is no witness, since it may stem from these very excursions."""
        prior = path_prior(self._device.path_resistance_ohm, None)
        uncertainty_v = self._level.deviation / math.sqrt(depths.n)
        return probability_of_lead(depths.mean * self._current_a, uncertainty_v, self._current_a, self._level.expected, prior, ())

    def _others_see_it(self, ohm: float, context: Context) -> bool:
        """Another device of the group sees such dips too, between two of its polls: they are the source's."""
        drop = PEER_SHARE * ohm * self._current_a
        for peer in context.peers.values():
            seen = [v for s in peer.recent if (v := s.usable_v(spikes=True)) is not None]
            if len(seen) >= 8 and max(a - b for a, b in pairwise(seen)) > drop:
                return True
        return False

    def _finding(self) -> Finding:
        self._told = self._count
        depths = sorted(start.ohm for start in self._starts) or [0.0]
        ohm = depths[len(depths) // 2]
        known = self._device.path_resistance_ohm
        confidence = round(self._probability, 4)
        evidence: dict[str, Any] = {
            "count": self._count, "step_v": round(-ohm * self._current_a, 6), "current_a": round(self._current_a, 6),
            "path_resistance_ohm": round(ohm, 6),
        }  # fmt: skip
        if known is not None:
            evidence["expected_step_v"] = round(-known * self._current_a, 6)
        text = f"{self._device.name}: the sense lead comes and goes, {self._count} times so far, {-ohm * self._current_a:+.4g} V each"
        onset = self._since or Onset(0, 0)
        return Finding(
            "sense_intermittent", self._device.name, Severity.ALARM, onset, text, confidence=confidence,
            alternatives={"supply_droop": round(1.0 - confidence, 4)}, evidence=evidence,
        )  # fmt: skip

    def _quiet(self, sample: Sample) -> Sequence[Finding]:
        """No excursion for long enough: over."""
        if not self._active:
            return NOTHING
        t_ns = sample.stamp.t_utc_ns
        last_ns = self._starts[-1].t_ns if self._starts else (self._since.latest_utc_ns if self._since else t_ns)
        span_s = (last_ns - self._since.latest_utc_ns) / 1e9 if self._since else 0.0
        wait_s = max(QUIET_S, QUIET_INTERVALS * span_s / max(self._count - 1, 1))
        if 0 <= t_ns - last_ns < wait_s * 1e9:
            return NOTHING
        self._active, self._depth_ohm = False, None
        self._starts.clear()
        onset = Onset(begin_ns(sample), end_ns(sample))
        text = f"{self._device.name}: the sense lead came and went {self._count} times"
        over = Finding(
            "sense_intermittent", self._device.name, Severity.ALARM, onset, text, clear=True, evidence={"count": self._count},
        )  # fmt: skip
        return (over, self._fallback) if self._fallback is not None else (over,)
