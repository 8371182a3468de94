"""The journal: every recording of a data directory that is being written, and the one thread that writes them.

`put_*` never block and never raise; what they were given is durable at most one commit interval later, or waits in the bounded backlog
until the disk takes it again. Orders (`start_run`, `stop_run`) travel in the same queue, so a run's recording begins and ends exactly
between two samples. Samples are recorded in the run of their device, or in the rolling recording when it is in none. Events go to the
recording of their device, those without a device to every recording that is open.

Two threads: the caller's side keeps who is in which run (`run_of`, `running`) as ordered; the writing thread keeps which file a device is
written to, and follows in the order of the queue.
"""

from __future__ import annotations

import dataclasses
import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loadlog.model.circumstance import Circumstance
from loadlog.model.clock import NS, Clock
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import RefusedError, StoreError
from loadlog.model.event import Event
from loadlog.model.learned import Understanding
from loadlog.model.run import Note, RunInfo, Snapshot
from loadlog.model.sample import Sample
from loadlog.store import recovery
from loadlog.store.backlog import Backlog, Flush, Identity, PutLearned, PutNote, StartRun, StopRun
from loadlog.store.disk import MIB, DirectoryLock, Ledger, Reserve, write_ledger
from loadlog.store.housekeeping import Housekeeping
from loadlog.store.info import FOLDER, SUFFIX
from loadlog.store.keeper import Keeper
from loadlog.store.retention import ForwardedUpTo
from loadlog.store.rows import Layout
from loadlog.store.schema import compact
from loadlog.store.slowness import SLOW, Slowness
from loadlog.store.trouble import Trouble, not_running

if TYPE_CHECKING:
    from loadlog.config import StoreConfig

CLOSE_TIMEOUT_S = 10.0
_log = logging.getLogger(__name__)


class Journal:
    """Use `open`, then `start`, then `close`. Thread-safe.

    Attributes:
        last_seq, last_event_id: the highest numbers given out so far; the caller numbers on from here.
        active_events: events that were active when the journal was opened, for the pipeline to go on with.
        remembered: device -> what was learned in the recording that is gone on with.
        devices: device name -> description, as recorded.
    """

    def __init__(
        self, directory: Path, lock: DirectoryLock, keeper: Keeper, found: recovery.Found, clock: Clock, settings: StoreConfig,
        on_trouble: Callable[[Trouble], None],
    ) -> None:  # fmt: skip
        self._directory, self._lock_file, self._keeper, self._clock, self._settings = directory, lock, keeper, clock, settings
        self.devices = keeper.specs
        self.last_seq, self.last_event_id = found.ledger.seq, found.ledger.event_id
        self._last_run = found.ledger.run
        self.active_events: list[Event] = list(found.active.values())
        self.remembered: Mapping[str, Understanding] = dict(keeper.remembered)
        self._layouts = {name: Layout(spec) for name, spec in self.devices.items()}
        self._backlog = keeper.backlog
        self._mutex = self._backlog.lock
        self._runs: dict[str, RunInfo] = {s.run.id: s.run for s in keeper.streams if s.run is not None}
        self._run_of = {device: run.id for run in self._runs.values() for device in run.devices}
        self._open_gaps, self._on_trouble = keeper.open_gaps(), on_trouble
        self._wake = threading.Condition()
        self._closing = self._hurry = False
        self._hasten_until_ns, self._hasten_s = 0, settings.commit_interval_s
        slow = next((e for e in self.active_events if e.kind == "store_trouble" and e.key == SLOW), None)
        self._slowness = Slowness(str(directory), clock, on_trouble, slow.message if slow is not None else "")
        self._prepare: Callable[[], None] = lambda: None
        self._thread = threading.Thread(target=self._write_until_closed, name="journal", daemon=True)

    @classmethod
    def open(
        cls,
        directory: Path,
        clock: Clock,
        settings: StoreConfig,
        *,
        devices: Mapping[str, DeviceSpec],
        snapshot: Callable[[], Snapshot],
        on_trouble: Callable[[Trouble], None] = lambda trouble: None,
        on_commit: Callable[[int], None] = lambda seq: None,
        forwarded_up_to: ForwardedUpTo | None = None,
    ) -> Journal:
        """Take the directory, find what was going on, and be ready to go on with it.

        ``snapshot`` is called whenever a rolling recording begins. ``on_trouble`` and ``on_commit`` (highest number that is durable) are
        called on the writing thread and must not block; a time without a recorder is told by `put_sample`, on its caller's thread, and
        a disk that does not answer by `look_at_disk`.
        ``forwarded_up_to``: how far a recording is forwarded, None when nothing is.

        Raises:
            StoreError: another recorder is writing here, or the directory is missing, not permitted or read-only.
        """
        folder = _make_folder(directory)
        lock = DirectoryLock(directory)
        try:
            found = recovery.survey(directory, folder)
            house = Housekeeping(folder, clock, settings, Reserve(directory, settings.reserve_mib * MIB), on_trouble, forwarded_up_to)
            keeper = Keeper(folder, clock, dict(devices), snapshot, Backlog(settings.queue_samples), house, on_trouble, on_commit)
            keeper.resume(found)
            return cls(directory, lock, keeper, found, clock, settings, on_trouble)
        except OSError as exc:
            lock.release()
            raise StoreError(exc.strerror or str(exc), where=str(exc.filename or folder), hint="check the directory") from exc
        except BaseException:
            lock.release()
            raise

    def start(self, prepare: Callable[[], None] = lambda: None) -> None:
        """Begin to write; ``prepare`` is called first, on the writing thread."""
        self._prepare = prepare
        self._thread.start()

    # -- what the pipeline gives

    def put_sample(self, sample: Sample) -> int:
        """Queue one sample; returns the number it is stored under: its own, or the next free one when it has none yet or a used one."""
        layout = self._layouts.get(sample.device)
        if layout is None:
            self._keeper.tell("store_trouble", f"unknown:{sample.device}", f"samples of unknown device {sample.device!r} are not recorded")
            return sample.seq
        with self._mutex:
            self.last_seq = seq = sample.seq if sample.seq > self.last_seq else self.last_seq + 1
            self._backlog.put_sample(sample.device, layout.encode(sample, seq))
            since_utc_ns = self._open_gaps.pop(sample.device, None) if self._open_gaps else None
        if since_utc_ns is not None and self.run_of(sample.device) is not None:
            self._tell_gap(sample, since_utc_ns)
        return seq

    def _tell_gap(self, sample: Sample, since_utc_ns: int) -> None:
        """At once, on the caller's thread: orders that follow the sample must not overtake it, or the run's recording would not tell."""
        self._on_trouble(not_running(sample.device, since_utc_ns, sample.stamp.t_utc_ns))

    def _take_number(self, wanted: int) -> int:
        self.last_seq = wanted if wanted > self.last_seq else self.last_seq + 1
        return self.last_seq

    def put_events(self, events: Sequence[Event]) -> None:
        """Queue new states of events; one without a number gets the next one."""
        with self._mutex:
            for event in events:
                numbered = event if event.seq else dataclasses.replace(event, seq=self._take_number(0))
                self.last_seq = max(self.last_seq, numbered.seq)
                self.last_event_id = max(self.last_event_id, numbered.id)
                self._backlog.put(numbered)

    def put_note(self, seq: int, run_id: str | None, t_utc_ns: int, author: str, text: str) -> Future[None]:
        """Queue a logbook line for a run that is on, or for the time between runs (``run_id`` None)."""
        done: Future[None] = Future()
        with self._mutex:
            self._backlog.put(PutNote(run_id, Note(self._take_number(seq), t_utc_ns, author, text), done))
        self._nudge()
        return done

    def put_learned(self, device: str, known: Understanding) -> None:
        """Queue what was learned of a device so far; the last one of each recording is kept."""
        item = PutLearned(device, compact(known.to_json()))
        with self._mutex:
            self._backlog.put(item)

    def put_circumstance(self, item: Circumstance) -> None:
        """Queue what the detectors were given besides samples; ``seq`` must come from the counter of the samples."""
        with self._mutex:
            self.last_seq = max(self.last_seq, item.seq)
            self._backlog.put(item)

    def put_identity(self, device: str, texts: Mapping[str, str], t_utc_ns: int) -> None:
        """Queue what a device said of itself; only changes are stored."""
        with self._mutex:
            self._backlog.put(Identity(device, dict(texts), t_utc_ns))

    # -- runs

    @property
    def running(self) -> tuple[RunInfo, ...]:
        """The runs that are on, as ordered."""
        with self._mutex:
            return tuple(self._runs.values())

    def run_of(self, device: str) -> str | None:
        """The run that the device is in, as ordered."""
        return self._run_of.get(device)

    def next_run_id(self, name: str) -> str:
        """``<name>-<4 digits>``; the number is given out once."""
        with self._mutex:
            self._last_run += 1
            return f"{name}-{self._last_run:04d}"

    def start_run(self, run: RunInfo, snapshot: Snapshot) -> Future[None]:
        """From the next sample on, the run's devices are recorded in the run. The future resolves when that is durable.

        Raises:
            RefusedError: a device is unknown or in another run, or the id was used before.
        """
        done: Future[None] = Future()
        with self._mutex:
            self._check_run(run)
            self._last_run = max(self._last_run, recovery.run_number(run))
            self._runs[run.id] = run
            self._run_of |= dict.fromkeys(run.devices, run.id)
            self._backlog.put(StartRun(run, snapshot, done))
        self._nudge()
        return done

    def _check_run(self, run: RunInfo) -> None:
        for device in run.devices:
            if device not in self.devices:
                raise RefusedError(f"there is no device {device!r}")
            if device in self._run_of:
                raise RefusedError(f"device {device} is in run {self._run_of[device]}", hint="stop it first")
        if not run.devices:
            raise RefusedError(f"run {run.id} has no device")
        if run.id in self._runs or (self._directory / FOLDER / f"run-{run.id}{SUFFIX}").exists():
            raise RefusedError(f"there was a run {run.id} before")

    def stop_run(self, run_id: str, t_utc_ns: int, reason: str) -> Future[None]:
        """The run ends after the last sample that was put. The future resolves when its recording is closed.

        Raises:
            RefusedError: no such run is on.
        """
        done: Future[None] = Future()
        with self._mutex:
            run = self._runs.pop(run_id, None)
            if run is None:
                raise RefusedError(f"run {run_id!r} is not on")
            for device in run.devices:
                self._run_of.pop(device, None)
            self._backlog.put(StopRun(run_id, t_utc_ns, reason or "stopped", done))
        self._nudge()
        return done

    # -- pace

    def watch(self, interval_s: float, for_s: float) -> None:
        """Somebody looks: commit at least every ``interval_s`` during the next ``for_s``."""
        with self._wake:
            self._hasten_s = interval_s
            self._hasten_until_ns = self._clock.monotonic_ns() + round(for_s * NS)
            self._wake.notify()

    def flush(self) -> Future[int]:
        """Resolves with the highest durable number when everything put so far is on the disk."""
        done: Future[int] = Future()
        with self._mutex:
            self._backlog.put(Flush(done))
        self._nudge()
        return done

    def look_at_disk(self) -> None:
        """Tell where a write hangs, and where it hangs no more; to be called now and then."""
        self._slowness.look()

    def _nudge(self) -> None:
        with self._wake:
            self._hurry = True
            self._wake.notify()

    def _interval_s(self) -> float:
        if self._keeper.unwritten.blocked:
            return self._keeper.unwritten.retry_in_s
        hastened = self._clock.monotonic_ns() < self._hasten_until_ns
        return min(self._hasten_s, self._settings.commit_interval_s) if hastened else self._settings.commit_interval_s

    # -- the writing thread

    def _write_until_closed(self) -> None:
        self._prepare()
        self._keeper.tell_found()
        while True:
            started_ns = self._clock.monotonic_ns()
            self._slowness.begin()
            more = self._keeper.cycle()
            if self._keeper.take_runs_changed():
                self._note_ledger()
            self._slowness.end()
            if self._closing:
                return
            if more:
                continue
            spent_s = (self._clock.monotonic_ns() - started_ns) / NS
            with self._wake:
                if not self._hurry and not self._closing:
                    self._wake.wait(max(0.0, self._interval_s() - spent_s))
                self._hurry = False

    def close(self, timeout_s: float = CLOSE_TIMEOUT_S) -> int:
        """Commit everything, close every file, let the directory go. Runs stay on: the next `open` resumes them.

        Returns the number of samples that could not be written in ``timeout_s`` (0 unless the disk refuses).
        """
        with self._wake:
            self._closing = True
            self._wake.notify()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
            if self._thread.is_alive():  # a disk that does not even answer: what it has not taken stays unwritten
                _log.error("the disk does not answer; %d samples stay unwritten", self._backlog.samples)
                return self._backlog.samples
        lost = self._keeper.drain(timeout_s)
        self._note_ledger()
        self._lock_file.release()
        if lost:
            _log.error("%d samples could not be written before the end", lost)
        return lost

    def _note_ledger(self) -> None:
        with self._mutex:
            ledger = Ledger(self.last_seq, self.last_event_id, self._last_run, tuple(self._runs.values()))
        write_ledger(self._directory, ledger)

    def status(self) -> dict[str, Any]:
        """Facts for `status` and health pages; plain JSON."""
        return {
            "committed_seq": self._keeper.committed_seq,
            "last_seq": self.last_seq,
            "waiting": self._backlog.samples,
            "lost": self._keeper.lost,
            "commits": self._keeper.commits,
            "trouble": self._keeper.unwritten.text or self._slowness.text,
            "free_bytes": self._keeper.housekeeping.free,
            "recordings": self._keeper.recording_names(),
            "runs": [run.id for run in self.running],
        }


def _make_folder(directory: Path) -> Path:
    folder = directory / FOLDER
    try:
        directory.mkdir(exist_ok=True)
        folder.mkdir(exist_ok=True)
    except FileNotFoundError as exc:
        raise StoreError("directory above it is missing", where=str(directory), hint="mount or create it, or set bench.data_dir") from exc
    except OSError as exc:
        raise StoreError(
            f"cannot be made: {exc.strerror}",
            where=str(exc.filename or directory),
            hint="check owner, mode and mount, or set bench.data_dir",
        ) from exc
    return folder
