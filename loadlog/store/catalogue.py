"""What the recordings of a directory are, and what they tell beside samples: runs, devices, events, notes, gaps, what was learned.

A damaged recording costs only itself: it is left out, and `Catalogue.damaged` says so in one line.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from loadlog.model.circumstance import Circumstance
from loadlog.model.clock import parse_utc
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import StoreError, UsageError
from loadlog.model.event import Event, EventState
from loadlog.model.learned import Understanding
from loadlog.model.run import Note, RunInfo, Snapshot
from loadlog.store import info as infos
from loadlog.store.connect import reading
from loadlog.store.follower import run_id
from loadlog.store.info import Gap, RecordingInfo
from loadlog.store.recovery import latest_events, run_number
from loadlog.store.rows import Layout

T = TypeVar("T")
_OF_A_RUN = re.compile(r"run-(.*-(\d{4,}))(?:\.p\d+)?" + re.escape(infos.SUFFIX))


class Catalogue:
    """The recordings below ``directory``: a data directory, or any folder that recordings were copied to. Thread-safe.

    Opens nothing until it is asked; every method raises `StoreError` when the directory is missing or not permitted.
    """

    def __init__(self, directory: Path) -> None:
        self._directory = directory
        self._listing = infos.Listing()
        self._opened: dict[tuple[str, int], dict[str, tuple[int, Layout]]] = {}
        self._closed_events: dict[tuple[str, int, int], list[Event]] = {}
        self.damaged: dict[str, str] = {}
        self.foreign: frozenset[str] = frozenset()

    # -- what there is

    @property
    def folder(self) -> Path:
        """Where the recordings lie."""
        inner = self._directory / infos.FOLDER
        return inner if inner.is_dir() else self._directory

    def recordings(self) -> list[RecordingInfo]:
        """All readable recordings, oldest first. What cannot be read is named in `damaged`."""
        found = self._listing.recordings(self.folder)
        self.damaged, self.foreign = self._listing.damaged, self._listing.foreign
        return found

    def runs(self) -> list[RunInfo]:
        """Every run once, oldest first."""
        newest: dict[str, RunInfo] = {}
        for recording in self.recordings():
            if recording.run is not None:
                newest[recording.run.id] = recording.run
        return sorted(newest.values(), key=lambda run: run.started_utc_ns)

    def run(self, run_id: str) -> RunInfo:
        """The run of that id, or of that name when only one has it, or the latest for ``last``.

        Raises:
            UsageError: there is none; names what there is.
            StoreError: its recording is there, but cannot be read.
        """
        runs = self.runs()
        if run_id == "last":
            self._refuse_unreadable_newest(runs)
        if run_id == "last" and runs:
            return runs[-1]
        matches = [run for run in runs if run.id == run_id] or [run for run in runs if run.name == run_id]
        if len(matches) == 1:
            return matches[0]
        if not matches:
            self._refuse_unreadable(run_id)
        known = ", ".join(run.id for run in (matches or runs)[-5:])
        if matches:
            raise UsageError(f"{len(matches)} runs are named {run_id!r}", hint=f"give the id: {known}")
        raise UsageError(f"there is no run {run_id!r}", hint=f"the latest are {known}" if known else "nothing was recorded yet")

    def _refuse_unreadable(self, run_id: str) -> None:
        """Whoever asks for a run whose file lies there must not be told that there was none."""
        of_run = re.compile(rf"run-{re.escape(run_id)}(-\d+)?(\.p\d+)?{re.escape(infos.SUFFIX)}")
        for name, line in self.damaged.items():
            if of_run.fullmatch(name):
                raise StoreError(f"run {run_id!r} cannot be read: {line}")

    def _refuse_unreadable_newest(self, runs: list[RunInfo]) -> None:
        """Whoever asks for the last run must not be given the one before it. Runs are numbered in their order."""
        newest = max(map(run_number, runs), default=0)
        for name, line in self.damaged.items():
            found = _OF_A_RUN.fullmatch(name)
            if found is not None and int(found[2]) > newest:
                hint = f"the one before it is {runs[-1].id}" if runs else ""
                raise StoreError(f"the last run, {found[1]}, cannot be read: {line}", hint=hint)

    def recordings_of(self, run_id: str | None = None, device: str | None = None) -> list[RecordingInfo]:
        """The recordings of a run (all when None) that hold a device (any when None), oldest first."""
        return [
            r
            for r in self.recordings()
            if (run_id is None or (r.run is not None and r.run.id == run_id)) and (device is None or device in r.devices)
        ]

    def snapshot(self, run_id: str | None = None) -> Snapshot:
        """Configuration of a run, or of the newest recording.

        Raises:
            UsageError: there is no such recording.
        """
        recording = self._newest(run_id)
        with reading(recording.path) as connection:
            return infos.read_snapshot(connection, recording.path)

    def begun_with(self, run_id: str) -> Snapshot:
        """The configuration that a run began with; `snapshot` is that of its newest part.

        Raises:
            UsageError: there is no such run.
        """
        recordings = self.recordings_of(run_id)
        first = recordings[0] if recordings else self._newest(run_id)
        with reading(first.path) as connection:
            return infos.read_snapshot(connection, first.path)

    def devices(self, run_id: str | None = None) -> dict[str, DeviceSpec]:
        """Device name -> description in a run, or over all recordings as each was last."""
        chosen = self.recordings_of(run_id)
        out: dict[str, DeviceSpec] = {}
        for recording in chosen:
            out |= {name: layout.spec for name, (_, layout) in self._layouts(recording).items()}
        return out

    def eras(self, run_id: str) -> list[tuple[int, dict[str, DeviceSpec]]]:
        """How a run's devices were described, one entry a recording: the first number that the description holds for, device ->
        description. A restart with another configuration begins a new recording of the run."""
        out = []
        for recording in self.recordings_of(run_id):
            begun = [item.seq for item in self._try(recording, infos.read_circumstances)]
            first = min([recording.floor_seq + 1, *begun])
            out.append((first, {name: layout.spec for name, (_, layout) in self._layouts(recording).items()}))
        return sorted(out, key=lambda era: era[0])

    def _newest(self, run_id: str | None) -> RecordingInfo:
        chosen = [recording for recording in self.recordings_of(run_id) if recording.kind != infos.LOGBOOK]
        if not chosen:
            raise UsageError("nothing was recorded yet" if run_id is None else f"there is no run {run_id!r}")
        return chosen[-1]

    def _layouts(self, recording: RecordingInfo) -> Mapping[str, tuple[int, Layout]]:
        """Device -> its number and its channels in one recording; they never change."""
        key = (recording.name, recording.created_utc_ns)
        known = self._opened.get(key)
        if known is None:
            with reading(recording.path) as connection:
                specs = infos.read_specs(connection, recording.path)
                known = {spec.name: (number, Layout(spec)) for number, spec in specs}
            self._opened[key] = known
        return known

    # -- events, notes, gaps

    def events(
        self,
        run: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
        kinds: Iterable[str] = (),
        active: bool | None = None,
        device: str | None = None,
        limit: int | None = None,
    ) -> list[Event]:
        """The latest state of each event, by number. ``since_ns``: detected, cleared or acknowledged at or after that instant;
        ``until_ns``: begun before that instant; ``limit``: the newest so many."""
        latest: dict[int, Event] = {}
        in_run: set[int] = set()
        for recording in self.recordings():
            for event in self._events_in(recording):
                if run is not None and run_id(recording) == run:
                    in_run.add(event.id)
                if event.id not in latest or latest[event.id].seq <= event.seq:
                    latest[event.id] = event
        wanted = frozenset(kinds)
        chosen = [
            event
            for id_, event in sorted(latest.items())
            if (run is None or id_ in in_run)
            and (not wanted or event.kind in wanted)
            and (active is None or (event.state is EventState.ACTIVE) == active)
            and (device is None or event.device == device)
            and (since_ns is None or _changed_utc_ns(event) >= since_ns)
            and (until_ns is None or event.onset.earliest_utc_ns < until_ns)
        ]
        return chosen if limit is None else chosen[-limit:]

    def _events_in(self, recording: RecordingInfo) -> list[Event]:
        """Their latest states in one recording; those of a closed one are remembered."""
        key = (recording.name, recording.created_utc_ns, recording.size_bytes)
        known = self._closed_events.get(key)
        if known is None:
            known = self._try(recording, latest_events)
            if recording.closed_utc_ns is not None and recording.name not in self.damaged:
                self._closed_events[key] = known
        return known

    def _try(self, recording: RecordingInfo, read: Callable[[sqlite3.Connection], list[T]]) -> list[T]:
        """What ``read`` finds, or nothing where retention was faster or the recording is damaged further in, which is then told."""
        try:
            with reading(recording.path) as connection:
                return read(connection)
        except StoreError as exc:
            if recording.path.exists():
                self.damaged[recording.name] = exc.args[0]
            return []

    def event(self, event_id: int) -> Event:
        """One event.

        Raises:
            UsageError: there is none of that number.
        """
        for event in self.events():
            if event.id == event_id:
                return event
        raise UsageError(f"there is no event {event_id}")

    def learned(self, run: str | None = None) -> dict[str, Understanding]:
        """Device -> what was learned of it last, in a run or in all recordings."""
        out: dict[str, Understanding] = {}
        for recording in self.recordings_of(run):
            for device, known in self._try(recording, lambda connection: list(infos.read_learned(connection).items())):
                if device not in out or out[device].t_utc_ns <= known.t_utc_ns:
                    out[device] = known
        return out

    def revisions(self, run: str) -> list[Event]:
        """Every state of the events of a run, in the order in which they were taken; those carried into it come first."""
        out: dict[tuple[int, int], Event] = {}
        for recording in self.recordings_of(run):
            out |= {(event.seq, event.id): event for event in self._try(recording, infos.read_revisions)}
        return [event for _, event in sorted(out.items())]

    def circumstances(self, run: str) -> list[Circumstance]:
        """What the detectors of a run were given besides samples, in order; none in recordings of before format 2."""
        found: dict[int, Circumstance] = {}
        for recording in self.recordings_of(run):
            found |= {item.seq: item for item in self._try(recording, infos.read_circumstances)}
        return [item for _, item in sorted(found.items())]

    def notes(self, run: str | None = None) -> list[Note]:
        """Notes of a run, or of all recordings, in order."""
        return [note for _, note in self.logbook(run)]

    def logbook(self, run: str | None = None) -> list[tuple[str | None, Note]]:
        """As `notes`, each with the run that it belongs to; None: written between runs."""
        query = "SELECT seq, t_utc_ns, author, text FROM note ORDER BY seq"
        out = {  # by number: after an interrupted removal, or from a backup, a recording may lie beside its own logbook
            row[0]: (run_id(recording), Note(*row))
            for recording in self.recordings_of(run)
            for row in self._try(recording, lambda connection: connection.execute(query).fetchall())
        }
        return [entry for _, entry in sorted(out.items())]

    def gaps(self, run: str | None = None) -> list[Gap]:
        """What is known to be missing."""
        rows = self._all("SELECT first_seq, last_seq, device, from_utc_ns, to_utc_ns, samples, reason FROM gap", run)
        return sorted((Gap(*row) for row in rows), key=lambda gap: gap.last_seq)

    def _all(self, query: str, run: str | None) -> list[tuple[Any, ...]]:
        out: list[tuple[Any, ...]] = []
        for recording in self.recordings_of(run):
            out.extend(self._try(recording, lambda connection: connection.execute(query).fetchall()))
        return out


def _changed_utc_ns(event: Event) -> int:
    """When it was detected, cleared or acknowledged, whichever was last."""
    instants = [event.detected_utc_ns, event.cleared_utc_ns or 0]
    if event.acknowledged and isinstance(at := event.evidence.get("acknowledged_at"), str):
        with contextlib.suppress(ValueError):
            instants.append(parse_utc(at))
    return max(instants)
