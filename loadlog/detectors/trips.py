"""`load_trip`, `supply_trip`, `open_circuit`: the current stops, and who stopped it.

Physical causes: the load's own protection; the source's overload, thermal or other shutdown; a broken or pulled power lead.
Rule, against voltage V0 and current I0 of the last tracked steady state with the load on (what a current is says `rest_current`):

- V below 0.7·V0, and nobody switched the load off before: the source collapsed, or a power lead broke with local sense (the load then sees
  nothing). Current that still flows, or remote sense, decides for the source (but a single reading during which it flows as it does at
  the next, when the voltage is back, is a false one of the voltage); so do other devices of the group: a collapse at theirs too,
  or none. The form is followed by `supply_form`, beside which the current is watched again once the voltage is back and
  holds. In CV the current must fall as well, else the load itself pulls the voltage.
- I below 5 % of I0 while V holds 0.9·V0 (in CV: rises): the load stopped, or a power lead broke with remote sense (the sense leads still
  see the source). A new protection bit decides for the load. An undervoltage stop, the input switched off, a set-point that asks for
  nothing and another mode explain it and are no trip.

A status that says so before the readings do (at most `READINGS` polls) belongs to what follows, not to the steady state.
What is not known yet is not waited for: it is told at the first sample (at the second where another device of the group may decide, or an
order of ours of the last `ORDER_SETTLE_S` still takes effect), with the probability that `stop_causes` gives. As slow channels and the
others of the group are polled the event is told again with another probability, or cleared with ``revised_to``. Voltage and current of a
poll are not of one instant: in the next `READINGS` polls a voltage that is gone too makes a stop a collapse. Where the current stops
and a trip is not likelier than a hand, the next poll of the slow channel is waited for.
An order explains what it asks for: a current as small as is left, that it stops (given since it was last at `asked.FULL` of its level, as
a load may slew or show means of some seconds), or that the source is in its limit; not a source that gives up under it. A source that is
asked for more gives no less than before: with less at a lower voltage it has failed (its limit fell, it folds back).
Both need no statistics but those of a current: 0.7 and 5 % are far outside of noise and of load effect. Expected false alarms: none at
rest, once some readings of it are known; a step down of the source by more than 30 % on purpose looks the same as a supply trip in current
limit or latch-off.
Confusions: where two causes cannot be told apart both are named with probabilities. Battery at its end (`cutoff` says so where the source
is told to be one); a one-poll spike (marked by validation, not used); a supply switched off by hand (is a supply trip to us; one of the
group that we ordered off, up to `DRAINED_S` before, is none).
Onset: from the last sample of the steady state to the first that departs. Evidence: ``voltage_before_v``, ``voltage_v``,
``current_before_a``, ``current_a``, ``form``, ``returns``, ``cycle_s``, ``protection``; ``same_cause_as``: the load of the
group that showed the collapse first, for a source takes down all that hangs on it. Source: common practice of power-supply testing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from loadlog.detectors.asked import GIVEN, Steady, is_drawn, overloads, stops, was_raised
from loadlog.detectors.base import (
    NOTHING,
    ORDER_SETTLE_S,
    Context,
    Order,
    Stateless,
    begin_ns,
    end_ns,
    least_shown,
    onset_between,
    usable,
    within,
)
from loadlog.detectors.rest_current import RestCurrent
from loadlog.detectors.shared_source import collapsed_elsewhere, current_left, drawn_by_others, polls_to_wait, shown_before
from loadlog.detectors.stop_causes import READINGS, RENEWED_S, TRIPS, Stop, supply_share
from loadlog.detectors.supply_form import COLLAPSED, SupplyForm
from loadlog.detectors.trip_findings import Collapsed, Stopped, collapse_finding, flows_again, instant, stop_finding, stop_revised
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding
from loadlog.model.sample import Sample

FALSE_ALARMS_PER_1000_H = 0.1  # of a noise that would be taken for a current
STOPPED, HOLDS = 0.05, 0.9
STEADY_POLLS = 3
SURE = 0.9
DRAINED_S = 30.0  # under a current that counts as one, what is left in a supply's output is gone by then


class Trips(Stateless):
    """One load."""

    KINDS: ClassVar[tuple[str, ...]] = ("load_trip", "supply_trip", "open_circuit")

    def __init__(self, device: DeviceSpec) -> None:
        voltage, current = device.channel("voltage_v"), device.channel("current_a")
        assert voltage is not None  # `applies` says so
        assert current is not None
        self._device, self._current = device, current
        mode = device.channel("mode")
        self._mode_every_s = (mode.every if mode else 1) * device.period_s
        self._least_v = least_shown(voltage)
        self._none = RestCurrent(current, FALSE_ALARMS_PER_1000_H, device.period_s)
        self._least_a = self._none.shown_a
        self._steady: Steady | None = None
        self._stopped: Stopped | None = None
        self._collapsed: Collapsed | None = None
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
            as_at = str(event.evidence.get("same_cause_as", ""))
            self._collapsed = Collapsed(form, event.onset, 0.0, 0.0, event.confidence, 0, 0, 0, kind=event.kind, as_at=as_at)
        else:
            self._tripped = (event.kind, current_a)

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        if sample.uncertain and self._collapsed is None:  # else spikes too: pulses of a supply that tries again are real
            v, i = usable(sample, "voltage_v"), usable(sample, "current_a")
            if (v is None or i is None) and self._steady is not None:
                v, i = self._doubted(self._steady, sample, context)
        else:
            v, i = context.measured(sample)
        if v is None or i is None:
            return NOTHING
        if self._collapsed is not None:
            return self._follow_on(self._collapsed, sample, v, i, context)
        if self._tripped is None and self._stopped is None:
            return self._watch(sample, v, i, context)
        return self._while_current(sample, v, i, context)

    def _while_current(self, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        """What the current does where the voltage is there, or nothing has happened."""
        if self._tripped is not None:
            found = self._wait_for_current(self._tripped, sample, i)
        elif self._stopped is not None:
            found = self._explain(self._stopped, sample, v, i, context)
        else:
            return self._watch(sample, v, i, context)
        context.stop_told = self._tripped is not None or (self._stopped is not None and self._stopped.kind != "")
        return found

    def _follow_on(self, case: Collapsed, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        """As `_follow`; while a voltage that is back holds, the current may stop for a reason of its own."""
        found = self._follow(case, sample, v, i, context)
        if self._collapsed is None or (case.form.is_low and self._stopped is None and self._steady is None):
            return found
        if case.form.holds:
            return [*found, *self._while_current(sample, v, i, context)]
        stopped, self._stopped, self._steady = self._stopped, None, None  # what stopped it fails again
        if stopped is not None and stopped.kind:
            return stop_revised(self._device.name, stopped, sample, "supply_trip"), *found
        return found

    @staticmethod
    def _doubted(steady: Steady, sample: Sample, context: Context) -> tuple[float | None, float | None]:
        """Readings marked as possible spikes: a collapse that another device of the group shows is one. Of a current that moved while the
        voltage holds they say what was drawn last."""
        steady.skipped += 1
        v, i = context.measured(sample)
        if v is None or i is None:
            return None, None
        steady.was_low = v < COLLAPSED * steady.voltage_v
        if steady.was_low and collapsed_elsewhere(context, begin_ns(steady.last)):
            return v, i
        if v >= HOLDS * steady.voltage_v:
            steady.last_a = max(steady.last_a, abs(i))
        return None, None

    # -- steady state

    def _watch(self, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        steady = self._steady
        mode = context.mode(sample)
        if steady is not None and steady.mode != mode:
            steady = self._steady = None
        if steady is not None and steady.polls >= STEADY_POLLS:
            is_gone = v < COLLAPSED * steady.voltage_v and (mode != "cv" or abs(i) < 0.5 * steady.current_a)
            if is_gone and self._collapsed is None:  # else it is followed
                return self._collapse(steady, sample, v, i, context)
            if abs(i) < STOPPED * steady.current_a + 0.25 * self._least_a and v >= self._least_hold(steady, mode):
                return self._stop(steady, sample, v, i, context)
        flows = abs(i) >= self._least_a and v >= self._least_v
        if steady is not None and flows and steady.ahead < READINGS and steady.ends_by_status(sample):
            steady.ahead += 1  # the readings are means over a time that begins before the stop
        elif steady is not None and flows and sample.status.get("input_on", 1) != 0:
            steady.take(sample, v, abs(i))
        else:
            self._begin(sample, v, i, mode)
        return NOTHING

    def _least_hold(self, steady: Steady, mode: str | None) -> float:
        return steady.voltage_v + 0.25 * self._least_v if mode == "cv" else HOLDS * steady.voltage_v

    def _begin(self, sample: Sample, v: float, i: float, mode: str | None) -> None:
        """A steady state, when there is a load."""
        self._steady, none = None, self._none
        if abs(i) < (none.least_a if none.is_known else self._least_a):
            none.learn(i)
        elif v >= self._least_v and sample.status.get("input_on", 1) != 0:
            self._steady = Steady(v, abs(i), sample, mode, abs(i))

    # -- voltage gone

    def _collapse(self, steady: Steady, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        self._steady = None
        orders = self._orders(context, steady.last, sample)
        if context.discharged or any(_switches_off(order) for order in orders) or _source_switched_off(context, steady.last, sample):
            return NOTHING
        others_a = drawn_by_others(context, begin_ns(steady.last))
        left = current_left(context, others_a, end_ns(steady.last), abs(i), steady.current_a)
        is_more = self._draws_more(steady, i, context.mode(sample))
        if left >= GIVEN and (is_more or was_raised(steady, sample) or any(overloads(o, steady) for o in orders)):
            return NOTHING  # the load pulls the voltage down, or `current_limit`
        form = SupplyForm(steady.voltage_v, steady.current_a, self._device.period_s, sample.stamp.t_utc_ns)
        form.update(v, i, sample.stamp.t_utc_ns)
        watch = polls_to_wait(context, self._device.period_s)
        flows = abs(i) >= STOPPED * steady.current_a + self._least_a
        may_wait = not steady.was_low if flows else watch > 0 and steady.skipped == 0
        case = Collapsed(
            form, onset_between(steady.last, sample), v, abs(i), 0.0, int(may_wait), watch, end_ns(sample), steady, others_a, flows,
        )  # fmt: skip
        self._collapsed = case
        return self._weigh(case, sample, context)

    def _weigh(self, case: Collapsed, sample: Sample, context: Context) -> Sequence[Finding]:
        """Supply or lead? What the group shows counts as it comes in; told as soon as it is sure, or at the second sample."""
        was = case.probability
        case.probability, is_seen = supply_share(self._device.sense == "remote", case.flows, context, case.onset, case.low_until_ns)
        case.watch -= 1
        is_sure = is_seen if not case.flows else is_seen and case.probability >= SURE  # the voltage alone may be one false reading
        if case.wait > 0 and not is_sure and (case.flows or 1.0 - SURE < case.probability < SURE):
            case.wait -= 1
            return NOTHING
        kind = "supply_trip" if case.probability >= 0.5 else "open_circuit"
        findings: list[Finding] = []
        if case.kind and case.kind != kind:
            findings.append(collapse_finding(self._device.name, case, instant(sample), clear=True, more={"revised_to": kind}))
        if case.kind != kind or case.probability != was:
            if case.kind != kind and kind == "supply_trip":
                case.as_at = shown_before(context, case.onset, case.others_a, self._least_a)
            case.kind = kind
            findings.append(collapse_finding(self._device.name, case, case.onset))
        return findings

    def _follow(self, case: Collapsed, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        was_low = case.form.is_low
        before_a = case.form.current_a
        left = current_left(context, case.others_a, case.onset.latest_utc_ns, abs(i), before_a)
        over = case.form.update(v, left * before_a, sample.stamp.t_utc_ns)
        if was_low and not case.form.is_low:
            case.back = instant(sample)
        if case.form.returns == 0:
            case.low_until_ns = end_ns(sample)
        findings: list[Finding] = []
        explained = self._explained_by(case, case.before, sample, i, context) if case.before is not None and left >= GIVEN else ""
        if explained:
            self._collapsed = None
            return (
                (collapse_finding(self._device.name, case, instant(sample), clear=True, more={"revised_to": explained}),)
                if case.kind
                else NOTHING
            )
        if not case.form.is_low:
            if not case.kind and case.flows and case.before is not None and GIVEN * abs(i) <= case.current_a <= abs(i) / GIVEN:
                self._collapsed, self._steady = None, case.before  # the current knows nothing of it: one false reading of the voltage
                return self._watch(sample, v, i, context)
            case.wait = 0  # it came back before the others were polled
        if case.watch > 0 or not case.kind:
            findings.extend(self._weigh(case, sample, context))
        if not case.kind:
            return findings
        if over:
            findings.append(collapse_finding(self._device.name, case, case.back or instant(sample), clear=True))
            self._collapsed = None
        elif case.is_news():
            findings.append(collapse_finding(self._device.name, case, case.onset))
        return findings

    def _draws_more(self, steady: Steady, i: float, mode: str | None) -> bool:
        """A load in CC regulates its current, so it was asked for more, whether or not that is read: a source that fails gives no more.
        In CP it does."""
        return mode in (None, "cc") and abs(i) > steady.last_a / GIVEN + self._least_a

    def _explained_by(self, case: Collapsed, before: Steady, sample: Sample, i: float, context: Context) -> str:
        """The load itself pulls the voltage down: in CV by now, as its report may say a little late, or by another set-point."""
        mode, late_s = context.mode(sample), (begin_ns(sample) - end_ns(before.last)) / 1e9 - RENEWED_S
        if mode == "cv" != before.mode and late_s <= READINGS * self._mode_every_s:
            return "mode_changed"
        if case.form.is_low and late_s <= READINGS * self._device.period_s and self._draws_more(before, i, mode):
            return "setpoint_changed"
        return "current_limit_entered" if case.form.form == "current_limit" and was_raised(before, sample) else ""

    # -- current gone

    def _stop(self, steady: Steady, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        self._steady = None
        orders = self._orders(context, steady.full or steady.last, sample)
        if context.discharged or any(stops(order, steady) or self._is_carried_out(order, steady, i) for order in orders):
            return NOTHING
        why = Stop(self._device, steady.last, steady.mode, (steady.voltage_v, steady.current_a), steady.setpoint)
        wait = int(bool(orders) and steady.skipped == 0)
        self._stopped = Stopped(steady, onset_between(steady.last, sample), v, abs(i), why, wait, READINGS)
        return self._explain(self._stopped, sample, v, i, context)

    def _explain(self, case: Stopped, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        """What it is by what was read so far; over when all was read that could explain it, the current flows again, or the voltage, which
        may be read before the current is, turns out to be gone too."""
        ordered = {order.channel for order in within(context.orders, case.onset.latest_utc_ns, end_ns(sample))}
        explained = case.why.read(sample, context.mode(sample), ordered)
        if abs(i) > 0.3 * case.before.current_a:
            self._stopped = None
            if not case.kind:
                return NOTHING
            if explained and explained != "load_trip":  # a report that lags tells it of a current that flows again already
                return (stop_revised(self._device.name, case, sample, explained),)
            return (flows_again(self._device.name, case.kind, sample),)
        if (
            not explained
            and self._collapsed is None
            and case.looks >= 0
            and v < COLLAPSED * case.before.voltage_v
            and (found := self._gone_too(case, sample, v, i, context))
        ):
            return found
        case.looks -= 1
        is_over = bool(explained) or (case.why.is_over and case.looks < 0)
        if is_over:
            self._stopped = None
        if explained and explained != "load_trip":
            return (stop_revised(self._device.name, case, sample, explained),) if case.kind else NOTHING
        case.wait -= 1
        if not is_over and (case.wait >= 0 or case.why.is_doubtful):
            return NOTHING
        return self._trip(case, sample, is_over)

    def _gone_too(self, case: Stopped, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        """The current stopped since the voltage did; nothing where that is explained."""
        case.before.skipped += 1  # the others of the group were polled meanwhile
        found = self._collapse(case.before, sample, v, i, context)
        if self._collapsed is None:
            return NOTHING
        self._stopped = None
        if case.kind in ("", self._collapsed.kind):
            return found
        return stop_revised(self._device.name, case, sample, self._collapsed.kind), *found

    def _trip(self, case: Stopped, sample: Sample, is_over: bool) -> Sequence[Finding]:
        """Raised, told again with other probabilities, or under another name."""
        shares = case.why.shares()
        kind = max(TRIPS, key=lambda name: shares.get(name, 0.0))
        if is_over:
            self._tripped = (kind, case.before.current_a)
        findings = []
        if case.kind and case.kind != kind:
            findings.append(stop_revised(self._device.name, case, sample, kind))
        if case.kind != kind or shares != case.said:
            case.kind, case.said = kind, shares
            findings.append(stop_finding(self._device.name, case))
        return findings

    def _wait_for_current(self, tripped: tuple[str, float], sample: Sample, i: float) -> Sequence[Finding]:
        kind, before_a = tripped
        if abs(i) <= max(0.1 * before_a, self._least_a):
            return NOTHING
        self._tripped = None
        return (flows_again(self._device.name, kind, sample),)

    def _is_carried_out(self, order: Order, steady: Steady, i: float) -> bool:
        """A small current may be hardly less than what was ordered, or just what was."""
        bound_a = self._current.accuracy.half_width(i) if self._current.accuracy else 0.0
        bound_a += 2.0 * self._current.resolution
        return order.channel == "setpoint" and is_drawn(steady.mode, order.value, steady, i, bound_a)

    # -- witnesses

    @staticmethod
    def _orders(context: Context, since: Sample, sample: Sample) -> list[Order]:
        """Ours that may have taken effect between these samples."""
        after, until = begin_ns(since) - int(ORDER_SETTLE_S * 1e9), end_ns(sample)
        return within(context.orders, after, until)


def _switches_off(order: Order) -> bool:
    return order.channel == "input_on" and not order.value


def _source_switched_off(context: Context, since: Sample, sample: Sample) -> bool:
    """We ordered a supply of the group to switch its output off; its capacitors hold the voltage for a while."""
    after_ns, until_ns = begin_ns(since) - int(DRAINED_S * 1e9), end_ns(sample)
    supplies = (peer for peer in context.peers.values() if peer.device.role == "supply")
    return any(_switches_off(order) for peer in supplies for order in within(peer.orders, after_ns, until_ns))
