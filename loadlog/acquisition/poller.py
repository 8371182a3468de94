"""The poller of one bus: keeps the deadlines of its devices, turns each poll into exactly one outcome, and survives everything.

Invariants
 - One thread uses the link: the one that `start` makes, or whoever calls `turn`. A transaction that has begun is carried to its end.
 - Every deadline has one outcome: a `Reading`, a `PollFailure` with its cause, or it was missed. Missed deadlines are delivered as
   `PollFailure(SKIPPED)`, one by one as long as they are few; more than `FEW_MISSED` at once, and those of a device that is backed off, as
   one that says how many and covers their span. So the store gets at most as many samples as were configured.
 - A device that does not answer `SILENT_AFTER` times in a row is backed off: asked again after `FIRST_PROBE_S`, then every
   ``dead_probe_s``, or less often where probes would take more than `PROBE_SHARE` of the bus from others that need it.
 - A port that is gone is opened again by its name, at the latest every `REOPEN_MAX_S`; meanwhile each device fails with `PORT_LOST`, at
   most once in `LOST_PACE_S`.
 - Orders go between two polls, before any poll that is due; the poll that reads their effect back follows at once.
Failures are never repeated blindly: the next poll is the next deadline's.
"""

from __future__ import annotations

import dataclasses
import logging
import threading
from collections import Counter, deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import Any

from loadlog.acquisition.conversation import DecodedPoll, PolledDevice, Talk, converse, transact
from loadlog.acquisition.schedule import Missed, Schedule, Turn
from loadlog.acquisition.stamps import Stamper, SteadyUtc
from loadlog.acquisition.statistics import BusStatistics, BusyRecord, DeviceStatistics, LatenessRecord, lateness_of
from loadlog.bus import Link, ask_for_fine_timers, line_of
from loadlog.config import SERIAL_KINDS, BusConfig
from loadlog.model.clock import NS, Anchor, Clock, ClockStep
from loadlog.model.errors import BusError
from loadlog.model.sample import EMPTY, FailureCause, PollFailure, Reading, Stamp
from loadlog.model.wire import Line, LinkFailure, ModbusRead, ModbusWrite, Reply, ScpiCommand, transaction_s

SILENT_AFTER = 3
FIRST_PROBE_S = 1.0  # so that three failures and a second of silence, which make a loss, come together soon
PROBE_SHARE = 0.025
FEW_MISSED = 10
REOPEN_FIRST_S, REOPEN_MAX_S = 0.05, 0.5
LOST_PACE_S = 0.5
ANCHOR_CHECK_NS = NS
IDENTITY_S = 60.0
IDENTITY_MAX_S = 3600.0
_ANSWERED = (FailureCause.EXCEPTION, FailureCause.UNDECODABLE)
_log = logging.getLogger(__name__)
_anchor_lock = threading.Lock()  # one anchor serves all buses; a step is to be noticed once

Outcome = Reading | PollFailure
Order = ModbusWrite | ScpiCommand


class _Device:
    """One device while it is polled."""

    def __init__(self, spec: PolledDevice, utc: SteadyUtc, line: Line | None) -> None:
        self.spec = spec
        self.line = line
        self.stamper = Stamper(utc)
        self.poll_number = 0
        self.failed_in_row = 0
        self.silent_in_row = 0
        self.backed_off = False
        self.ever_answered = False
        self.texts: dict[str, str] = {}
        self.identity_due_ns = 0
        self.identity_failed = 0
        self.lost_next_ns = 0
        self.polls = self.readings = self.missed = 0
        self.failures: Counter[FailureCause] = Counter()
        self.lateness = LatenessRecord()
        self.measured_s = self.budgeted_s = 0.0
        self.transactions = 0

    def measure(self, talk: Talk) -> None:
        """Bus time of the transactions of a reading, and what the budget says for them."""
        silence_s = max(self.line.silence_s, self.spec.traits.quiet_s) if self.line else 0.0
        for reply in talk.replies:
            self.measured_s += (reply.t_reply_ns - reply.t_request_ns) / NS + silence_s
            if self.line and isinstance(reply.request, ModbusRead):
                self.budgeted_s += transaction_s(self.line, reply.request, self.spec.traits)
        self.transactions += len(talk.replies)

    def snapshot(self) -> DeviceStatistics:
        per = max(1, self.transactions)
        return DeviceStatistics(
            name=self.spec.name, polls=self.polls, readings=self.readings, failures={str(k): v for k, v in self.failures.copy().items()},
            missed=self.missed, silent=self.backed_off, lateness=lateness_of([self.lateness]),
            transaction_s=self.measured_s / per if self.transactions else None,
            budget_s=self.budgeted_s / per if self.budgeted_s else None,
        )  # fmt: skip


class BusPoller:
    """Polls the devices of one bus. ``deliver`` gets every outcome and ``on_fact`` every clock step, both in the bus' thread: they must
    not block."""

    def __init__(
        self,
        bus: BusConfig,
        devices: Sequence[PolledDevice],
        link: Link,
        clock: Clock,
        anchor: Anchor,
        deliver: Callable[[Outcome], None],
        on_fact: Callable[[ClockStep], None],
    ) -> None:
        self._bus, self._link, self._clock, self._anchor = bus, link, clock, anchor
        self._deliver, self._on_fact = deliver, on_fact
        utc = SteadyUtc(anchor)
        line = line_of(bus) if bus.kind in SERIAL_KINDS else None
        self._devices = [_Device(spec, utc, line) for spec in devices]
        self._number_of = {spec.name: i for i, spec in enumerate(devices)}
        now_ns = clock.monotonic_ns()
        self._schedule = Schedule([d.period_s for d in devices], now_ns)
        self._busy = BusyRecord(now_ns)
        self._anchor_check_ns = now_ns + ANCHOR_CHECK_NS
        self._reopen_ns, self._reopen_wait_s = now_ns, REOPEN_FIRST_S
        self._opened_before = False
        self._reopened = self._orders_done = 0
        self._fault = ""
        self._orders: deque[tuple[int, Order, Future[Reply | LinkFailure]]] = deque()
        self._wake = threading.Event()
        self._stopping = False
        self._thread: threading.Thread | None = None

    # -- life

    def start(self) -> None:
        """Poll in a thread of its own until `stop`. A port that cannot be opened is tried again and again."""
        self._thread = threading.Thread(target=self._run, name=f"bus-{self._bus.name}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the poll on the wire, close the link, and answer the orders that are left as not sent. Nothing when it is stopped."""
        self._stopping = True
        self._wake.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self._link.close()
        while self._orders:
            _, order, answer = self._orders.popleft()
            now_ns = self._clock.monotonic_ns()
            answer.set_result(LinkFailure(order, FailureCause.SKIPPED, "not sent: the service stops", now_ns, now_ns))

    def _run(self) -> None:
        ask_for_fine_timers()
        while not self._stopping:
            try:
                next_ns = self.turn()
            except Exception:  # whatever happens here, the other polls of this bus must go on
                _log.exception("bus %s: fault of the program while polling", self._bus.name)
                next_ns = self._clock.monotonic_ns() + round(REOPEN_MAX_S * NS)
            wait_ns = next_ns - self._clock.monotonic_ns()
            if wait_ns > 0:
                self._wake.wait(wait_ns / NS)
                self._wake.clear()

    def submit(self, device: str, order: Order) -> Future[Reply | LinkFailure]:
        """Send ``order`` to ``device`` before the next poll; from any thread. It is sent once; a poll of the device follows at once."""
        answer: Future[Reply | LinkFailure] = Future()
        answer.set_running_or_notify_cancel()
        if self._stopping:
            now_ns = self._clock.monotonic_ns()
            answer.set_result(LinkFailure(order, FailureCause.SKIPPED, "not sent: the service stops", now_ns, now_ns))
            return answer
        self._orders.append((self._number_of[device], order, answer))
        self._wake.set()
        return answer

    # -- one step

    def turn(self) -> int:
        """Do the one thing that is to be done now; returns the monotonic instant at which the next may be."""
        now_ns = self._clock.monotonic_ns()
        if now_ns >= self._anchor_check_ns:
            self._anchor_check_ns = now_ns + ANCHOR_CHECK_NS
            self._check_anchor()
        if not self._link.is_open and not self._reopen(now_ns):
            return min(self._reopen_ns, self._anchor_check_ns)
        if self._orders:
            self._carry_out(*self._orders.popleft())
            return now_ns
        turn = self._schedule.take(now_ns)
        if turn is not None:
            self._poll(turn, now_ns)
            return now_ns
        next_ns = self._schedule.next_ns()
        return self._anchor_check_ns if next_ns is None else min(next_ns, self._anchor_check_ns)

    def poll_once(self) -> list[Outcome]:
        """Poll every device once, all channels and the identity, without a schedule; the outcomes are returned, not delivered.

        Raises:
            BusError: the port cannot be opened.
        """
        self._link.open()
        try:
            return [self._once(device) for device in self._devices]
        finally:
            self._link.close()

    def _once(self, device: _Device) -> Outcome:
        now_ns = self._clock.monotonic_ns()
        self._read_identity(device, now_ns)
        due_ns = self._clock.monotonic_ns()
        talk = converse(self._link, device.spec, device.spec.plan.requests(0), due_ns)
        return self._outcome(device, talk, 0, device.stamper.stamp(talk.t_first_ns, talk.t_last_ns, talk.t_first_ns))

    def _check_anchor(self) -> None:
        with _anchor_lock:
            step = self._anchor.check()
        if step is not None:
            self._on_fact(step)

    # -- polls

    def _poll(self, turn: Turn, now_ns: int) -> None:
        device = self._devices[turn.device]
        self._report_missed(device, turn.missed)
        number = device.poll_number
        talk = converse(self._link, device.spec, device.spec.plan.requests(number), now_ns)
        ended_ns = self._clock.monotonic_ns()
        self._busy.add(now_ns, ended_ns)
        stamp = device.stamper.stamp(talk.t_first_ns, talk.t_last_ns, turn.due_ns)
        outcome = self._outcome(device, talk, number, stamp)
        device.polls += 1
        device.lateness.add(stamp.lateness_s)
        if isinstance(outcome, Reading):
            device.readings += 1
            device.measure(talk)
        else:
            device.failures[outcome.cause] += 1
        self._deliver(outcome)
        self._judge(turn.device, outcome, ended_ns - now_ns)
        if device.failed_in_row == 0:
            self._identify_in_a_gap(device)

    def _outcome(self, device: _Device, talk: Talk, number: int, stamp: Stamp) -> Outcome:
        name = device.spec.name
        if talk.failure is not None:
            return PollFailure(name, stamp, talk.failure.cause, talk.failure.detail)
        try:
            decoded: DecodedPoll = device.spec.plan.decode(number, talk.replies)
        except Exception as exc:  # a fault in one profile must not end the polls of the bus
            _log.exception("device %s: the replies could not be decoded", name)
            return PollFailure(name, stamp, FailureCause.UNDECODABLE, f"{type(exc).__name__}: {exc}")
        texts = decoded.texts
        if device.texts:
            texts, device.texts = {**device.texts, **texts}, {}
        return Reading(name, stamp, decoded.counts, decoded.reasons, texts or EMPTY)

    def _judge(self, number: int, outcome: Outcome, took_ns: int) -> None:
        """Which poll comes next for this device, and when."""
        device = self._devices[number]
        if isinstance(outcome, Reading):
            device.failed_in_row = device.silent_in_row = 0
            device.ever_answered = True
            device.poll_number += 1
            if device.backed_off:
                self._welcome_back(number)
            return
        device.failed_in_row += 1
        if device.failed_in_row > 1 or outcome.cause in _ANSWERED:
            device.poll_number += 1  # a block that never answers must not keep the others from being read
        if outcome.cause is FailureCause.PORT_LOST:
            device.lost_next_ns = self._clock.monotonic_ns() + round(LOST_PACE_S * NS)
            return
        if outcome.cause in _ANSWERED:
            device.silent_in_row = 0
            if device.backed_off:
                self._welcome_back(number)
            return
        device.silent_in_row += 1
        if device.silent_in_row >= SILENT_AFTER:
            self._back_off(number, took_ns)

    def _welcome_back(self, number: int) -> None:
        device = self._devices[number]
        device.backed_off = False
        device.poll_number = 0
        device.identity_due_ns = 0
        device.identity_failed = 0
        self._schedule.resume(number)
        _log.info("device %s answers again", device.spec.name)

    def _back_off(self, number: int, took_ns: int) -> None:
        device = self._devices[number]
        first = not device.backed_off
        device.backed_off = True
        now_ns = self._clock.monotonic_ns()
        interval_s = FIRST_PROBE_S if first else self._probe_interval_s(device, took_ns / NS)
        self._schedule.back_off(number, now_ns, round(interval_s * NS))
        if first:
            _log.warning("device %s does not answer and is asked less often", device.spec.name)

    def _probe_interval_s(self, device: _Device, took_s: float) -> float:
        """``dead_probe_s``, or longer where probes of that length cost others their polls."""
        cost_s = max(took_s, 2 * device.spec.traits.timeout_s)  # the line is held for one more time-out afterwards
        live_s = [d.spec.period_s for d in self._devices if not d.backed_off]
        if not live_s or cost_s < min(live_s) / 2:
            return self._bus.dead_probe_s
        return max(self._bus.dead_probe_s, cost_s * (len(self._devices) - len(live_s)) / PROBE_SHARE)

    def _report_missed(self, device: _Device, missed: Missed) -> None:
        if not missed.count:
            return
        device.missed += missed.count
        if missed.count > FEW_MISSED or device.backed_off:
            what = "backed off" if device.backed_off else "the bus was not free"
            stamp = device.stamper.stamp(missed.first_ns, missed.last_ns, missed.first_ns)
            self._deliver(PollFailure(device.spec.name, stamp, FailureCause.SKIPPED, f"{missed.count} polls missed: {what}"))
            return
        for index in range(missed.count):
            t_ns = missed.first_ns + (missed.last_ns - missed.first_ns) * index // max(1, missed.count - 1)
            stamp = device.stamper.stamp(t_ns, t_ns, t_ns)
            self._deliver(PollFailure(device.spec.name, stamp, FailureCause.SKIPPED, "poll missed: the bus was not free"))

    # -- identity

    def _identify_in_a_gap(self, device: _Device) -> None:
        """Read the identity when it is due and the bus is free for it, or it is overdue by its own period."""
        now_ns = self._clock.monotonic_ns()
        if now_ns < device.identity_due_ns or not device.spec.plan.identity_requests:
            return
        next_ns = self._schedule.next_ns()
        per_request_s = device.measured_s / max(1, device.transactions)
        free_ns = (next_ns or now_ns) - now_ns
        overdue = now_ns - device.identity_due_ns > IDENTITY_S * NS
        if overdue or free_ns > 2 * per_request_s * len(device.spec.plan.identity_requests) * NS:
            self._read_identity(device, now_ns)
            self._busy.add(now_ns, self._clock.monotonic_ns())

    def _read_identity(self, device: _Device, now_ns: int) -> None:
        """The texts go out with the next reading."""
        plan = device.spec.plan
        if not plan.identity_requests:
            return
        talk = converse(self._link, device.spec, plan.identity_requests, now_ns)
        if talk.failure is None:
            device.texts = dict(plan.decode_identity(talk.replies))
            device.identity_failed = 0
        else:
            device.identity_failed += 1
            _log.info("device %s: identity not read: %s", device.spec.name, talk.failure.detail)
        wait_s = min(IDENTITY_S * 2**device.identity_failed, IDENTITY_MAX_S)
        device.identity_due_ns = now_ns + round(wait_s * NS)

    # -- orders

    def _carry_out(self, number: int, order: Order, answer: Future[Reply | LinkFailure]) -> None:
        device = self._devices[number]
        now_ns = self._clock.monotonic_ns()
        result = transact(self._link, device.spec, order, now_ns)
        self._busy.add(now_ns, self._clock.monotonic_ns())
        self._orders_done += 1
        device.poll_number = 0  # every channel, so that the effect shows
        self._schedule.hasten(number, self._clock.monotonic_ns())
        answer.set_result(result)

    def _refuse_orders(self, now_ns: int, why: str) -> None:
        while self._orders:
            _, order, answer = self._orders.popleft()
            answer.set_result(LinkFailure(order, FailureCause.PORT_LOST, why, now_ns, now_ns))

    # -- the port

    def _reopen(self, now_ns: int) -> bool:
        """Try to open the port when it is time to; False when it is still closed."""
        if now_ns < self._reopen_ns:
            return False
        try:
            self._link.open()
        except BusError as exc:
            self._note_lost(str(exc))
        if self._link.is_open:
            self._note_open(now_ns)
            return True
        now_ns = self._clock.monotonic_ns()
        self._refuse_orders(now_ns, self._fault)
        for number, device in enumerate(self._devices):
            if now_ns >= device.lost_next_ns:
                self._report_lost(number, device, now_ns)
        self._reopen_ns = now_ns + round(self._reopen_wait_s * NS)
        self._reopen_wait_s = min(2 * self._reopen_wait_s, REOPEN_MAX_S)
        return False

    def _note_lost(self, fault: str) -> None:
        if fault != self._fault:
            _log.warning("bus %s: %s; it is tried again", self._bus.name, fault)
        self._fault = fault

    def _note_open(self, now_ns: int) -> None:
        if self._opened_before:
            self._reopened += 1
        if self._fault:
            _log.info("bus %s: %s is open again", self._bus.name, self._bus.address)
        for line in self._link.warnings:
            _log.warning("bus %s: %s", self._bus.name, line)
        self._opened_before, self._fault = True, ""
        self._reopen_ns, self._reopen_wait_s = now_ns, REOPEN_FIRST_S
        for number, device in enumerate(self._devices):
            device.poll_number = device.failed_in_row = device.silent_in_row = 0
            device.identity_due_ns = device.identity_failed = 0
            device.backed_off = False
            self._schedule.resume(number)

    def _report_lost(self, number: int, device: _Device, now_ns: int) -> None:
        missed = self._schedule.pass_over(number, now_ns)
        if not missed.count:
            return
        device.missed += missed.count - 1
        device.polls += 1
        device.failures[FailureCause.PORT_LOST] += 1
        device.lost_next_ns = now_ns + round(LOST_PACE_S * NS)
        stamp = device.stamper.stamp(missed.first_ns, max(missed.last_ns, missed.first_ns), missed.first_ns)
        more = f" ({missed.count} polls)" if missed.count > 1 else ""
        self._deliver(PollFailure(device.spec.name, stamp, FailureCause.PORT_LOST, f"{self._fault or 'the port is gone'}{more}"))

    # -- facts

    def statistics(self) -> BusStatistics:
        """What it has done so far; from any thread."""
        devices = [d.snapshot() for d in self._devices]
        failures: Counter[str] = Counter()
        for device in devices:
            failures.update(device.failures)
        return BusStatistics(
            name=self._bus.name, is_open=self._link.is_open, is_alive=self._thread is not None and self._thread.is_alive(),
            fault=self._fault, warnings=tuple(self._link.warnings), polls=sum(d.polls for d in devices),
            readings=sum(d.readings for d in devices), failures=dict(failures), missed=sum(d.missed for d in devices),
            orders=self._orders_done, reopened=self._reopened, busy_share=self._busy.share(self._clock.monotonic_ns()),
            lateness=lateness_of([d.lateness for d in self._devices]), devices=devices,
            link=dataclasses.asdict(self._link.counters),
        )  # fmt: skip

    def status(self) -> dict[str, Any]:
        """`statistics` as plain JSON."""
        return dataclasses.asdict(self.statistics())
