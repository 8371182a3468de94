"""`sense_fallback`, `sense_restored`, in CV `current_limit_entered`: a sense lead falls off, and the load measures at its own terminals.

Physical cause: with remote sense the voltage is taken at the source. When a sense lead falls off, a load goes over to its own terminals in
silence and reads lower by what the path drops. `sense_modes` says what that changes in CC, CV, CP and CR; it comes back by the same step
upwards. Some loads report the sense *switch* (``sense_remote``); switched to local although wired for remote is the same fact, without
statistics. A load that does not tell its mode is taken to be in CC: what falls off in CV looks like its knob, and is not told.

Rule: `steps.StepWatch` on what moves and on what the load regulates, at `sense_feed.FALSE_ALARMS_PER_1000_H` steps in learned or fixed
noise (repeatability, not the systematic accuracy), correlation and rounding included; where R_path is known, and for the step back, a
`cusum` at the same rate waits for just that size beside it. A step that a move of what is regulated explains (through 0.5 Ω, the largest
source resistance believed; in CV as `odds_of_hand` weighs it), or another load of the group, or an order of ours, is none. `sense_causes`
weighs the rest: lead against source; `steps` weighs burst and ramp against both. Raised when the lead is more likely; in CV, where a source
in its current limit looks the same, when both together are: the likelier of them is told (``current_limit_entered`` for the source), the
other named. A voltage that is set anew decides: dI/dV of a limit is nothing. With local sense the limit alone is told; *suspected* while
R_path (in CV also the source's resistance) is not known, or when the step is not of its size: then the shape alone speaks for it, and must
be the surer (`Case.is_believed`).
When the operating point moves later, dV/dI either has grown by R_path (confirmed) or has not (cleared, ``revised_to`` supply_droop). Where
a device of the group sees the same source, its samples after the onset are waited for (at most 2.5 of its periods); where another load
was given an order `ORDER_SETTLE_S` before or less, whether its current followed, so long after the order. After a gap
the level is held against that before it, if the source cannot have drifted by as much meanwhile (`sense_causes`).
A contact that bounces before it stays open or closed is followed by `unsettled`; one that is closed again before the new level is known by
`sense_return`.
Limits: input on, sense wired remote. With R_path known, steps of 5 deviations are found in 3 samples (median), of 4 in 4, of 3 in 5 to 6
(some are missed); those of any size in 4 to 5, and many below 4 deviations are missed. Before `steps.READY` samples at one operating point
it is *learning* and silent.
Told apart from: set-point change, current change, input switched, supply trip, current-limit entry (what is regulated changes); slow droop
(a ramp; three in a thousand of a few deviations pass where R_path is unknown).
Confused with: a step of the source by just I·R_path that no other device sees; in CV its limit. Evidence: ``step_v`` (CV: ``step_a``),
``expected_step_v`` (when known), ``current_a``, ``mode``, ``suspected``, ``path_resistance_ohm``, ``samples`` (delay of the detection).
Source: circuit theory; statistics as cited in `statistics` and `steps`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

from loadlog.detectors.base import NOTHING, ORDER_SETTLE_S, Context, end_ns, onset_between
from loadlog.detectors.sense_causes import (
    DROOP,
    LEAD,
    LEARNED_SHARE,
    LIMIT,
    PathPrior,
    have_settled,
    in_doubt,
    is_raised,
    moved_by_orders,
    moved_by_others,
    orders_beside,
    path_prior,
    peer_steps,
    supply_limits,
    weigh_limit,
)
from loadlog.detectors.sense_feed import Feed
from loadlog.detectors.sense_findings import decided, fell, regulates_again, restored, slope_decided, told
from loadlog.detectors.sense_modes import LARGEST_SOURCE_OHM, MODES, Case, Fallen, ModeWatch
from loadlog.detectors.sense_return import Recheck
from loadlog.detectors.shared_source import polls_to_wait
from loadlog.detectors.slope import Slope
from loadlog.detectors.steps import LAG, Step
from loadlog.detectors.unsettled import Unsettled
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Onset
from loadlog.model.learned import Knowledge, Learned, fact, fixed
from loadlog.model.sample import Sample

LARGEST_SLOPE_OHM = 10.0  # dV/dI beyond is a collapse, not a resistance
LEAST_CURRENT_COUNTS = 50.0
MOST_ODDS_OF_HAND = 1.0 / 3.0  # of a step that is named at once; where more samples do not decide, one to one
LEAD_KINDS = ("sense_fallback", "sense_restored", "sense_intermittent")


class SenseFallback:
    """One load that is wired for remote sense; another one in CV alone, for its source's limit."""

    KINDS: ClassVar[tuple[str, ...]] = ("sense_fallback", "sense_restored", "current_limit_entered")

    __slots__ = (
        "_device", "_explaining", "_fallen", "_feed", "_is_wired", "_last", "_least_a", "_moving", "_open", "_path_ohm", "_recheck",
        "_source", "_unsettled",
    )  # fmt: skip

    def __init__(self, device: DeviceSpec) -> None:
        current = device.channel("current_a")
        assert current is not None  # `applies` says so
        self._device = device
        self._is_wired = device.sense == "remote"
        # a set-point moves both, but in CV, which a load may not tell, it moves the voltage alone on a source of current
        self._explaining = ("mode", "input_on", "setpoint") if device.channel("mode") is None else ("mode", "input_on")
        self._least_a = LEAST_CURRENT_COUNTS * current.resolution
        self._feed = Feed(device, self._least_a)
        self._source = Slope()
        self._path_ohm: float | None = None  # learned
        self._last: Sample | None = None
        self._moving = 0
        self._open: Case | None = None
        self._unsettled: Unsettled | None = None
        self._fallen: Fallen | None = None
        self._recheck: Recheck | None = None

    @property
    def _watch(self) -> ModeWatch:
        """Of the mode that the load is in."""
        return self._feed.watch

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """A load that measures voltage and current, and is wired for remote sense or tells its mode."""
        names = {c.name for c in device.channels}
        return device.role == "load" and {"voltage_v", "current_a"} <= names and (device.sense == "remote" or "mode" in names)

    def restore(self, event: Event) -> None:
        """The lead was off, or the source in its limit, when the service stopped."""
        if event.kind not in (LEAD, LIMIT) or (event.kind == LIMIT and "step_a" not in event.evidence):
            return
        if event.evidence.get("switch") == "local":
            self._feed.is_local = True
            return
        said = event.evidence
        mode = str(said.get("mode", "cc"))
        if mode in MODES:
            self._feed.enter(mode)
            self._fallen = Fallen.told_before(event, self._watch)
            self._recheck = Recheck() if self._fallen is not None else None

    def learned(self) -> Sequence[Learned]:
        """Noise of one sample, and resistances once seen."""
        if not self._is_wired and self._watch.mode != "cv":
            return ()
        out = self._watch.learned(self._device, self.KINDS if self._watch.mode == "cv" else LEAD_KINDS)
        if self._device.path_resistance_ohm is not None:
            out.append(fixed("path_resistance_ohm", "Ω", self._device.path_resistance_ohm))
        if self._path_ohm is not None:
            name = "path_resistance_ohm" if self._device.path_resistance_ohm is None else "path_resistance_seen_ohm"
            out.append(fact(name, "Ω", self._path_ohm, LEARNED_SHARE * self._path_ohm, 1))
        if self._feed.polls > 1:
            period_s = self._device.period_s
            out.append(fact("reading_period_s", "s", self._feed.polls * period_s, period_s, self._watch.signal.trend.n))
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

    @property
    def source_ohm(self) -> tuple[float | None, float]:
        """Of the source, None when not known well enough, and its uncertainty."""
        return self._source.known_ohm, self._source.uncertainty_ohm

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        before, self._last, feed = self._last, sample, self._feed
        if not self._is_wired and context.mode(sample) != "cv" and feed.watch.mode != "cv":
            return NOTHING
        if "sense_remote" in sample.counts and (switched := self._switch(sample, before)):
            return switched
        taken, fallen = feed.take(sample, context), self._fallen
        if feed.began_anew:
            feed.began_anew = False
            self._began_anew()
            self._recheck = Recheck() if fallen is not None else None
        if fallen is not None and fallen.kind == LIMIT and (feed.watch.mode != "cv" or sample.status.get("input_on", 1) == 0):
            self._fallen = None
            return regulates_again(
                self._device.name, onset_between(before, sample), fallen.causes, {"ended": "the load no longer asks for it"}
            )
        if not taken:
            return NOTHING
        if self._open is not None:
            return self._decide(context)
        watch, known = feed.watch, feed.known
        known.update(watch.signal, self._known_size)
        if context.may_repeat:
            return NOTHING
        if not (self._recheck is not None or known.signals or watch.signal.ratio >= 1.0 or watch.held.ratio >= 1.0):
            self._moving = 0  # nothing has moved
            if self._unsettled is None or self._unsettled.is_over:
                self._unsettled = None
                return NOTHING
        if self._recheck is not None and (said := self._compare(self._recheck, sample)):
            return said
        return self._judge(context)

    def _switch(self, sample: Sample, before: Sample | None) -> Sequence[Finding]:
        """The sense switch, where the instrument reports it."""
        value = sample.counts["sense_remote"]
        if value is None or bool(value) is not self._feed.is_local or "sense_remote" in sample.held:
            return NOTHING
        self._feed.is_local = not value
        self._restart()
        onset = onset_between(before, sample)
        if self._feed.is_local:
            text = "sense is switched to local although it is wired for remote sense"
            return (told(self._device.name, LEAD, onset, text, {LEAD: 1.0}, {"switch": "local", "suspected": False}),)
        self._fallen = None
        return restored(self._device.name, onset, {LEAD: 1.0}, {"switch": "remote"})

    def _restart(self) -> None:
        self._feed.restart()
        self._began_anew()

    def _began_anew(self) -> None:
        """The watches did: nothing that was on its way is known any more."""
        self._moving = 0
        self._open = self._unsettled = None

    # -- judgement

    def _judge(self, context: Context) -> Sequence[Finding]:
        watch = self._watch
        step = watch.signal.step() if watch.signal.ratio >= 1.0 or self._feed.known.signals else None
        if step is not None and not watch.explains(step):
            case = self._case(step)
            case.hand = self._odds_of_hand(case, context)
            if case.hand > MOST_ODDS_OF_HAND and watch.held.ratio < 1.0 and step.samples < LAG - 3:
                return NOTHING  # more samples tell better how far the voltage moved
            if case.hand <= 1.0:
                if not case.is_believed(self._prior(), self._towards_lead(step)):
                    return self._chatters(context)
                case.real = 1.0 / (1.0 + case.doubt(self._prior(), self._towards_lead(step)))
                return self._stepped(case, context)
        if step is None and watch.held.ratio < 1.0 and (watch.signal.ratio >= 1.0 or self._unsettled is not None):
            return self._chatters(context)
        if watch.held.ratio >= 1.0:
            return self._current_changes()
        self._moving = 0
        if step is not None:  # too small a current change to be seen, too large to be ruled out
            self._restart()
        return NOTHING

    def _odds_of_hand(self, case: Case, context: Context) -> float:
        step, onset = case.step, case.step.onset
        is_ordered = context.ordered("setpoint", onset.earliest_utc_ns - int(ORDER_SETTLE_S * 1e9), onset.latest_utc_ns) is not None
        return self._watch.odds_of_hand(step, self.source_ohm, case.prior_of_hand(self._prior(), self._towards_lead(step), is_ordered))

    def _known_size(self) -> float | None:
        known = self._prior().ohm
        return None if known is None else self._watch.expected_step(known, self._fallen is not None, self._least_a)

    def _current_changes(self) -> Sequence[Finding]:
        """The operating point moves: learn dV/dI from a clean step, then the new level."""
        self._moving += 1
        step = self._watch.held.clear_step()
        if step is None:
            if self._moving > LAG:
                self._restart()
            return NOTHING
        slope, flow = self._watch.slope(step.samples), self._watch.flow(step.samples)
        self._restart()
        if step.gap_s:  # the source may have drifted beside
            return NOTHING
        if flow is not None and (said := self._limit_or_not(flow, step.onset)):
            return said
        if slope is None or not -slope[1] <= slope[0] < LARGEST_SLOPE_OHM:
            return NOTHING
        slope_ohm, uncertainty_ohm = slope
        if self._fallen is None:
            self._source.update(slope_ohm, uncertainty_ohm)
            return NOTHING
        return self._slope_while_fallen(slope_ohm, uncertainty_ohm, step.onset)

    def _slope_while_fallen(self, slope_ohm: float, uncertainty_ohm: float, onset: Onset) -> Sequence[Finding]:
        fallen = self._fallen
        if fallen is None or fallen.path_ohm is None or math.hypot(uncertainty_ohm, self._source.uncertainty_ohm) > 0.2 * fallen.path_ohm:
            return NOTHING
        said = slope_decided(self._device.name, fallen, slope_ohm, self._source.ohm, onset)
        if said and said[0].clear:
            self._fallen = None
        elif said:
            self._path_ohm = fallen.path_ohm
        return said

    def _limit_or_not(self, flow: tuple[float, float], onset: Onset) -> Sequence[Finding]:
        """The voltage of a load in CV was set anew: behind any resistance the current follows, in the source's limit it stays."""
        fallen = self._fallen
        if fallen is None or not fallen.decide(*flow, 1.0 / LARGEST_SLOPE_OHM):
            return NOTHING
        if fallen.kind == DROOP:
            self._fallen = None
        return decided(self._device.name, fallen, onset, {"current_per_volt_s": round(flow[0], 6)})

    def _case(self, step: Step) -> Case:
        before, after = self._watch.around(step.samples)
        fallen_a = abs((before if self._fallen is not None else after)[1])
        return Case(step, self._watch.mode, before, after, max(fallen_a, self._least_a), self._watch.held.now(step.samples), 0)

    def _towards_lead(self, step: Step) -> bool:
        return step.size > 0 if self._fallen is not None else step.size < 0

    def _chatters(self, context: Context) -> Sequence[Finding]:
        """It left its level without a step; has it settled at another one?"""
        watch, unsettled = self._watch, self._unsettled
        if unsettled is None:
            self._unsettled = Unsettled(watch.signal) if watch.signal.ready else None
            return NOTHING
        step = unsettled.update(watch.signal)
        if step is None or watch.explains(step):
            return NOTHING
        case = unsettled.case(step, watch, self._fallen is not None, self._least_a)
        case.hand = self._odds_of_hand(case, context)
        return self._stepped(case, context) if case.hand <= 1.0 and unsettled.is_believed(case, self._prior()) else NOTHING

    def _stepped(self, case: Case, context: Context) -> Sequence[Finding]:
        step = case.step
        case.wait = polls_to_wait(context, self._device.period_s)
        case.until_ns = step.onset.latest_utc_ns if self._last is None else end_ns(self._last)
        case.own_spread_v = 0.0 if case.mode == "cv" else step.uncertainty  # it holds the source's voltage, however it reads it
        self._watch.restart()
        self._unsettled = None
        after = step.onset.earliest_utc_ns - int(ORDER_SETTLE_S * 1e9)
        ours = any(context.ordered(channel, after, step.onset.latest_utc_ns) for channel in self._explaining)
        if ours or not self._towards_lead(step):
            return NOTHING
        self._open = case
        return self._decide(context)

    def _decide(self, context: Context) -> Sequence[Finding]:
        case = self._open
        if case is None:
            return NOTHING
        step, prior, source_ohm = case.step, self._prior(), self._source.known_ohm
        ohm = 1.0 if case.mode == "cv" else source_ohm or LARGEST_SOURCE_OHM
        seen = peer_steps(context.peers, step.onset, case.until_ns)
        beside = orders_beside(context.peers, step.onset)
        case.wait -= 1
        by_order = moved_by_orders(beside, step.size, ohm)
        if not by_order and ((case.wait >= 0 and len(seen) < len(context.peers)) or not have_settled(beside, self._last)):
            return NOTHING
        self._open = None
        if by_order or moved_by_others(context.peers, step.size, step.onset, case.until_ns, ohm, case.moved_a):
            return NOTHING
        if (fallen := self._fallen) is not None and fallen.kind == LIMIT:  # at another voltage it gives more than it did
            returns = case.size >= 0.5 * (fallen.good - fallen.fallen)
            return self._restored(fallen, step.onset, fallen.causes, case.evidence(source_ohm)) if returns else NOTHING
        may_be_limit = case.mode == "cv" and self._fallen is None and not step.gap_s
        limits = supply_limits(context.peers, step.onset) if may_be_limit else None
        if limits:  # and says so
            return NOTHING
        causes = case.causes(prior, seen, self.source_ohm)
        if may_be_limit:
            causes = weigh_limit(causes[LEAD], case.size, abs(case.before[1]), self._is_wired, limits)
        causes = in_doubt(causes, case.real, case.hand)
        if not is_raised(causes):
            return NOTHING
        evidence = case.evidence(source_ohm)
        if prior.ohm is not None:
            evidence["expected_" + case.step_name] = round((1 if self._fallen else -1) * prior.ohm * case.fallen_a, 6)
        if seen:
            evidence["group_step_v"] = {p.name: round(p.size_v, 6) for p in seen}
        return self._fell(case, causes, evidence) if self._fallen is None else self._restored(self._fallen, step.onset, causes, evidence)

    def _prior(self) -> PathPrior:
        """Of the coefficient (`sense_modes`)."""
        ratio_to = self.source_ohm if self._watch.mode == "cv" else None
        prior = path_prior(self._device.path_resistance_ohm, self._path_ohm, ratio_to)
        if self._fallen is not None and self._fallen.mode == self._watch.mode:
            return replace(prior, ohm=self._fallen.coefficient, deviation=LEARNED_SHARE, falls=False, grown=0.0)
        return prior

    def _fell(self, case: Case, causes: dict[str, float], evidence: dict[str, Any]) -> Sequence[Finding]:
        kind = LEAD if causes.get(LEAD, 0.0) >= causes.get(LIMIT, 0.0) else LIMIT
        after = case.step.size + (case.before[1] if case.mode == "cv" else case.before[0])
        suspected = kind == LEAD and not self._prior().fits(case.size, case.step.uncertainty, case.fallen_a)
        self._fallen = Fallen(
            case.mode, case.size / case.fallen_a, evidence.get("path_resistance_ohm"), suspected, kind, causes, case.step.onset, case.held,
            after - case.step.size, after, causes[kind] >= 0.999, evidence,
        )  # fmt: skip
        self._recheck = Recheck(is_soon=True)
        return (fell(self._device.name, kind, case, causes, suspected, evidence),)

    def _compare(self, recheck: Recheck, sample: Sample) -> Sequence[Finding]:
        fallen = self._fallen
        found = None if fallen is None else recheck.compare(fallen, self._watch, sample)
        if fallen is None or recheck.is_over:
            self._recheck = None
        if fallen is None or found is None:
            return NOTHING
        if recheck.is_soon:
            self._watch.restart()
        return self._restored(fallen, *found)

    def _restored(self, fallen: Fallen, onset: Onset, causes: Mapping[str, float], evidence: dict[str, Any]) -> Sequence[Finding]:
        self._fallen = None
        if fallen.kind == LIMIT:
            return regulates_again(self._device.name, onset, fallen.causes, {"restored_" + k: v for k, v in evidence.items()})
        self._path_ohm = fallen.path_ohm or self._path_ohm
        return restored(self._device.name, onset, causes, evidence)
