"""`sense_fallback`, `sense_restored` at constant current: a sense lead falls off, and the load measures at its own terminals.

Physical cause: with remote sense the voltage is taken at the source. When a sense lead falls off, a load goes over to its own terminals in
silence and reads lower by what the path drops: V steps by -I·R_path within one poll and stays, I unchanged. It comes back by the same step
upwards. Some loads report the sense *switch* (``sense_remote``); switched to local although wired for remote is the same fact, without
statistics.

Rule: `steps.StepWatch` on voltage and on current, at a false-alarm rate of `FALSE_ALARMS_PER_1000_H` steps of the voltage per 1,000 h,
learned noise (repeatability, not the systematic accuracy), correlation and rounding included. A voltage step that the current explains (it
changed by more than 0.3 of the step through 0.5 Ω, the largest source resistance believed) is none. `sense_causes` weighs the rest: lead
against source. Raised when the lead is more likely; *suspected* while R_path is neither configured nor learned; confirmed when the current
varies and dV/dI has grown by R_path. Where a device of the group sees the same source, its samples after the onset are waited for (at most
2.5 of its periods).

Limits: CC with the input on, sense wired remote; steps below about six deviations of one sample take longer, below three they are
missed. Before `steps.READY` samples at one operating point it is *learning* and silent.
Told apart from: set-point change, current change, input switched, supply trip, current-limit entry (the current changes); slow droop (a
ramp).
Confused with: a step of the source by just I·R_path that no other device sees. Evidence: ``step_v``, ``expected_step_v`` (when known),
``current_a``, ``suspected``, ``path_resistance_ohm``.
Source: circuit theory; statistics as cited in `statistics` and `steps`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from loadlog.detectors.base import NOTHING, Context, onset_between, status_name
from loadlog.detectors.sense_causes import (
    CONFIGURED_SHARE,
    LEARNED_SHARE,
    PRIOR_LEAD,
    WRONG_CONFIGURATION,
    PathPrior,
    peer_steps,
    probability_of_lead,
    source_density,
)
from loadlog.detectors.statistics import alarm_probability
from loadlog.detectors.steps import LAG, MOST_DOUBT, READY, Step, StepWatch
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.learned import NOISE, Knowledge, Learned, fact, fixed
from loadlog.model.sample import Sample

FALSE_ALARMS_PER_1000_H = 0.05
LARGEST_SOURCE_OHM = 0.5
LARGEST_SLOPE_OHM = 10.0  # dV/dI beyond is a collapse, not a resistance
EXPLAINED_SHARE = 0.3
LEAST_CURRENT_COUNTS = 50.0
PEER_PERIODS = 2.5
RAISE_AT = 0.5
_USED_MARKS = frozenset({"", "beyond_rating", "possible_spike"})


@dataclass(slots=True)
class _Open:
    """A step that waits for what the group shows, at most ``wait`` more polls."""

    step: Step
    current_a: float
    voltage_v: float
    wait: int
    real: float  # probability that there was a step at all


@dataclass(slots=True)
class _Fallen:
    """The lead is off: what it cost, and the levels on both sides of the step at ``current_a``."""

    path_ohm: float
    suspected: bool
    confidence: float
    current_a: float
    good_v: float
    fallen_v: float


class _Slope:
    """-dV/dI with its uncertainty, Ω: steps of the current combined by their weights; 2 % a step is let in for what changes with the
    operating point."""

    __slots__ = ("n", "ohm", "uncertainty_ohm")

    def __init__(self) -> None:
        self.ohm, self.uncertainty_ohm = 0.0, math.inf
        self.n = 0

    def update(self, ohm: float, uncertainty_ohm: float) -> None:
        """Another step."""
        self.n += 1
        new = uncertainty_ohm * uncertainty_ohm
        if self.uncertainty_ohm == math.inf:
            self.ohm, variance = ohm, new
        else:
            old = self.uncertainty_ohm * self.uncertainty_ohm
            self.ohm += old / (old + new) * (ohm - self.ohm)
            variance = old * new / (old + new)
        self.uncertainty_ohm = math.hypot(math.sqrt(variance), 0.02 * self.ohm)


class SenseFallback:
    """One load that is wired for remote sense."""

    KINDS: ClassVar[tuple[str, ...]] = ("sense_fallback", "sense_restored")

    def __init__(self, device: DeviceSpec) -> None:
        voltage, current = device.channel("voltage_v"), device.channel("current_a")
        assert voltage is not None  # `applies` says so
        assert current is not None
        probability = alarm_probability(FALSE_ALARMS_PER_1000_H, device.period_s)
        self._device = device
        self._v = StepWatch(device.period_s, voltage.resolution, probability)
        self._i = StepWatch(device.period_s, current.resolution, probability)
        self._least_a = LEAST_CURRENT_COUNTS * current.resolution
        self._source = _Slope()
        self._path_ohm: float | None = None  # learned
        self._last_ns: int | None = None
        self._last: Sample | None = None
        self._doubtful: tuple[float, float, Sample] | None = None
        self._moving = 0
        self._open: _Open | None = None
        self._fallen: _Fallen | None = None
        self._recheck = False
        self._switched_local = False

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """A load, wired for remote sense, that measures voltage and current."""
        return device.role == "load" and device.sense == "remote" and {"voltage_v", "current_a"} <= {c.name for c in device.channels}

    def restore(self, event: Event) -> None:
        """The lead was off when the service stopped."""
        if event.kind != "sense_fallback":
            return
        if event.evidence.get("switch") == "local":
            self._switched_local = True
            return
        step_v, current_a = abs(float(event.evidence.get("step_v", 0.0))), float(event.evidence.get("current_a", 0.0))
        fallen_v = float(event.evidence.get("voltage_v", 0.0))
        if step_v > 0.0 and current_a > 0.0:
            suspected = bool(event.evidence.get("suspected", False))
            self._fallen = _Fallen(step_v / current_a, suspected, event.confidence, current_a, fallen_v + step_v, fallen_v)
            self._recheck = True

    def learned(self) -> Sequence[Learned]:
        """Noise of one sample, and resistances once seen."""
        out = [
            _noise(f"{NOISE}voltage_v", "V", self._v),
            _noise(f"{NOISE}current_a", "A", self._i),
        ]
        if self._device.path_resistance_ohm is not None:
            out.append(fixed("path_resistance_ohm", "Ω", self._device.path_resistance_ohm))
        if self._path_ohm is not None:
            name = "path_resistance_ohm" if self._device.path_resistance_ohm is None else "path_resistance_seen_ohm"
            out.append(fact(name, "Ω", self._path_ohm, LEARNED_SHARE * self._path_ohm, 1))
        if self._source.uncertainty_ohm < math.inf:
            out.append(fact("output_resistance_ohm", "Ω", self._source.ohm, self._source.uncertainty_ohm, self._source.n))
        return out

    def recall(self, known: Mapping[str, Learned]) -> None:
        """The resistances; levels and noise are learned again."""
        paths, source = (known.get("path_resistance_seen_ohm"), known.get("path_resistance_ohm")), known.get("output_resistance_ohm")
        for path in paths:
            if path is not None and path.state is Knowledge.LEARNED and path.value:
                self._path_ohm = path.value
        if source is not None and source.state is Knowledge.LEARNED and source.value is not None and source.uncertainty:
            self._source.update(source.value, source.uncertainty)

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        switched = self._switch(sample)
        if switched:
            return switched
        taken = self._take(sample)
        if not taken:
            return NOTHING
        if self._open is not None:
            return self._decide(context)
        if self._recheck and self._fallen is not None and self._v.trend.n >= 3:
            return self._compare(sample)
        return self._judge(context)

    # -- values

    def _switch(self, sample: Sample) -> Sequence[Finding]:
        """The sense switch, where the instrument reports it."""
        value = None if "sense_remote" in sample.held else sample.counts.get("sense_remote")
        before, self._last = self._last, sample
        if value is None or bool(value) is not self._switched_local:
            return NOTHING
        self._switched_local = not value
        self._restart()
        onset = onset_between(before, sample)
        if self._switched_local:
            text = f"{self._device.name}: sense is switched to local although it is wired for remote sense"
            return (self._finding(onset, text, 1.0, {"switch": "local", "suspected": False}),)
        return self._restored(onset, 1.0, {"switch": "remote"})

    def _take(self, sample: Sample) -> bool:
        """Give the watches the sample's values; False when there is nothing to judge."""
        mode = status_name(self._device, sample, "mode")
        v, i = sample.values.get("voltage_v"), sample.values.get("current_a")
        marks = sample.uncertain
        if "voltage_v" in sample.held or "current_a" in sample.held or v is None or i is None:
            return False
        if not (math.isfinite(v) and math.isfinite(i)):
            return False
        if marks.get("voltage_v", "") not in _USED_MARKS or marks.get("current_a", "") not in _USED_MARKS:
            return False
        if self._switched_local or mode not in (None, "cc") or sample.status.get("input_on", 1) == 0 or abs(i) < self._least_a:
            self._restart()
            self._recheck = self._fallen is not None
            return False
        doubtful, self._doubtful = self._doubtful, None
        if doubtful is None and ("possible_spike" in (marks.get("voltage_v"), marks.get("current_a"))):
            self._doubtful = (v, i, sample)
            return False
        if doubtful is not None and self._stays(doubtful, v, i):
            self._push(*doubtful)
        self._push(v, i, sample)
        return True

    def _stays(self, doubtful: tuple[float, float, Sample], v: float, i: float) -> bool:
        """The doubtful sample was the first of a new level, not a spike."""
        nearer_v = abs(v - doubtful[0]) <= abs(v - self._v.level)
        return nearer_v and abs(i - doubtful[1]) <= abs(i - self._i.level) + 5.0 * self._i.sigma

    def _push(self, v: float, i: float, sample: Sample) -> None:
        t_ns = sample.stamp.t_utc_ns
        elapsed = 1.0 if self._last_ns is None else self._v.elapsed(self._last_ns, t_ns)
        self._last_ns = t_ns
        self._v.update(v, sample, elapsed)
        self._i.update(i, sample, elapsed)

    def _restart(self) -> None:
        self._v.restart()
        self._i.restart()
        self._moving = 0
        self._doubtful = self._open = None

    # -- judgement

    def _judge(self, context: Context) -> Sequence[Finding]:
        step = self._v.step() if self._v.ratio >= 1.0 else None
        if step is not None and abs(self._i.mean_of_last(step.samples)) * LARGEST_SOURCE_OHM <= EXPLAINED_SHARE * abs(step.size):
            return self._stepped(step, context) if self._doubt(step) <= MOST_DOUBT else NOTHING
        if self._i.ratio >= 1.0:
            return self._current_changes()
        self._moving = 0
        if step is not None:  # too small a current change to be seen, too large to be ruled out
            self._restart()
        return NOTHING

    def _current_changes(self) -> Sequence[Finding]:
        """The operating point moves: learn dV/dI from a clean step, then the new level."""
        self._moving += 1
        step = self._i.clear_step()
        if step is None:
            if self._moving > LAG:
                self._restart()
            return NOTHING
        slope_ohm = -self._v.mean_of_last(step.samples) / step.size
        uncertainty_ohm = self._v.sigma * math.sqrt(1.0 / step.samples + 0.1) / abs(step.size)
        self._restart()
        if not -uncertainty_ohm <= slope_ohm < LARGEST_SLOPE_OHM:
            return NOTHING
        if self._fallen is None:
            self._source.update(slope_ohm, uncertainty_ohm)
            return NOTHING
        return self._slope_while_fallen(slope_ohm, uncertainty_ohm, step.onset)

    def _slope_while_fallen(self, slope_ohm: float, uncertainty_ohm: float, onset: Onset) -> Sequence[Finding]:
        fallen = self._fallen
        if fallen is None or math.hypot(uncertainty_ohm, self._source.uncertainty_ohm) > 0.2 * fallen.path_ohm:
            return NOTHING
        grown = (slope_ohm - self._source.ohm) / fallen.path_ohm
        evidence = {"slope_ohm": round(slope_ohm, 6), "source_resistance_ohm": round(self._source.ohm, 6)}
        if grown > 0.6:
            if not fallen.suspected and fallen.confidence >= 0.98:
                return NOTHING
            fallen.suspected, fallen.confidence, self._path_ohm = False, 0.98, fallen.path_ohm
            text = f"{self._device.name}: sense fallback confirmed, dV/dI has grown by the path resistance"
            return (self._finding(onset, text, 0.98, {**evidence, "suspected": False}),)
        if grown < 0.3 and fallen.suspected:
            self._fallen = None
            text = f"{self._device.name}: the step was the source's, dV/dI has not grown"
            return (self._finding(onset, text, fallen.confidence, {**evidence, "revised_to": "supply_droop"}, clear=True),)
        return NOTHING

    def _doubt(self, step: Step) -> float:
        """Odds that there was no step at all, with the sizes in mind that a lead or the source would give."""
        current_a, voltage_v = abs(self._i.now(step.samples)), self._v.now(step.samples)
        size, source = abs(step.size), source_density(abs(step.size), voltage_v)
        lead = self._prior().density(size, step.uncertainty, current_a) if self._towards_lead(step) else source
        return step.doubt(PRIOR_LEAD * lead + (1.0 - PRIOR_LEAD) * source)

    def _towards_lead(self, step: Step) -> bool:
        return step.size > 0 if self._fallen is not None else step.size < 0

    def _stepped(self, step: Step, context: Context) -> Sequence[Finding]:
        current_a, voltage_v = abs(self._i.now(step.samples)), self._v.now(step.samples)
        doubt = self._doubt(step)
        self._v.restart()
        self._i.restart()
        if not self._towards_lead(step):
            return NOTHING
        self._open = _Open(step, current_a, voltage_v, self._polls_to_wait(context), 1.0 / (1.0 + doubt))
        return self._decide(context)

    def _polls_to_wait(self, context: Context) -> int:
        """For the others of the group to be polled after the onset."""
        periods = [p.device.period_s for p in context.peers.values() if p.recent and p.device.channel("voltage_v")]
        return math.ceil(max(PEER_PERIODS * max(periods) / self._device.period_s, 2.0)) if periods else 0

    def _decide(self, context: Context) -> Sequence[Finding]:
        case = self._open
        if case is None:
            return NOTHING
        seen = peer_steps(context.peers, case.step.onset)
        if case.wait > 0 and len(seen) < len(context.peers):
            case.wait -= 1
            return NOTHING
        self._open = None
        prior = self._prior()
        size = abs(case.step.size)
        probability = case.real * probability_of_lead(size, case.step.uncertainty, case.current_a, case.voltage_v, prior, seen)
        if probability < RAISE_AT:
            return NOTHING
        evidence: dict[str, Any] = {
            "step_v": round(case.step.size, 6), "step_uncertainty_v": round(case.step.uncertainty, 6), "current_a": round(case.current_a,
            6), "voltage_v": round(case.voltage_v, 6), "path_resistance_ohm": round(size / case.current_a, 6), "samples": case.step.samples,
        }  # fmt: skip
        if prior.ohm is not None:
            evidence["expected_step_v"] = round((1 if self._fallen else -1) * prior.ohm * case.current_a, 6)
        if seen:
            evidence["group_step_v"] = {p.name: round(p.size_v, 6) for p in seen}
        if self._fallen is not None:
            self._path_ohm = self._fallen.path_ohm
            return self._restored(case.step.onset, probability, evidence)
        suspected = not prior.fits(size, case.step.uncertainty, case.current_a)
        return self._fell(case, probability, suspected, evidence)

    def _prior(self) -> PathPrior:
        if self._fallen is not None:
            return PathPrior(self._fallen.path_ohm, LEARNED_SHARE, WRONG_CONFIGURATION)
        if self._path_ohm is not None:
            return PathPrior(self._path_ohm, LEARNED_SHARE, WRONG_CONFIGURATION)
        return PathPrior(self._device.path_resistance_ohm, CONFIGURED_SHARE, WRONG_CONFIGURATION)

    def _fell(self, case: _Open, probability: float, suspected: bool, evidence: dict[str, Any]) -> Sequence[Finding]:
        path_ohm = abs(case.step.size) / case.current_a
        good_v = case.voltage_v - case.step.size
        self._fallen = _Fallen(path_ohm, suspected, probability, case.current_a, good_v, case.voltage_v)
        word = "suspected " if suspected else ""
        text = f"{self._device.name}: {word}sense fallback, voltage stepped by {case.step.size:+.4g} V at {case.current_a:.4g} A"
        return (self._finding(case.step.onset, text, round(probability, 4), {**evidence, "suspected": suspected}),)

    def _compare(self, sample: Sample) -> Sequence[Finding]:
        """After the input was off (or the service): at the same current again, which of the two levels is it?"""
        fallen = self._fallen
        if fallen is None or abs(self._i.level - fallen.current_a) > 0.1 * fallen.current_a:
            return NOTHING
        self._recheck = False
        share = (self._v.level - fallen.fallen_v) / (fallen.good_v - fallen.fallen_v)
        if not 0.7 <= share <= 1.3:
            return NOTHING
        evidence = {"voltage_v": round(self._v.level, 6), "current_a": round(self._i.level, 6), "seen": "after the input was off"}
        return self._restored(onset_between(None, sample), 0.8, evidence)

    def _restored(self, onset: Onset, confidence: float, evidence: dict[str, Any]) -> Sequence[Finding]:
        self._fallen = None
        text = f"{self._device.name}: remote sense works again"
        raised = Finding(
            "sense_restored", self._device.name, Severity.INFO, onset, text, momentary=True, confidence=round(confidence, 4),
            alternatives=_others(confidence), evidence=evidence,
        )  # fmt: skip
        return (self._finding(onset, text, confidence, {"restored_" + k: v for k, v in evidence.items()}, clear=True), raised)

    def _finding(self, onset: Onset, text: str, confidence: float, evidence: dict[str, Any], clear: bool = False) -> Finding:
        return Finding(
            "sense_fallback", self._device.name, Severity.ALARM, onset, text, clear=clear, confidence=confidence,
            alternatives=_others(confidence), evidence=evidence,
        )  # fmt: skip


def _noise(name: str, unit: str, watch: StepWatch) -> Learned:
    n = watch.trend.n
    return fact(name, unit, watch.sigma if watch.ready else None, watch.sigma / math.sqrt(2.0 * max(n, 1)), n, READY)


def _others(confidence: float) -> dict[str, float]:
    rest = round(1.0 - confidence, 4)
    return {"supply_droop": rest} if rest > 0.0 else {}
