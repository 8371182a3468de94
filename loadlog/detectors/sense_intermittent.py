"""`sense_intermittent`: a sense lead that makes contact now and then, told as one event with a count.

Physical cause: a loose terminal, a broken strand, a probe clip that moves with the cable. Each time the contact opens, the load measures at
its own terminals, lower by I·R_path, and comes back when it closes.
Rule, for a load with remote sense at a steady operating point (what it regulates does not move; `sense_modes`), here for CC: against the
level of the closed contact (a line through about the last `LEVEL_MEMORY` samples that lie near it; it moves with the open contact's level
while that lasts, as a battery sags on; forgotten when the current moves by more than its noise) a sample is *low* when it lies below by
five deviations, by `LEAST_STEPS` steps of the converter (`converter`) and by half of I·R_path (configured or learned; while nothing is
known eight deviations, and half of what the excursions so far had). An excursion is one low sample or more, with most of the drop within
two polls; it counts in full when a second low sample agrees with the first (a third with the second, where the first was still on its way),
else for a third, since a single sample may be noise.
`EXCURSIONS` in full within `WINDOW_S` are the event, when their depths agree as the noise allows (one path has one resistance; 8 % for
contacts) and at most an eighth as many samples stand out upwards.
While it is active, `SenseFallback`'s findings are swallowed: one cause is one event; the count is renewed at every doubling. It ends after
a minute, or five mean intervals, without another excursion; a lead that stays off then is told as `sense_fallback`.
Units: V, A, s. Limits: excursions shorter than a poll are seen by chance only: the count is a lower bound.
Confusions, and how they are told apart: a battery that sags faster than the level follows (it does not fall at once); a hiccup of the
source or the load (the current moves, or the voltage falls by 30 % and more); noise (upwards as often as downwards, depths that differ);
another load that pulses on the same source: the other devices of the group see the dips too, where there are any, and one that follows an
order of ours to a load of the group is no excursion; else `supply_droop` is named. In CP and CR the voltage falls likewise. In CV the
current does, the depth is R_path/R_source, and another load on the same source shows as its current rises. Its probability is that of one
step as deep as the excursions on average (`sense_causes`): as many loose leads to dipping sources as leads that fall off to sources that
step, and all excursions of one cause are equally deep under either, so their number tells nothing.
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
from loadlog.detectors.closed_level import MEMORY, NEAR, ClosedLevel
from loadlog.detectors.sense import SenseFallback
from loadlog.detectors.sense_causes import DROOP, LEAD, LIMIT, orders_beside, path_prior, probability_of_lead
from loadlog.detectors.sense_modes import MODES
from loadlog.detectors.statistics import Mean, Moments
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.learned import Learned
from loadlog.model.sample import Sample

EXCURSIONS, WINDOW_S, KEPT = 3, 600.0, 16
LOW, UNKNOWN_LOW = 5.0, 8.0  # deviations
DEPTH_SPREAD, DEPTH_DEVIATIONS = 0.08, 1.5  # of the depths: contacts and copper; noise
AT_ONCE = 0.7  # of the drop, within two polls
SINGLE = 1.0 / 3.0  # weight of an excursion of one sample
READY, READY_S = 20, 3.0  # samples, of the noise, and for so long: they may be few readings, polled again
COLLAPSED = {"cc": 0.7, "cp": 0.7, "cr": 0.7, "cv": 0.2}
QUIET_S, QUIET_INTERVALS = 60.0, 5.0
LEAST_COUNTS = 50.0  # of current
STEADY_SHARE = 0.02
STEADY_COUNTS, STEADY_STEPS = 4.0, 6.0  # counts; mean steps from poll to poll, each 1.13 deviations of white noise
LEAST_STEPS = 2.5  # of the converter, that an excursion is deep: steps are not equally wide, nor all there
STALE_S = 120.0  # low for so long: another level
PEER_SHARE = 0.5


@dataclass(slots=True)
class _Excursion:
    """``ohm``: depth of its first sample, or where that was still on its way of its second, over the current; ``weight``: how much it
    counts."""

    t_ns: int
    onset: Onset
    ohm: float
    drop_v: float
    weight: float = SINGLE


class SenseIntermittent:
    """`SenseFallback` of one load, and excursions that repeat."""

    KINDS: ClassVar[tuple[str, ...]] = (*SenseFallback.KINDS, "sense_intermittent")

    __slots__ = (
        "_active", "_count", "_count_held", "_counts", "_current_a", "_depth_ohm", "_device", "_fallback", "_first", "_held", "_inner",
        "_is_wired", "_last", "_last_held", "_last_two", "_least_a", "_level", "_low_since", "_mode", "_probability", "_ready", "_since",
        "_starts", "_steps", "_told", "_ups", "_voltage_v",
    )  # fmt: skip

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._inner = SenseFallback(device)
        voltage, current = device.channel("voltage_v"), device.channel("current_a")
        assert voltage is not None  # `applies` says so
        assert current is not None
        self._is_wired = device.sense == "remote"
        self._mode = "cc"
        self._counts = voltage.resolution, current.resolution
        self._count_held = current.resolution
        self._level = ClosedLevel(voltage.resolution)
        self._least_a = LEAST_COUNTS * current.resolution
        self._ready = max(READY, math.ceil(READY_S / device.period_s))
        self._current_a = self._voltage_v = self._held = 0.0  # since the operating point was last another one
        self._last_held: float | None = None
        self._steps = Mean(MEMORY)  # of what is regulated, between polls
        self._last: Sample | None = None
        self._low_since: int | None = None
        self._first: Onset | None = None
        self._starts: list[_Excursion] = []  # of these and the next the last `KEPT`; lists, since an empty deque takes a whole block
        self._last_two: tuple[float, ...] = ()  # of what falls
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
            is_cv = event.evidence.get("mode") == "cv"
            self._depth_ohm = None if is_cv else float(event.evidence.get("path_resistance_ohm", 0.0)) or None
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
            if finding.kind in (LEAD, LIMIT):
                self._fallback = None if finding.clear else finding
        if not self._is_wired:
            return inner
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
        if context.is_repeat(sample):
            return self._quiet(sample)
        if (counts := context.steps) != self._counts:
            self._counts = counts
            self._count_in_steps()
        mode = context.mode(sample) or "cc"
        if mode != self._mode:
            self._enter(mode)
        current_a = abs(i)
        signal = current_a if mode == "cv" else v
        held = current_a if mode == "cc" else self._regulated(v, current_a)
        found = self._see(sample, before, signal, held, current_a, context)
        last_two = self._last_two
        self._last_two = (last_two[-1], signal) if last_two else (signal,)
        return found

    def _enter(self, mode: str) -> None:
        """Another mode: other depths, and the levels are learned again."""
        self._mode = mode
        self._count_in_steps()
        self._last_two, self._last_held = (), None
        self._steps = Mean(MEMORY)
        self._starts.clear()
        self._held = 0.0

    def _count_in_steps(self) -> None:
        """The steps of what falls and of what does not."""
        self._level.quantum, self._count_held = self._counts if self._mode != "cv" else self._counts[::-1]

    def _regulated(self, v: float, current_a: float) -> float:
        """What the load holds: V in CV, in CP and CR A at the voltage that it had."""
        if self._mode == "cv":
            return v
        if v <= 0.0 or self._voltage_v <= 0.0:
            self._voltage_v = v
            return 0.0
        return current_a * v / self._voltage_v if self._mode == "cp" else current_a * self._voltage_v / v

    def _see(self, sample: Sample, before: Sample | None, v: float, held: float, current_a: float, context: Context) -> Sequence[Finding]:
        """``v``: what falls when the contact opens, ``held``: what does not."""
        is_on = self._mode in MODES and sample.status.get("input_on", 1) != 0 and current_a >= self._least_a
        if not is_on or self._moved(held):
            self._forget(context.measured(sample)[0] or 0.0, current_a)
            return self._quiet(sample)
        level = self._level
        expected = level.expected
        drop = expected - v
        if level.n < self._ready:
            level.update(v)
            return self._quiet(sample) if self._active else NOTHING
        if level.is_near(drop):
            level.update(v)
            self._low_since = None
            return self._quiet(sample) if self._active else NOTHING
        deviation = level.deviation
        is_deep = drop > LOW * deviation and drop > LEAST_STEPS * level.quantum
        if is_deep and v > COLLAPSED[self._mode] * expected and drop > self._least_drop(current_a, deviation):
            return self._low(sample, before, drop, drop / current_a, context)
        self._low_since = None
        level.doubt(v, abs(drop) < LOW * deviation)
        if abs(level.strangers) >= READY:  # no noise stays on one side for so long: the level is another one
            if level.strangers > 0.0:
                self._ups.pop()
            self._forget(self._voltage_v, current_a)
        elif level.strangers == 1.0:
            self._ups.append(sample.stamp.t_utc_ns)
            del self._ups[:-KEPT]
        return self._quiet(sample)

    def _moved(self, held: float) -> bool:
        """By more than its noise: a soft source follows a step of one per cent by as much as a path's drop."""
        if self._held == 0.0:
            return True
        moved, steps, count = abs(held - self._held), self._steps, self._count_held
        last, self._last_held = self._last_held, held
        if last is not None:
            step, most = abs(held - last), LEAST_COUNTS * count
            steps.update(step if step < most else most)
        is_far = moved > STEADY_SHARE * self._held + 0.4 * LEAST_COUNTS * count
        return is_far or (steps.n >= READY and moved > STEADY_COUNTS * count + STEADY_STEPS * steps.mean)

    def _forget(self, voltage_v: float, current_a: float) -> None:
        """Another operating point."""
        self._level.restart()
        self._voltage_v, self._current_a = voltage_v, current_a
        self._held = voltage_v if self._mode == "cv" else current_a
        self._low_since = None

    def _least_drop(self, current_a: float, deviation: float) -> float:
        if self._depth_ohm is not None:
            return 0.5 * self._depth_ohm * current_a
        known = self._known_depth()
        if known is not None:
            return 0.5 * known * current_a
        seen = sorted(start.ohm for start in self._starts)
        return max(UNKNOWN_LOW * deviation, 0.5 * seen[len(seen) // 2] * current_a if len(seen) >= EXCURSIONS else 0.0)

    def _known_depth(self) -> float | None:
        """R_path, configured or learned; in CV over the source's resistance."""
        ohm = self._device.path_resistance_ohm
        if ohm is None:
            ohm = next((f.value for f in self._inner.learned() if f.name == "path_resistance_ohm" and f.value), None)
        source_ohm = self._inner.source_ohm[0] if self._mode == "cv" else 1.0
        return None if ohm is None or source_ohm is None else ohm / source_ohm

    def _low(self, sample: Sample, before: Sample | None, drop_v: float, ohm: float, context: Context) -> Sequence[Finding]:
        t_ns = sample.stamp.t_utc_ns
        level = self._level
        v = level.expected - drop_v
        if self._low_since is not None:
            level.follow(v)
            if t_ns - self._low_since > STALE_S * 1e9:
                self._forget(self._voltage_v, self._current_a)
                return NOTHING
            latest = self._starts[-1] if self._starts else None
            if latest is None or latest.weight == 1.0:
                return NOTHING
            if abs(drop_v - latest.drop_v) <= NEAR * math.sqrt(2.0) * level.deviation:
                latest.weight = 1.0
                return NOTHING if self._active else self._judge(t_ns, context)
            if drop_v > latest.drop_v and self._fell_at_once(v, drop_v):  # the one before was a mean over the instant
                latest.drop_v, latest.ohm = drop_v, ohm
            return NOTHING
        if not self._fell_at_once(v, drop_v):
            level.sagged(v)
            return self._quiet(sample)
        onset = onset_between(before, sample)
        if context.peers and orders_beside(context.peers, onset):
            self._forget(self._voltage_v, self._current_a)
            return self._quiet(sample)
        self._low_since = t_ns
        level.opened()
        level.follow(v)
        self._starts.append(_Excursion(t_ns, onset, ohm, drop_v))
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
        prior = path_prior(self._device.path_resistance_ohm, None, self._inner.source_ohm if self._mode == "cv" else None)
        uncertainty, step, fallen_a = self._level.deviation / math.sqrt(depths.n), *self._step(depths.mean)
        return probability_of_lead(step, uncertainty, fallen_a, self._level.expected, prior, ())

    def _step(self, depth: float) -> tuple[float, float]:
        """How far an open contact lets fall, and the current meanwhile, A."""
        fallen_a = self._current_a / (1.0 + depth) if self._mode == "cv" else self._current_a
        return depth * fallen_a, fallen_a

    def _others_see_it(self, depth: float, context: Context) -> bool:
        """Another device of the group sees such dips too, between two of its polls: they are the source's. A load in CV holds the source's
        voltage; there another one that draws more of its current is seen."""
        drop = PEER_SHARE * self._step(depth)[0]
        for peer in context.peers.values():
            if self._mode != "cv":
                seen = [v for s in peer.recent if (v := s.usable_v(spikes=True)) is not None]
            else:
                seen = [-abs(s.current_a) for s in peer.recent if s.current_a is not None and peer.device.role == "load"]
            if len(seen) >= 8 and max(a - b for a, b in pairwise(seen)) > drop:
                return True
        return False

    def _finding(self) -> Finding:
        self._told = self._count
        depths = sorted(start.ohm for start in self._starts) or [0.0]
        ohm = depths[len(depths) // 2]
        known = self._device.path_resistance_ohm
        confidence = round(self._probability, 4)
        step, fallen_a = self._step(ohm)
        name, unit = ("step_a", "A") if self._mode == "cv" else ("step_v", "V")
        evidence: dict[str, Any] = {
            "count": self._count, name: round(-step, 6), "current_a": round(fallen_a, 6), "mode": self._mode,
        }  # fmt: skip
        source_ohm = self._inner.source_ohm[0] if self._mode == "cv" else 1.0
        if source_ohm is not None:
            evidence["path_resistance_ohm"] = round(ohm * source_ohm, 6)
            if known is not None:
                evidence["expected_" + name] = round(-known / source_ohm * fallen_a, 6)
        text = f"{self._device.name}: the sense lead comes and goes, {self._count} times so far, {-step:+.4g} {unit} each"
        onset = self._since or Onset(0, 0)
        return Finding(
            "sense_intermittent", self._device.name, Severity.ALARM, onset, text, confidence=confidence,
            alternatives={DROOP: round(1.0 - confidence, 4)}, evidence=evidence,
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
