"""The poller of one bus: keeps the deadlines of its devices, turns each poll into exactly one outcome, and survives everything.

Invariants
 - One thread uses the link: the one that `start` makes, or whoever calls `turn`. A transaction that has begun is carried to its end.
 - Every deadline has one outcome: a `Reading`, a `PollFailure` with its cause, or it was missed. Missed deadlines are delivered as
   `PollFailure(SKIPPED)`, one by one as long as they are few; more than `device.FEW_MISSED` at once, and those of a device that is backed
   off, as one that says how many and covers their span. So the store gets at most as many samples as were configured.
 - A device that does not answer `device.SILENT_AFTER` times in a row, for `device.SILENT_S`, is backed off: asked again after
   `FIRST_PROBE_S`, then every ``dead_probe_s``, or less often where probes would take more than `PROBE_SHARE` of the bus
   from others that need it.
 - A port that is gone is opened again (`port`); meanwhile each device fails with `PORT_LOST`, at most once in `LOST_PACE_S`.
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

from loadlog.acquisition.conversation import PolledDevice, Talk, converse, transact
from loadlog.acquisition.device import DeviceState, Outcome
from loadlog.acquisition.port import REOPEN_MAX_S, PortKeeper
from loadlog.acquisition.schedule import Schedule, Turn
from loadlog.acquisition.stamps import SteadyUtc
from loadlog.acquisition.statistics import BusStatistics, BusyRecord, as_plain, lateness_of
from loadlog.bus import Link, ask_for_fine_timers, line_of
from loadlog.config import SERIAL_KINDS, BusConfig
from loadlog.model.clock import NS, Anchor, Clock, ClockStep
from loadlog.model.sample import FailureCause, PollFailure
from loadlog.model.wire import LinkFailure, ModbusWrite, Reply, ScpiCommand

FIRST_PROBE_S = 1.0  # so that three failures and a second of silence, which together make a loss, come soon
PROBE_SHARE = 0.025
LOST_PACE_S = 0.5
IDENTITY_PATIENCE_S = 5.0
ANCHOR_CHECK_NS = NS
_log = logging.getLogger(__name__)
_anchor_lock = threading.Lock()  # one anchor serves all buses; a step is to be noticed once

Order = ModbusWrite | ScpiCommand
Answer = Future[Reply | LinkFailure]


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
        self._devices = [DeviceState(spec, utc, line) for spec in devices]
        self._number_of = {spec.name: number for number, spec in enumerate(devices)}
        now_ns = clock.monotonic_ns()
        self._schedule = Schedule([d.period_s for d in devices], now_ns)
        self._port = PortKeeper(bus, link, clock)
        self._busy = BusyRecord(now_ns)
        self._anchor_check_ns = now_ns + ANCHOR_CHECK_NS
        self._orders: deque[tuple[int, Order, Answer]] = deque()
        self._orders_done = 0
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
        self._refuse_orders(FailureCause.SKIPPED, "not sent: the service stops")

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

    def submit(self, device: str, order: Order) -> Answer:
        """Send ``order`` to ``device`` before the next poll; from any thread. It is sent once; a poll of the device follows at once."""
        answer: Answer = Future()
        answer.set_running_or_notify_cancel()
        self._orders.append((self._number_of[device], order, answer))
        if self._stopping:
            self._refuse_orders(FailureCause.SKIPPED, "not sent: the service stops")
        self._wake.set()
        return answer

    # -- one step

    def turn(self) -> int:
        """Do the one thing that is to be done now; returns the monotonic instant at which the next may be."""
        now_ns = self._clock.monotonic_ns()
        if now_ns >= self._anchor_check_ns:
            self._anchor_check_ns = now_ns + ANCHOR_CHECK_NS
            self._check_anchor()
        if not self._link.is_open and not self._open(now_ns):
            return min(self._port.retry_ns, self._anchor_check_ns)
        if self._orders:
            self._carry_out(*self._orders.popleft())
            return now_ns
        turn = self._schedule.take(now_ns)
        if turn is not None:
            self._poll(turn, now_ns)
            return now_ns
        next_ns = self._schedule.next_ns()
        return self._anchor_check_ns if next_ns is None else min(next_ns, self._anchor_check_ns)

    def _check_anchor(self) -> None:
        with _anchor_lock:
            step = self._anchor.check()
        if step is not None:
            self._on_fact(step)

    # -- polls

    def _poll(self, turn: Turn, now_ns: int) -> None:
        device = self._devices[turn.device]
        for failure in device.missed(turn.missed):
            self._deliver(failure)
        talk = converse(self._link, device.spec, device.requests(), now_ns)
        ended_ns = self._clock.monotonic_ns()
        self._busy.add(now_ns, ended_ns)
        outcome = device.outcome(talk, turn.due_ns)
        try:
            self._follow_up(turn.device, outcome, talk, now_ns, ended_ns)
        finally:
            self._deliver(outcome)  # last: who is woken by it does not wait for this thread to let go of the interpreter

    def _follow_up(self, number: int, outcome: Outcome, talk: Talk, now_ns: int, ended_ns: int) -> None:
        """What an outcome means for the polls that come."""
        device = self._devices[number]
        if device.polled(outcome, talk):
            self._back_off(number, now_ns, ended_ns)
        elif isinstance(outcome, PollFailure) and outcome.cause is FailureCause.SKIPPED:
            return
        elif isinstance(outcome, PollFailure) and outcome.cause is FailureCause.PORT_LOST:
            device.lost_next_ns = ended_ns + round(LOST_PACE_S * NS)
            self._port.lost(outcome.detail)
        else:
            if device.backed_off:
                self._begin_anew(number, ended_ns)
                _log.info("device %s answers again", device.spec.name)
            self._identify_in_a_gap(device, ended_ns)

    def _begin_anew(self, number: int, now_ns: int) -> None:
        self._devices[number].begin_anew(now_ns)
        self._schedule.resume(number)

    def _back_off(self, number: int, begun_ns: int, ended_ns: int) -> None:
        device = self._devices[number]
        interval_s = self._probe_interval_s(device, (ended_ns - begun_ns) / NS) if device.backed_off else FIRST_PROBE_S
        if not device.backed_off:
            _log.warning("device %s does not answer and is asked less often", device.spec.name)
        device.backed_off = True
        self._schedule.back_off(number, ended_ns, round(interval_s * NS))

    def _probe_interval_s(self, device: DeviceState, took_s: float) -> float:
        """``dead_probe_s``, or longer where probes of that length cost others their polls."""
        cost_s = max(took_s, 2 * device.spec.traits.timeout_s)  # the line is held for one more time-out afterwards
        live_s = [d.spec.period_s for d in self._devices if not d.backed_off]
        if not live_s or cost_s < min(live_s) / 2:
            return self._bus.dead_probe_s
        return max(self._bus.dead_probe_s, cost_s * (len(self._devices) - len(live_s)) / PROBE_SHARE)

    def _identify_in_a_gap(self, device: DeviceState, now_ns: int) -> None:
        """Read the identity when it is due and the bus is free for it, or when it has waited for a gap long enough."""
        requests = device.spec.plan.identity_requests
        if now_ns < device.identity_due_ns or not requests:
            return
        free_ns = (self._schedule.next_ns() or now_ns) - now_ns
        overdue = now_ns - device.identity_due_ns > IDENTITY_PATIENCE_S * NS
        if overdue or free_ns > len(requests) * (device.transaction_s or 0.0) * NS:
            talk = converse(self._link, device.spec, requests, now_ns)
            device.identified(talk, now_ns)
            self._busy.add(now_ns, self._clock.monotonic_ns())

    # -- orders

    def _carry_out(self, number: int, order: Order, answer: Answer) -> None:
        device = self._devices[number]
        now_ns = self._clock.monotonic_ns()
        result = transact(self._link, device.spec, order, now_ns)
        ended_ns = self._clock.monotonic_ns()
        self._busy.add(now_ns, ended_ns)
        self._orders_done += 1
        device.ask_everything()  # so that the effect shows
        self._schedule.hasten(number, ended_ns)
        answer.set_result(result)

    def _refuse_orders(self, cause: FailureCause, why: str) -> None:
        now_ns = self._clock.monotonic_ns()
        while self._orders:
            _, order, answer = self._orders.popleft()
            answer.set_result(LinkFailure(order, cause, why, now_ns, now_ns))

    # -- the port

    def _open(self, now_ns: int) -> bool:
        """Open the port when it is time to; while it stays closed, say so for every device whose deadline passes."""
        if self._port.try_open(now_ns):
            for number in range(len(self._devices)):
                self._begin_anew(number, now_ns)
            return True
        self._refuse_orders(FailureCause.PORT_LOST, f"not sent: {self._port.fault}")
        now_ns = self._clock.monotonic_ns()
        for number, device in enumerate(self._devices):
            if now_ns >= device.lost_next_ns:
                missed = self._schedule.pass_over(number, now_ns)
                if missed.count:
                    device.lost_next_ns = now_ns + round(LOST_PACE_S * NS)
                    self._deliver(device.port_lost(missed, self._port.fault))
        return False

    # -- facts

    def statistics(self) -> BusStatistics:
        """What it has done so far; from any thread."""
        devices = [device.snapshot() for device in self._devices]
        failures: Counter[str] = Counter()
        for device in devices:
            failures.update(device.failures)
        return BusStatistics(
            name=self._bus.name,
            is_open=self._link.is_open,
            is_alive=self._thread is not None and self._thread.is_alive(),
            fault=self._port.fault,
            warnings=tuple(self._link.warnings),
            polls=sum(d.polls for d in devices),
            readings=sum(d.readings for d in devices),
            failures=dict(failures),
            missed=sum(d.missed for d in devices),
            orders=self._orders_done,
            reopened=self._port.reopened,
            busy_share=self._busy.share(self._clock.monotonic_ns()),
            lateness=lateness_of([device.lateness for device in self._devices]),
            devices=devices,
            link=dataclasses.asdict(self._link.counters),
        )

    def status(self) -> dict[str, Any]:
        """`statistics` as plain JSON."""
        return as_plain(self.statistics())
