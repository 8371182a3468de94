"""Composition root of the recorder: builds buses, pipeline, journal and control socket, and runs the inbox until a signal comes.

Invariants: only the main thread touches the pipeline; nothing here waits for the disk, a bus or a client; a clean stop ends every
transaction on the wire, empties the inbox through the pipeline, and commits, so nothing taken is lost.
"""

from __future__ import annotations

import contextlib
import gc
import logging
import os
import queue
import signal
import sys
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from pathlib import Path
from types import FrameType
from typing import Any

from loadlog.acquisition import BusPoller, PolledDevice
from loadlog.acquisition.stamps import SteadyUtc
from loadlog.bus import SystemClock, open_link
from loadlog.config import BusConfig, PlanConfig
from loadlog.control.server import ControlServer
from loadlog.detectors import COMPILED
from loadlog.loading import Bench, load_bench
from loadlog.model.clock import NS, Anchor, Clock, ClockStep
from loadlog.model.errors import LoadlogError, RefusedError, StoreError
from loadlog.model.event import Event, EventState, Finding, Onset, Severity
from loadlog.model.run import RunInfo
from loadlog.model.sample import PollFailure, Reading
from loadlog.model.wire import Line
from loadlog.pipeline import Pipeline
from loadlog.process.priority import keep_to_own_processor
from loadlog.process.systemd import Notifier
from loadlog.profiles import ReadPlan, link_traits
from loadlog.recorder.actions import Actions
from loadlog.recorder.orders import Orders
from loadlog.store.forward_state import forwarded_up_to
from loadlog.store.journal import Journal
from loadlog.store.trouble import Trouble

WATCH_S = 6.0  # how long one `watch` order hastens commits
WATCH_INTERVAL_S = 0.25
TICK_S = 0.5
FACTS_AGE_S = 3.0
LEARNED_S = 60.0  # how often what was learned is written down
RECALL_S = 3600.0  # after a longer rest the bench may be wired anew: everything is learned again
ANSWER_S = 4.0  # longest wait for the main thread, and again for the disk, before an order is answered
_log = logging.getLogger(__name__)

Call = tuple[Callable[[], Any], "Future[Any]"]


class Recorder:
    """One bench being recorded. Made, run once, thrown away."""

    def __init__(self, bench: Bench, clock: Clock, notifier: Notifier) -> None:
        self._bench, self._clock, self._notifier = bench, clock, notifier
        self.device_names = tuple(bench.devices)
        self.plans: Mapping[str, PlanConfig] = {plan.name: plan for plan in bench.config.plan}
        self._inbox: queue.SimpleQueue[Reading | PollFailure | ClockStep | Trouble | Call | None] = queue.SimpleQueue()
        self._stopping = False
        self._reload_wanted = False
        self._identities: dict[str, dict[str, str]] = {}
        self._anchor = Anchor(clock)
        self._utc = SteadyUtc(self._anchor)  # as the stamps of the samples: a clock set back makes no run longer and no note older
        self._samples = 0
        self._durable: list[Future[None]] = []
        settings = bench.config.store
        self._journal = Journal.open(
            bench.data_dir,
            clock,
            settings,
            devices=bench.devices,
            snapshot=lambda: bench.snapshot(self._identities),
            on_trouble=self._inbox.put,
            forwarded_up_to=self._forwarded_up_to if bench.config.forward else None,
        )
        self._pipeline = Pipeline(
            tuple(bench.devices.values()),
            next_seq=self._journal.last_seq + 1,
            next_event_id=self._journal.last_event_id + 1,
            run_of=self._journal.run_of,
        )
        self._pipeline.restore(self._journal.active_events)
        self._begin_detecting()
        self._next_learned_s = self._facts_until_s = 0.0
        self._known: dict[str, Any] = {}
        self._pollers = {bus.name: self._poller(bus) for bus in bench.config.bus}
        self._actions = Actions(bench.config.protective_action, self._switch_off, self._ordered)
        self._control = ControlServer(bench.data_dir, self._from_socket)
        self._orders = Orders(self)

    def _begin_detecting(self) -> None:
        now_ns = self._now()
        recalled = {
            device: known
            for device, known in self._journal.remembered.items()
            if device in self._bench.devices and 0 <= now_ns - known.t_utc_ns <= RECALL_S * NS
        }
        self._journal.put_circumstance(self._pipeline.begin(self.device_names, now_ns, "the service started", recalled))

    def _forwarded_up_to(self, recording: str) -> int:
        """Highest number of a recording that every target has acknowledged."""
        return forwarded_up_to(self._bench.data_dir, [target.name for target in self._bench.config.forward]).get(recording, 0)

    # -- life

    def run(self) -> int:
        """Record until SIGTERM or SIGINT; returns the exit status."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._on_stop)
        signal.signal(signal.SIGHUP, self._on_hangup)
        self._control.start()
        self._journal.start(keep_to_own_processor)
        for poller in self._pollers.values():
            poller.start()
        self._actions.try_at_start(self._now())
        self._notifier.ready(f"recording {len(self.device_names)} devices")
        made = "compiled" if COMPILED else "Python"
        facts = {"bench": self._bench.config.bench.name, "data": str(self._bench.data_dir), "detectors": made}
        _log.info("recording", extra={"fields": facts})
        try:
            self._work()
        finally:
            self._shut_down()
        return 0

    def _work(self) -> None:
        next_tick_s = time.monotonic()
        while not self._stopping:
            with contextlib.suppress(queue.Empty):
                self._take(self._inbox.get(timeout=TICK_S))
            now_s = time.monotonic()
            if now_s >= next_tick_s:
                next_tick_s = now_s + TICK_S
                self._tick()

    def _shut_down(self) -> None:
        if not self._reload_wanted:
            self._notifier.stopping()
        self._control.stop()
        for poller in self._pollers.values():
            poller.stop()
        while True:
            try:
                self._take(self._inbox.get_nowait())
            except queue.Empty:
                break
        self._keep_learned(self.device_names)
        self._journal.close()
        _log.info("stopped", extra={"fields": {"samples": self._samples}})

    def _on_stop(self, _number: int, _frame: FrameType | None) -> None:
        self._stopping, self._reload_wanted = True, False  # who is to stop does not start afresh
        self._inbox.put(None)

    def _on_hangup(self, _number: int, _frame: FrameType | None) -> None:
        self._inbox.put((lambda: self._carry_out("reload", {}), Future()))

    # -- the inbox

    def _take(self, item: Reading | PollFailure | ClockStep | Trouble | Call | None) -> None:
        if isinstance(item, Reading | PollFailure):
            self._sample(item)
        elif isinstance(item, tuple):
            work, answer = item
            try:
                answer.set_result(work())
            except LoadlogError as exc:
                _log.warning("order refused: %s", exc)
                answer.set_exception(exc)
            except Exception as exc:  # an order must never end the recording
                _log.exception("order failed")
                answer.set_exception(exc)
        elif isinstance(item, ClockStep):
            self._publish(self._pipeline.clock_stepped(item))
        elif isinstance(item, Trouble):
            self._trouble(item)

    def _sample(self, item: Reading | PollFailure) -> None:
        if isinstance(item, Reading) and item.texts:
            self._identities[item.device] = dict(item.texts)
            self._journal.put_identity(item.device, item.texts, item.stamp.t_utc_ns)
        sample, events = self._pipeline.feed(item)
        self._samples += 1
        self._journal.put_sample(sample)
        self._publish(events)
        for finding in self._actions.on_sample(sample):
            self._publish(self._pipeline.service_finding(finding))

    def _publish(self, events: list[Event]) -> None:
        if not events:
            return
        self._journal.put_events(events)
        for event in events:
            needs_somebody = event.state is EventState.ACTIVE and event.severity is not Severity.INFO
            level = logging.WARNING if needs_somebody else logging.INFO
            _log.log(
                level, "event %s %s: %s", event.kind, event.state, event.message, extra={"fields": {"id": event.id, "device": event.device}}
            )
        self._actions.on_events(events)

    def _trouble(self, trouble: Trouble) -> None:
        now_ns = self._now()
        finding = Finding(
            kind=trouble.kind,
            device=trouble.device,
            severity=Severity.ALARM if trouble.kind == "store_trouble" else Severity.WARNING,
            onset=Onset(trouble.since_utc_ns or now_ns, now_ns),
            message=trouble.message,
            key=trouble.key,
            clear=not trouble.active,
            momentary=trouble.momentary,
            evidence=trouble.evidence,
        )
        self._publish(self._pipeline.service_finding(finding))

    def _tick(self) -> None:
        self._notifier.alive()
        self._journal.look_at_disk()
        now_ns = self._now()
        for run in self.running():
            if run.planned_s and now_ns >= run.started_utc_ns + round(run.planned_s * NS):
                self.stop_run(run.id, "planned duration reached")
        if time.monotonic() >= self._next_learned_s:
            self._next_learned_s = time.monotonic() + LEARNED_S
            self._keep_learned(self.device_names)
        if self._reload_wanted:
            self._stopping = True

    def _keep_learned(self, devices: tuple[str, ...]) -> None:
        now_ns = self._now()
        for device in devices:
            self._journal.put_learned(device, self._pipeline.learned(device, now_ns))

    # -- what the orders ask (RecorderState)

    def running(self) -> list[RunInfo]:
        """The runs that are on."""
        return list(self._journal.running)

    def start_run(self, name: str, devices: tuple[str, ...], planned_s: float, keep: bool) -> RunInfo:
        """Begin a run on devices that are in none."""
        for device in devices:
            if (other := self._journal.run_of(device)) is not None:
                raise RefusedError(f"device {device} is in run {other}", hint=f"stop it first, or start the run without {device}")
        run = RunInfo(self._journal.next_run_id(name), name, devices, self._now(), planned_s, keep=keep)
        self._durable.append(self._journal.start_run(run, self._bench.snapshot(self._identities)))
        # Another source, other leads: a run is judged by what is learned in it, and a replay of it needs nothing from before.
        self._journal.put_circumstance(self._pipeline.begin(devices, run.started_utc_ns, f"run {run.id} started"))
        _log.info("run started", extra={"fields": {"run": run.id, "devices": ",".join(devices)}})
        return run

    def stop_run(self, run_id: str, reason: str) -> None:
        """End a run."""
        self._keep_learned(next((r.devices for r in self.running() if r.id == run_id), ()))
        self._durable.append(self._journal.stop_run(run_id, self._now(), reason))
        _log.info("run stopped", extra={"fields": {"run": run_id, "reason": reason}})

    def add_note(self, run_id: str | None, author: str, text: str) -> None:
        """Write into the logbook of a run, or of the time between runs."""
        self._durable.append(self._journal.put_note(self._pipeline.take_seq(), run_id, self._now(), author, text))

    def acknowledge(self, event_id: int, by: str, note: str) -> Event:
        """Acknowledge an event, active or not."""
        event = self._pipeline.acknowledge(event_id, by, note, self._now())
        self._journal.put_events([event])
        return event

    def watch(self) -> None:
        """Somebody looks: commit more often for some seconds."""
        self._journal.watch(WATCH_INTERVAL_S, WATCH_S)

    def report(self, kind: str, key: str, message: str, active: bool) -> None:
        """Another process of the service found, or no longer finds, something wrong."""
        now_ns = self._now()
        finding = Finding(kind, None, Severity.WARNING, Onset(now_ns, now_ns), message, key, clear=not active)
        self._publish(self._pipeline.service_finding(finding))

    def reload(self) -> None:
        """Check the configuration file as it stands now; when it is right, start afresh with it."""
        load_bench(self._bench.path).budgets()
        self._notifier.reloading(time.monotonic_ns())
        self._reload_wanted = True

    @property
    def reload_wanted(self) -> bool:
        """The process is to be started afresh after `run` returned."""
        return self._reload_wanted

    def status(self) -> dict[str, Any]:
        """Facts about the service for the viewer; plain JSON."""
        return {
            "bench": self._bench.config.bench.name,
            "configuration": self._bench.digest,
            "t_utc_ns": self._now(),
            "devices": list(self.device_names),
            "runs": [
                {"id": r.id, "name": r.name, "devices": list(r.devices), "started_utc_ns": r.started_utc_ns, "planned_s": r.planned_s}
                for r in self.running()
            ],
            "samples": self._samples,
            "buses": {name: poller.status() for name, poller in self._pollers.items()},
            "store": self._journal.status(),
            "learned": self._facts(),
            "active_events": [e.to_json() for e in self._pipeline.active()],
        }

    def configuration(self) -> str:
        """The text of the configuration that is in force; secrets never stand in it."""
        return self._bench.text

    def _facts(self) -> dict[str, Any]:
        """What was learned, at most `FACTS_AGE_S` old: it changes slowly, and a page that is open asks every second."""
        now_s = time.monotonic()
        if now_s >= self._facts_until_s:
            self._facts_until_s = now_s + FACTS_AGE_S
            now_ns = self._now()
            self._known = {name: self._pipeline.learned(name, now_ns).to_json() for name in self.device_names}
        return self._known

    # -- wiring

    def _from_socket(self, order: str, fields: dict[str, Any]) -> dict[str, Any]:
        answer: Future[tuple[dict[str, Any], list[Future[None]]]] = Future()
        self._inbox.put((lambda: self._carry_out(order, fields), answer))
        try:
            reply, durable = answer.result(timeout=ANSWER_S)
            for done in durable:
                done.result(timeout=ANSWER_S)
        except TimeoutError as exc:
            raise StoreError(
                f"order {order} was taken but is not on the disk yet", where=str(self._bench.data_dir), hint="see loadlog store status"
            ) from exc
        return reply

    def _carry_out(self, order: str, fields: dict[str, Any]) -> tuple[dict[str, Any], list[Future[None]]]:
        """On the main thread: the answer, and what must be durable before it is given."""
        self._durable = []
        return self._orders.carry_out(order, fields), self._durable

    def _now(self) -> int:
        return self._utc.to_utc(self._clock.monotonic_ns())

    def _ordered(self, device: str, t_utc_ns: int) -> None:
        self._journal.put_circumstance(self._pipeline.order(device, "input_on", 0, t_utc_ns))

    def _switch_off(self, device: str) -> Future[Any]:
        config, bus = self._bench.configured(device)
        request = self._bench.profile_of(config).write("input_off")
        return self._pollers[bus.name].submit(device, request)

    def _poller(self, bus: BusConfig) -> BusPoller:
        line = Line(bus.baudrate, bus.bits_per_character) if bus.port else None
        polled = []
        for device in self._bench.on_bus(bus):
            profile = self._bench.profile_of(device)
            plan = ReadPlan.make(profile, line)
            polled.append(PolledDevice(device.name, device.unit_id or 0, plan, link_traits(profile), 1.0 / device.rate_hz))
        return BusPoller(bus, polled, open_link(bus, self._clock), self._clock, self._anchor, self._inbox.put, self._inbox.put)


def run_recorder(config_path: Path) -> int:
    """The recorder process. Starts itself afresh in place (same process identifier) when a reload was ordered.

    Raises:
        LoadlogError: the configuration, the store or the control socket refuses; nothing was recorded.
    """
    bench = load_bench(config_path)
    bench.budgets()
    # Short turns of the interpreter lock: a bus thread that wakes must not wait 5 ms for the pipeline.
    sys.setswitchinterval(0.0002)
    recorder = Recorder(bench, SystemClock(), Notifier(os.environ))
    # What was made so far stays until the end: collections need not walk over it in the middle of a poll.
    gc.collect()
    gc.freeze()
    status = recorder.run()
    if recorder.reload_wanted:
        logging.shutdown()
        os.execv(sys.executable, [sys.executable, "-m", "loadlog", *sys.argv[1:]])
    return status
