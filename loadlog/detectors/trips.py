"""`load_trip`, `supply_trip`, `open_circuit`: the current stops, and who stopped it.

Physical causes: the load's own protection; the source's overload, thermal or other shutdown; a broken or pulled power lead.
Rule, against voltage V0 and current I0 of the last tracked steady state with the load on (I0 above 20 counts and twice the accuracy's bound
at zero):

- V below 0.7·V0, and nobody switched the load off before: the source collapsed, or a power lead broke with local sense (the load then sees
  nothing). Current that still flows, or remote sense, decides for the source; so do other devices of the group: a collapse at theirs too,
  or none. The form is followed by `supply_form`. In CV the current must fall as well, else the load itself pulls the voltage.
- I below 5 % of I0 while V holds 0.9·V0 (in CV: rises): the load stopped, or a power lead broke with remote sense (the sense leads still
  see the source). A new protection bit decides for the load. An undervoltage stop, an order of ours, the input switched off, and a changed
  set-point or mode explain it and are no trip; where these channels are slow, their next poll is waited for.

Both need no statistics: 0.7 and 5 % are far outside of noise and of load effect. Expected false alarms: none at rest; a step down of the
source by more than 30 % on purpose looks the same as a supply trip in current limit or latch-off.
Where two causes cannot be told apart both are named with probabilities. These are judgements where no other witness is: local sense and
nothing left at the load is 0.6 supply, 0.4 lead; a load that stops with the input reported on and no protection bit is 0.3 load, 0.7 lead
(remote), and 0.95 load (local, since V at its terminals is there).
Confusions: battery at its end (`cutoff` says so where the source is told to be one); a one-poll spike (marked by validation, not used); a
supply switched off by hand (is a supply trip to us).
Onset: from the last sample of the steady state to the first that departs. Evidence: ``voltage_before_v``, ``voltage_v``,
``current_before_a``, ``current_a``, ``form``, ``returns``, ``cycle_s``, ``protection``. Source: common practice of power-supply testing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, ClassVar

from loadlog.detectors.base import NOTHING, Context, Stateless, begin_ns, bit_names, end_ns, onset_between, usable
from loadlog.detectors.status import is_undervoltage
from loadlog.detectors.supply_form import COLLAPSED, RECOVERED, SupplyForm
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.sample import Sample

STOPPED, HOLDS = 0.05, 0.9
TRACK = 0.2  # weight of a new sample in V0, I0: about five polls
STEADY_POLLS = 3
ORDER_SETTLE_S = 2.0
PEER_PERIODS = 2.5
SURE = 0.9
_EXPLAINING = ("protection", "input_on", "setpoint", "mode")


@dataclass(slots=True)
class _Steady:
    """The last steady state under load."""

    voltage_v: float
    current_a: float
    last: Sample
    mode: str | None
    polls: int = 1
    protection: int = 0  # the word
    setpoint: float | None = None


@dataclass(slots=True)
class _Stopped:
    """The current stopped, the voltage is there; waiting for what may explain it, at most ``wait`` more polls."""

    before: _Steady
    onset: Onset
    voltage_v: float
    current_a: float
    wait: int
    unread: set[str] = field(default_factory=set)


@dataclass(slots=True)
class _Collapsed:
    """The voltage is gone. ``kind``: what was raised, empty while others of the group are waited for (``wait`` polls)."""

    form: SupplyForm
    onset: Onset
    voltage_v: float
    current_a: float
    probability: float
    wait: int
    low_until_ns: int
    kind: str = ""
    said: tuple[str, bool, int, bool] = ("", False, 0, False)
    back: Onset | None = None
    setpoint: float | None = None


class Trips(Stateless):
    """One load."""

    KINDS: ClassVar[tuple[str, ...]] = ("load_trip", "supply_trip", "open_circuit")

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        voltage, current = device.channel("voltage_v"), device.channel("current_a")
        self._least_v = _least(voltage)
        self._least_a = _least(current)
        self._steady: _Steady | None = None
        self._stopped: _Stopped | None = None
        self._collapsed: _Collapsed | None = None
        self._tripped: tuple[str, float] | None = None  # kind, I0

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """A load that measures voltage and current."""
        return device.role == "load" and {"voltage_v", "current_a"} <= {c.name for c in device.channels}

    def restore(self, event: Event) -> None:
        """It had tripped when the service stopped."""
        voltage_v, current_a = float(event.evidence.get("voltage_before_v", 0.0)), float(event.evidence.get("current_before_a", 0.0))
        if current_a <= 0.0:
            return
        if voltage_v > 0.0 and float(event.evidence.get("voltage_v", 0.0)) < COLLAPSED * voltage_v:
            form = SupplyForm(voltage_v, current_a, self._device.period_s, event.onset.latest_utc_ns)
            form.returns = int(event.evidence.get("returns", 0))
            self._collapsed = _Collapsed(form, event.onset, 0.0, 0.0, event.confidence, 0, 0, event.kind)
        else:
            self._tripped = (event.kind, current_a)

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        if sample.uncertain and self._collapsed is None:  # else spikes too: pulses of a supply that tries again are real
            v, i = usable(sample, "voltage_v"), usable(sample, "current_a")
        else:
            v, i = context.measured(sample)
        if v is None or i is None:
            return NOTHING
        if self._collapsed is not None:
            return self._follow(self._collapsed, sample, v, i, context)
        if self._tripped is not None:
            return self._wait_for_current(self._tripped, sample, i)
        if self._stopped is not None:
            return self._explain(self._stopped, sample, i, context)
        return self._watch(sample, v, i, context)

    # -- steady state

    def _watch(self, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        steady = self._steady
        mode = context.mode(sample)
        if steady is not None and steady.mode != mode:
            steady = self._steady = None
        if steady is not None and steady.polls >= STEADY_POLLS:
            if v < COLLAPSED * steady.voltage_v and (mode != "cv" or abs(i) < 0.5 * steady.current_a):
                return self._collapse(steady, sample, v, i, context)
            if abs(i) < STOPPED * steady.current_a + 0.25 * self._least_a and v >= self._least_hold(steady, mode):
                return self._stop(steady, sample, v, i, context)
        if steady is not None and abs(i) >= self._least_a and v >= self._least_v and sample.status.get("input_on", 1) != 0:
            steady.voltage_v += TRACK * (v - steady.voltage_v)
            steady.current_a += TRACK * (abs(i) - steady.current_a)
            steady.polls += 1
            self._note(steady, sample)
        else:
            self._begin(sample, v, abs(i), mode)
        return NOTHING

    def _least_hold(self, steady: _Steady, mode: str | None) -> float:
        return steady.voltage_v + 0.25 * self._least_v if mode == "cv" else HOLDS * steady.voltage_v

    def _begin(self, sample: Sample, v: float, i: float, mode: str | None) -> None:
        """A steady state, when there is a load."""
        self._steady = None
        if i >= self._least_a and v >= self._least_v and sample.status.get("input_on", 1) != 0:
            self._steady = _Steady(v, i, sample, mode)
            self._note(self._steady, sample)

    @staticmethod
    def _note(steady: _Steady, sample: Sample) -> None:
        steady.last = sample
        steady.protection = sample.status.get("protection", 0)
        steady.setpoint = sample.values.get("setpoint")

    def _protections(self, word: int) -> frozenset[str]:
        return frozenset(bit_names(self._device, "protection", word))

    # -- voltage gone

    def _collapse(self, steady: _Steady, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        self._steady = None
        if context.discharged or _asks_for_more(steady.setpoint, sample) or self._ordered(context, steady, sample, ("setpoint", "mode")):
            return NOTHING
        form = SupplyForm(steady.voltage_v, steady.current_a, self._device.period_s, sample.stamp.t_utc_ns)
        form.update(v, i, sample.stamp.t_utc_ns)
        flows = abs(i) >= STOPPED * steady.current_a + self._least_a
        probability = 0.99 if flows else 0.95 if self._device.sense == "remote" else 0.6
        case = _Collapsed(form, onset_between(steady.last, sample), v, abs(i), probability, self._polls_to_wait(context), end_ns(sample))
        case.setpoint = steady.setpoint
        self._collapsed = case
        return self._weigh(case, context)

    def _weigh(self, case: _Collapsed, context: Context) -> Sequence[Finding]:
        """Supply or lead? The group decides where it shows; without it at once, with both named."""
        verdict = _group_verdict(context, case.onset, case.low_until_ns)
        if verdict is not None:
            case.probability = 0.99 if verdict else 0.03
            case.wait = 0
        if case.wait > 0:
            case.wait -= 1
            if case.probability < SURE:
                return NOTHING
        kind = "supply_trip" if case.probability >= 0.5 else "open_circuit"
        findings: list[Finding] = []
        if case.kind and case.kind != kind:
            findings.append(self._collapse_finding(case, case.onset, clear=True, more={"revised_to": kind}))
        if case.kind != kind or verdict is not None:
            case.kind = kind
            findings.append(self._collapse_finding(case, case.onset))
        return findings

    def _follow(self, case: _Collapsed, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        was_low = case.form.is_low
        over = case.form.update(v, i, sample.stamp.t_utc_ns)
        if was_low and not case.form.is_low:
            case.back = Onset(begin_ns(sample), end_ns(sample))
        if case.form.returns == 0:
            case.low_until_ns = end_ns(sample)
        findings: list[Finding] = []
        if _asks_for_more(case.setpoint, sample) and case.form.form == "current_limit":
            self._collapsed = None
            end = Onset(begin_ns(sample), end_ns(sample))
            return (self._collapse_finding(case, end, clear=True, more={"revised_to": "current_limit_entered"}),) if case.kind else NOTHING
        if case.wait > 0:
            findings.extend(self._weigh(case, context))
        if not case.kind:
            if case.form.is_low:
                return findings
            case.wait = 0  # it came back before the others were polled
            findings.extend(self._weigh(case, context))
        if over:
            findings.append(self._collapse_finding(case, case.back or Onset(begin_ns(sample), end_ns(sample)), clear=True))
            self._collapsed = None
        elif self._is_news(case):
            findings.append(self._collapse_finding(case, case.onset))
        return findings

    def _is_news(self, case: _Collapsed) -> bool:
        """Form, settling, and the number of returns at every doubling."""
        form = case.form
        counted = 1 << form.returns.bit_length() - 1 if form.returns else 0
        news = (form.form, form.settled, counted, _is_back(form))
        is_news = bool(case.kind) and news != case.said
        case.said = news
        return is_news

    def _collapse_finding(self, case: _Collapsed, onset: Onset, clear: bool = False, more: dict[str, Any] | None = None) -> Finding:
        form = case.form
        case.said = case.said if clear else (form.form, form.settled, case.said[2], _is_back(form))
        is_supply = case.kind == "supply_trip"
        evidence: dict[str, Any] = {
            "voltage_before_v": round(form.voltage_v, 6), "voltage_v": round(case.voltage_v, 6),
            "current_before_a": round(form.current_a, 6), "current_a": round(case.current_a, 6), **(more or {}),
        }  # fmt: skip
        if is_supply:
            evidence |= {"form": form.form, "form_settled": form.settled or form.returns > 0, "returns": form.returns}
            if form.cycle_s is not None:
                evidence["cycle_s"] = round(form.cycle_s, 3)
        sure = case.probability if is_supply else 1.0 - case.probability
        other = "open_circuit" if is_supply else "supply_trip"
        what = f"supply trip ({form.form.replace('_', ' ')})" if is_supply else "power lead open"
        text = f"{self._device.name}: {what}, voltage fell from {form.voltage_v:.4g} V to {case.voltage_v:.4g} V under load"
        if _is_back(form):
            text += "; it is back"
        return Finding(
            case.kind, self._device.name, Severity.ALARM, onset, text, clear=clear, confidence=round(sure, 4),
            alternatives={other: round(1.0 - sure, 4)}, evidence=evidence,
        )  # fmt: skip

    # -- current gone

    def _stop(self, steady: _Steady, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        self._steady = None
        if context.discharged or self._ordered(context, steady, sample, ("input_on", "setpoint", "mode")):
            return NOTHING
        channels = [c for name in _EXPLAINING if (c := self._device.channel(name)) is not None]
        wait = max((2 * c.every + 1 for c in channels), default=0)
        self._stopped = _Stopped(steady, onset_between(steady.last, sample), v, abs(i), wait, {c.name for c in channels})
        return self._explain(self._stopped, sample, i, context)

    def _explain(self, case: _Stopped, sample: Sample, i: float, context: Context) -> Sequence[Finding]:
        """Decide as soon as everything that could explain it was read after the fact."""
        if abs(i) > 0.3 * case.before.current_a:
            self._stopped = None
            return NOTHING
        case.unread -= sample.counts.keys()
        case.wait -= 1
        was, word = case.before.protection, sample.status.get("protection", 0)
        new = self._protections(word) - self._protections(was) if "protection" in sample.counts else frozenset[str]()
        trips = {name for name in new if not is_undervoltage(name)}
        if trips:
            return self._trip(case, {"load_trip": 0.99, "open_circuit": 0.01}, {"protection": sorted(trips)})
        if case.unread and case.wait > 0 and not new:
            return NOTHING
        self._stopped = None
        if new or self._is_explained(case, sample) or self._ordered(context, case.before, sample, ("input_on", "setpoint", "mode")):
            return NOTHING
        return self._trip(case, self._shares(sample), {})

    def _is_explained(self, case: _Stopped, sample: Sample) -> bool:
        if sample.status.get("input_on", 1) == 0:
            return True
        if sample.status.get("mode") != case.before.last.status.get("mode"):
            return True
        setpoint = sample.values.get("setpoint")
        return setpoint is not None and case.before.setpoint is not None and setpoint != case.before.setpoint

    def _shares(self, sample: Sample) -> dict[str, float]:
        remote = self._device.sense == "remote"
        if "input_on" in sample.status:
            return {"open_circuit": 0.7, "load_trip": 0.3} if remote else {"load_trip": 0.95, "open_circuit": 0.05}
        return {"load_trip": 0.4, "input_switched": 0.35, "open_circuit": 0.25} if remote else {"load_trip": 0.55, "input_switched": 0.45}

    def _trip(self, case: _Stopped, shares: dict[str, float], more: dict[str, Any]) -> Sequence[Finding]:
        self._stopped = None
        kind = next(iter(shares))
        self._tripped = (kind, case.before.current_a)
        evidence = {
            "voltage_before_v": round(case.before.voltage_v, 6), "voltage_v": round(case.voltage_v, 6),
            "current_before_a": round(case.before.current_a, 6), "current_a": round(case.current_a, 6), **more,
        }  # fmt: skip
        what = "load tripped" if kind == "load_trip" else "power lead open or load tripped in silence"
        text = f"{self._device.name}: {what}, current fell from {case.before.current_a:.4g} A to {case.current_a:.4g} A, voltage holds"
        others = {name: share for name, share in shares.items() if name != kind}
        return (
            Finding(kind, self._device.name, Severity.ALARM, case.onset, text, confidence=shares[kind], alternatives=others,
            evidence=evidence),
        )  # fmt: skip

    def _wait_for_current(self, tripped: tuple[str, float], sample: Sample, i: float) -> Sequence[Finding]:
        kind, before_a = tripped
        if abs(i) <= max(0.1 * before_a, self._least_a):
            return NOTHING
        self._tripped = None
        onset = Onset(begin_ns(sample), end_ns(sample))
        return (Finding(kind, self._device.name, Severity.ALARM, onset, f"{self._device.name}: current flows again", clear=True),)

    # -- witnesses

    def _ordered(self, context: Context, steady: _Steady, sample: Sample, channels: tuple[str, ...]) -> bool:
        after = begin_ns(steady.last) - int(ORDER_SETTLE_S * 1e9)
        return any(context.ordered(channel, after, end_ns(sample)) for channel in channels)

    def _polls_to_wait(self, context: Context) -> int:
        periods = [p.device.period_s for p in context.peers.values() if p.recent and p.device.channel("voltage_v")]
        return math.ceil(max(PEER_PERIODS * max(periods) / self._device.period_s, 2.0)) if periods else 0


def _is_back(form: SupplyForm) -> bool:
    """The voltage is there again, and not only between the pulses of a source that tries again and again."""
    return form.returns == 1 and not form.is_low


def _asks_for_more(setpoint_before: float | None, sample: Sample) -> bool:
    """The set-point was read and has risen: a source that then limits its current has not failed (`current_limit`)."""
    setpoint = None if "setpoint" in sample.held else sample.values.get("setpoint")
    return setpoint is not None and setpoint_before is not None and setpoint > setpoint_before


def _least(channel: ChannelSpec | None) -> float:
    """Twenty counts or twice the accuracy's bound at zero, whichever is more: what counts as *on*."""
    if channel is None:
        return math.inf
    return max(20.0 * channel.resolution, 2.0 * channel.accuracy.half_width(0.0) if channel.accuracy else 0.0)


def _group_verdict(context: Context, onset: Onset, until_ns: int) -> bool | None:
    """True: another device of the group saw the source collapse too. False: one saw it hold. None: none shows. Only its polls while the
    voltage was gone here (up to ``until_ns``) bear witness."""
    verdict: bool | None = None
    for peer in context.peers.values():
        before: float | None = None
        for seen in peer.recent:
            v = seen.usable_v(spikes=True)  # the source answers to the current that is gone, by what may look like a spike
            if v is None:
                continue
            if seen.end_ns <= onset.earliest_utc_ns:
                before = before if seen.usable_v() is None else v
            elif onset.latest_utc_ns <= seen.begin_ns and seen.end_ns <= until_ns and before is not None and before > 0.0:
                if v < COLLAPSED * before:
                    return True
                if v >= RECOVERED * before:
                    verdict = False
    return verdict
