"""The writing thread's side of the journal: takes from the backlog, routes into streams, commits, and deals with a disk that refuses.

Nothing here is called from two threads at once. A commit that fails leaves everything in place for the next try: the batches in their
streams, what was not routed yet in order. `unwritten` says what is told of it.
"""

from __future__ import annotations

import contextlib
import logging
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from loadlog.model.circumstance import Begun, Circumstance, Ordered, devices_of, to_json
from loadlog.model.clock import NS, Clock
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import RefusedError, StoreError
from loadlog.model.event import Event, EventState
from loadlog.model.learned import Understanding
from loadlog.model.run import RunInfo, Snapshot
from loadlog.store.backlog import SAMPLE, Backlog, Flush, Identity, Item, PutLearned, PutNote, StartRun, StopRun, unpack
from loadlog.store.compaction import Compaction
from loadlog.store.connect import reading
from loadlog.store.housekeeping import Housekeeping
from loadlog.store.info import RecordingInfo, read_learned
from loadlog.store.recovery import Found, same_devices
from loadlog.store.rows import event_row
from loadlog.store.schema import compact
from loadlog.store.stream import DAY_NS, Stream, Surroundings
from loadlog.store.trouble import Trouble, lost
from loadlog.store.unwritten import RETRY_MIN_S, WRITE, Unwritten
from loadlog.store.writer import Recording

ITEMS_AT_ONCE = 5000
ORDERS = (StartRun, StopRun)
_log = logging.getLogger(__name__)


class Keeper:
    """See the module. ``specs``: every device that can be recorded."""

    def __init__(
        self, folder: Path, clock: Clock, specs: dict[str, DeviceSpec], snapshot: Callable[[], Snapshot], backlog: Backlog,
        housekeeping: Housekeeping, on_trouble: Callable[[Trouble], None], on_commit: Callable[[int], None],
    ) -> None:  # fmt: skip
        self._clock, self.specs, self.backlog, self.housekeeping = clock, specs, backlog, housekeeping
        self._on_trouble, self._on_commit = on_trouble, on_commit
        self._around = Surroundings(
            folder, clock.utc_ns, lambda: (self._seen_seq, self._seen_event_id), self._active_of,
            lambda key, message: self.tell("store_trouble", key, message),
        )  # fmt: skip
        self._compaction = Compaction(clock, self.tell)
        self._rolling = Stream(self._around, None, tuple(specs.values()), snapshot)
        self._runs: dict[str, Stream] = {}
        self._stream_of = dict.fromkeys(specs, self._rolling)
        self._active: dict[int, Event] = {}
        self.remembered: dict[str, Understanding] = {}
        self._identities: dict[str, dict[str, str]] = {}
        self._todo: deque[Item] = deque()
        self._waiting: list[Flush | PutNote] = []
        self._found: list[Trouble] = []
        self._told: set[str] = set()
        self._gap_from: dict[str, tuple[int, int]] = {}  # device -> number and instant of its recording's end
        self._seen_seq = self._seen_event_id = 0
        self.unwritten = Unwritten(clock, housekeeping, on_trouble)
        self._runs_changed = False
        self.committed_seq = self.lost = self.commits = 0

    # -- facts

    @property
    def streams(self) -> list[Stream]:
        """The rolling stream and those of the runs that are on."""
        return [self._rolling, *self._runs.values()]

    def recording_names(self) -> list[str]:
        """The files being written."""
        return [s.path.name for s in self.streams if s.path is not None]

    # -- beginning

    def resume(self, found: Found) -> None:
        """Go on with what was going on; files are opened here, so what is wrong with them shows at once.

        Raises:
            StoreError: the folder does not take writes.
        """
        self._seen_seq = self.committed_seq = found.ledger.seq
        self._seen_event_id = found.ledger.event_id
        self._active = dict(found.active)
        self._found = list(found.troubles)
        self._go_on_with_troubles()
        for info in found.open_others:
            self._finish_left_open(info)
        for resumable in found.running:
            self._resume_run(resumable.run, resumable.recording)
        if found.rolling is not None:
            self._resume_rolling(found.rolling)
        for info in sorted(found.infos, key=lambda i: -i.created_utc_ns):
            self._expect_gap(info, [name for name in info.devices if name in self.specs and name not in self._gap_from])

    def _go_on_with_troubles(self) -> None:
        """Troubles that were on when the recorder stopped: what no longer holds is told to be over, what does is not told again."""
        for event in self._active.values():
            if event.kind == "disk_low":
                self.housekeeping.was_low()
            elif event.kind == "store_trouble" and event.key == WRITE:
                self.unwritten.go_on(event.message, event.onset.earliest_utc_ns)

    def _resume_run(self, run: RunInfo, info: RecordingInfo | None) -> None:
        specs = tuple(self.specs[name] for name in run.devices if name in self.specs)
        if not specs:
            if info is not None:
                self._finish_left_open(info, "its devices are no longer configured")
            return
        stream = Stream(self._around, run, specs, self._rolling.snapshot)
        self._runs[run.id] = stream
        self._stream_of |= {spec.name: stream for spec in specs}
        if info is None:
            return
        stream.part = info.part
        if info.closed_utc_ns is None:
            if info.devices == run.devices and same_devices(info.path, self.specs, run.devices):
                stream.path = info.path
                self._remember(info)
            else:
                self._finish_left_open(info)
        self._expect_gap(info, [spec.name for spec in specs])

    def _resume_rolling(self, info: RecordingInfo) -> None:
        today = self._clock.utc_ns() // DAY_NS
        is_of_today = info.created_utc_ns // DAY_NS == today
        if is_of_today and set(info.devices) == set(self.specs) and same_devices(info.path, self.specs, info.devices):
            self._rolling.path = info.path
            self._remember(info)
            self._expect_gap(info, [d for d, s in self._stream_of.items() if s is self._rolling])
        else:
            self._finish_left_open(info)

    def _remember(self, info: RecordingInfo) -> None:
        """What was learned in a recording that is gone on with, of the devices that are still recorded in it."""
        with reading(info.path) as connection:
            self.remembered |= {d: known for d, known in read_learned(connection).items() if d in info.devices}

    def _expect_gap(self, info: RecordingInfo, devices: Sequence[str]) -> None:
        end = (max(info.last_seq, info.floor_seq), info.t_last_ns or info.created_utc_ns)
        self._gap_from |= dict.fromkeys(devices, end)

    def _finish_left_open(self, info: RecordingInfo, reason: str = "") -> None:
        """A recording that a crash left open and that nothing will be added to."""
        end_utc_ns = info.t_last_ns or info.created_utc_ns
        try:
            Recording.reopen(info.path).finish(end_utc_ns, reason)
        except StoreError as exc:
            self._found.append(Trouble("store_trouble", exc.args[0], key=f"unfinished:{info.name}", momentary=True))

    def open_gaps(self) -> dict[str, int]:
        """Device -> instant of its last sample, for those whose next sample ends a time without a recorder."""
        return {device: t_utc_ns for device, (_, t_utc_ns) in self._gap_from.items()}

    def tell_found(self) -> None:
        """What was wrong at the start, now that somebody listens."""
        for trouble in self._found:
            self._on_trouble(trouble)
        self._found.clear()

    def take_runs_changed(self) -> bool:
        """True once after runs began or ended."""
        changed, self._runs_changed = self._runs_changed, False
        return changed

    # -- one turn

    def cycle(self) -> bool:
        """Take, route, commit. Returns True when more is waiting. Never raises."""
        self.housekeeping.look_when_due([s.path for s in self.streams if s.path is not None])
        try:
            self._advance()
        except StoreError as exc:
            self.unwritten.refused(exc)
            return False
        except Exception as exc:  # whatever it is, the next try may succeed, and the samples are kept until then
            _log.exception("unexpected trouble while writing")
            self.unwritten.refused(StoreError(f"unexpected trouble: {exc!r}", retryable=True))
            return False
        self.unwritten.over()
        for stream in self.streams:  # what was committed is told: nobody waits for this
            if stream.recording is not None:
                stream.recording.checkpoints.make_when_due()
        self._compaction.turn(self.streams)
        return len(self.backlog) > 0

    def _advance(self) -> None:
        self._commit()
        if not self._todo:
            self._todo.extend(self.backlog.take(ITEMS_AT_ONCE))
            self._enter_losses()
        while self._todo:
            item = self._todo[0]
            if isinstance(item, SAMPLE):
                self._route_samples()
                continue
            if isinstance(item, ORDERS):
                self._commit()
                self._carry_out(item)
            else:
                self._route(item)
            self._todo.popleft()
        self._commit()

    def _route_samples(self) -> None:
        """Up to the next item of another kind: nearly all are samples."""
        todo, stream_of, gap_from = self._todo, self._stream_of, self._gap_from
        while todo and isinstance(todo[0], SAMPLE):
            one = device, row = unpack(todo.popleft())  # type: ignore[arg-type]  # as was looked
            stream_of[device].batch.samples.append(one)
            self._seen_seq = row[0]
            if device in gap_from:
                self._enter_gap(device, row[0], row[1])

    def _route(self, item: Item) -> None:
        if isinstance(item, Event):
            self._route_event(item)
        elif isinstance(item, Identity):
            self._route_identity(item)
        elif isinstance(item, PutNote):
            self._route_note(item)
        elif isinstance(item, PutLearned):
            self._route_learned(item)
        elif isinstance(item, Begun | Ordered):
            self._route_circumstance(item)
        elif isinstance(item, Flush):
            self._waiting.append(item)

    def _route_event(self, event: Event) -> None:
        self._seen_seq, self._seen_event_id = max(self._seen_seq, event.seq), max(self._seen_event_id, event.id)
        if event.state is EventState.ACTIVE:
            self._active[event.id] = event
        else:
            self._active.pop(event.id, None)
        try:
            row = event_row(event, carried=False)
        except (TypeError, ValueError) as exc:
            self.tell("store_trouble", f"event:{event.kind}", f"evidence of event {event.id} ({event.kind}) is not stored: {exc}")
            return
        for stream in self._streams_for(event):
            stream.batch.events.append(row)

    def _streams_for(self, event: Event) -> list[Stream]:
        if event.device in self._stream_of:
            return [self._stream_of[event.device]]
        if event.run in self._runs:
            return [self._runs[event.run]]
        used = [s for s in self.streams if s is not self._rolling]
        return [*used, self._rolling] if not used or self._rolling.path is not None or self._rolling.batch else used

    def _route_identity(self, item: Identity) -> None:
        if item.device in self._stream_of and self._identities.get(item.device) != item.texts:
            self._identities[item.device] = item.texts
            rows = [(item.device, name, item.t_utc_ns, text) for name, text in item.texts.items()]
            self._stream_of[item.device].batch.identities.extend(rows)

    def _route_learned(self, item: PutLearned) -> None:
        """Into the recording that the device's samples are in; nobody asks what was learned where there are none."""
        stream = self._stream_of.get(item.device)
        if stream is not None and (stream.path is not None or stream.batch):
            stream.batch.learned[item.device] = item.text

    def _route_circumstance(self, item: Circumstance) -> None:
        self._seen_seq = max(self._seen_seq, item.seq)
        kind, body = to_json(item)
        streams = {id(s): s for s in map(self._stream_of.get, devices_of(item)) if s is not None}
        for stream in streams.values():
            stream.batch.circumstances.append((item.seq, item.t_utc_ns, kind, compact(body)))

    def _route_note(self, item: PutNote) -> None:
        stream = self._rolling if item.run_id is None else self._runs.get(item.run_id)
        if stream is None:
            item.done.set_exception(RefusedError(f"run {item.run_id!r} is not on"))
            return
        note = item.note
        self._seen_seq = max(self._seen_seq, note.seq)
        stream.batch.notes.append((note.seq, note.t_utc_ns, note.author, note.text))
        self._waiting.append(item)

    def _enter_gap(self, device: str, seq: int, t_utc_ns: int) -> None:
        last_seq, last_utc_ns = self._gap_from.pop(device)
        row = (last_seq + 1, seq, device, last_utc_ns, t_utc_ns, None, "the recorder was not running")
        self._stream_of[device].batch.gaps.append(row)

    def _enter_losses(self) -> None:
        for device, loss in self.backlog.take_losses().items():
            self.lost += loss.count
            extent = (loss.first_seq, loss.last_seq, device, loss.from_utc_ns, loss.to_utc_ns, loss.count)
            row = (*extent, "the queue overflowed while the disk refused")
            self._stream_of[device].batch.gaps.append(row)
            self._on_trouble(lost(device, loss.count, loss.from_utc_ns, loss.to_utc_ns))

    # -- orders

    def _carry_out(self, item: StartRun | StopRun) -> None:
        if isinstance(item, StartRun):
            self._start(item.run, item.snapshot)
        else:
            self._stop(item)
        self._runs_changed = True
        if not item.done.cancelled():
            item.done.set_result(None)

    def _start(self, run: RunInfo, snapshot: Snapshot) -> None:
        stream = self._runs.get(run.id)
        if stream is None:
            stream = Stream(self._around, run, tuple(self.specs[name] for name in run.devices), lambda: snapshot)
            self._runs[run.id] = stream
        stream.begin()
        self._stream_of |= dict.fromkeys(run.devices, stream)

    def _stop(self, item: StopRun) -> None:
        stream = self._runs.get(item.run_id)
        if stream is None:
            return
        stream.finish(item.t_utc_ns, item.reason)
        del self._runs[item.run_id]
        devices = [name for name, s in self._stream_of.items() if s is stream]
        self._stream_of |= dict.fromkeys(devices, self._rolling)
        self._rolling.carry(self._active_of(stream.specs))

    def _active_of(self, specs: Sequence[DeviceSpec]) -> list[Event]:
        names = {spec.name for spec in specs}
        return [event for event in self._active.values() if event.device is None or event.device in names]

    # -- the disk

    def _commit(self) -> None:
        wrote = False
        for stream in self.streams:
            if stream.batch:
                wrote = True
                stream.commit()
        if wrote:
            self.commits += 1
            self.committed_seq = self._seen_seq
            self._on_commit(self._seen_seq)
        for item in self._waiting:
            with contextlib.suppress(Exception):  # cancelled by who waited
                item.done.set_result(self.committed_seq if isinstance(item, Flush) else None)  # type: ignore[arg-type]
        self._waiting.clear()

    def tell(self, kind: str, key: str, message: str) -> None:
        """A trouble that is over as it is told; each (kind, key) once."""
        if (mark := f"{kind} {key}") not in self._told:
            self._told.add(mark)
            self._on_trouble(Trouble(kind, message, key=key, momentary=True))

    def drain(self, timeout_s: float) -> int:
        """The end: write what is left within the time, close. Returns the number of samples that stay unwritten."""
        deadline_ns = self._clock.monotonic_ns() + round(timeout_s * NS)
        while self.cycle() or self.unwritten.blocked:
            now_ns = self._clock.monotonic_ns()
            if now_ns >= deadline_ns:
                break
            if self.unwritten.blocked:
                wait_s = max(self.unwritten.retry_in_s, RETRY_MIN_S)
                self._clock.sleep_until(min(deadline_ns, now_ns + round(wait_s * NS)))
        left = self.backlog.samples + sum(isinstance(i, SAMPLE) for i in self._todo) + sum(len(s.batch.samples) for s in self.streams)
        self._compaction.close()
        for stream in self.streams:
            stream.close()
        for order in self._orders_left():
            order.done.cancel()
        return left

    def _orders_left(self) -> Iterator[StartRun | StopRun | Flush | PutNote]:
        for item in (*self._waiting, *self._todo, *self.backlog.take(1 << 30)):
            if isinstance(item, StartRun | StopRun | Flush | PutNote):
                yield item
