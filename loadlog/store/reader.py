"""Reading the recordings of a directory, also while they are being written and on another machine.

Every read is a short transaction of its own: long spans are walked page by page, so no reader holds a snapshot that lets the WAL grow, and
memory does not depend on the length of a span. Instants are found through the index of spans (`rollup`), so there is no index on time,
and a system clock that stepped back hides nothing.

A damaged recording costs only itself: it is left out, and `Archive.damaged` says so in one line.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from loadlog.model.circumstance import Circumstance
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import StoreError, UsageError
from loadlog.model.event import Event, EventState
from loadlog.model.learned import Understanding
from loadlog.model.run import Note, RunInfo, Snapshot
from loadlog.model.sample import Sample
from loadlog.store import info as infos
from loadlog.store.connect import open_readonly, reading, translated
from loadlog.store.follower import Follower, Record, StoredRow, run_id
from loadlog.store.info import Gap, RecordingInfo
from loadlog.store.pages import Page, count_polls, read_page, seq_ranges
from loadlog.store.recovery import latest_events
from loadlog.store.rows import Layout, Row

if TYPE_CHECKING:
    from loadlog.store.arrays import DeviceArrays
    from loadlog.store.series import Series

__all__ = ["Archive", "Follower", "Gap", "Record", "StoredRow"]

PAGE_ROWS = 2000
FOREVER_NS = 1 << 62
T = TypeVar("T")


class Archive:
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
        """
        runs = self.runs()
        if run_id == "last" and runs:
            return runs[-1]
        matches = [run for run in runs if run.id == run_id] or [run for run in runs if run.name == run_id]
        if len(matches) == 1:
            return matches[0]
        known = ", ".join(run.id for run in (matches or runs)[-5:])
        if matches:
            raise UsageError(f"{len(matches)} runs are named {run_id!r}", hint=f"give the id: {known}")
        raise UsageError(f"there is no run {run_id!r}", hint=f"the latest are {known}" if known else "nothing was recorded yet")

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
        chosen = self.recordings_of(run_id)
        if not chosen:
            raise UsageError("nothing was recorded yet" if run_id is None else f"there is no run {run_id!r}")
        return chosen[-1]

    # -- samples

    def samples(
        self, device: str, from_ns: int | None = None, to_ns: int | None = None, run: str | None = None
    ) -> Iterator[Sample]:  # fmt: skip
        """Samples of a device with ``from_ns <= t < to_ns`` (UTC; None: no bound), in the order of their numbers."""
        streams = [self._decoded(r, device, from_ns, to_ns) for r in self._touching(device, from_ns, to_ns, run)]
        return streams[0] if len(streams) == 1 else heapq.merge(*streams, key=attrgetter("seq"))

    def rows(
        self, device: str, from_ns: int | None = None, to_ns: int | None = None, run: str | None = None
    ) -> Iterator[tuple[Layout, Row]]:  # fmt: skip
        """As `samples`, as stored: counts without values, several times faster."""
        streams = [self._layout_rows(r, device, from_ns, to_ns) for r in self._touching(device, from_ns, to_ns, run)]
        return streams[0] if len(streams) == 1 else heapq.merge(*streams, key=lambda pair: pair[1].seq)

    def _touching(self, device: str, from_ns: int | None, to_ns: int | None, run: str | None) -> list[RecordingInfo]:
        return [
            r
            for r in self.recordings_of(run, device)
            if r.t_first_ns is not None
            and r.t_last_ns is not None
            and (to_ns is None or r.t_first_ns < to_ns)
            and (from_ns is None or r.t_last_ns >= from_ns)
        ]

    def _decoded(self, recording: RecordingInfo, device: str, from_ns: int | None, to_ns: int | None) -> Iterator[Sample]:
        for layout, rows in self._pages(recording, device, from_ns, to_ns):
            yield from map(layout.decode, rows)

    def _layout_rows(
        self, recording: RecordingInfo, device: str, from_ns: int | None, to_ns: int | None
    ) -> Iterator[tuple[Layout, Row]]:  # fmt: skip
        for layout, rows in self._pages(recording, device, from_ns, to_ns):
            for row in rows:
                yield layout, row

    def _pages(
        self, recording: RecordingInfo, device: str, from_ns: int | None, to_ns: int | None
    ) -> Iterator[tuple[Layout, list[Row]]]:  # fmt: skip
        number, layout = self._layouts(recording)[device]
        low, high = from_ns if from_ns is not None else -FOREVER_NS, to_ns if to_ns is not None else FOREVER_NS
        with self._connected(recording.path) as connection:
            ranges = seq_ranges(connection, low, high)
            for first, last in ranges:
                after = first - 1
                while after < last:
                    page = read_page(connection, recording.path, Page(number, len(layout.names), after, last, low, high, PAGE_ROWS))
                    yield layout, page.rows
                    after = page.reached

    @contextmanager
    def _connected(self, path: Path) -> Iterator[sqlite3.Connection]:
        connection = open_readonly(path)
        try:
            with translated(path):
                yield connection
        finally:
            connection.close()

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

    def polls(self, device: str, run: str | None = None) -> tuple[int, int]:
        """How many samples of a device there are, and how many of them are failed polls; counted where they lie."""
        polls = failed = 0
        for recording in self.recordings_of(run, device):
            number, _ = self._layouts(recording)[device]
            with reading(recording.path) as connection:
                counted = count_polls(connection, recording.path, number)
            polls, failed = polls + counted[0], failed + counted[1]
        return polls, failed

    def latest(self, device: str) -> Record | None:
        """The newest sample of a device, or None."""
        return self.latest_of([device]).get(device)

    def latest_of(self, devices: Iterable[str]) -> dict[str, Record]:
        """Device -> its newest sample, for those that have any."""
        recordings = [r for r in self.recordings() if r.first_seq]
        found = {device: self._latest(device, recordings) for device in devices}
        return {device: record for device, record in found.items() if record is not None}

    def _latest(self, device: str, recordings: list[RecordingInfo]) -> Record | None:
        """A device is recorded in one recording at a time: in an open one, or, when nothing was taken since, in the one closed last."""
        best: Record | None = None
        candidates = [r for r in recordings if device in r.devices]
        open_ones = [r for r in candidates if r.closed_utc_ns is None]
        closed = [r for r in candidates if r.closed_utc_ns is not None]
        for recording in (*open_ones, *sorted(closed, key=lambda r: r.last_seq)[-1:]):
            number, layout = self._layouts(recording)[device]
            with reading(recording.path) as connection:
                row = read_page(
                    connection, recording.path, Page(number, len(layout.names), 0, recording.last_seq, limit=1, newest=True)
                ).rows
            if row and (best is None or row[0].seq > best.seq):
                best = Record(row[0].seq, run_id(recording), layout.decode(row[0]), recording.name)
        return best

    def since(self, seq: int, limit: int = 10_000) -> list[Record]:
        """Up to ``limit`` samples of all devices after number ``seq``, in order. Several recordings are committed one after the other, so a
        live reader uses `Follower`, which misses none."""
        return self.follow(seq).poll(limit)

    def follow(
        self, after_seq: int | None = None, places: Mapping[str, int] | None = None, event_places: Mapping[str, int] | None = None
    ) -> Follower:  # fmt: skip
        """A live reader from after ``after_seq``, or from now on. ``places``, ``event_places``: where another one stood (`Follower.places`,
        `Follower.event_places`); recordings that are not named there are read from after ``after_seq``."""
        if after_seq is None:
            after_seq = max((r.last_seq for r in self.recordings()), default=0)
        return Follower(self.recordings, self._layouts, after_seq, places, event_places)

    def parts(
        self, device: str, run: str | None = None, from_ns: int | None = None, to_ns: int | None = None
    ) -> list[tuple[Path, int, Layout]]:
        """The recordings that hold a device in a span, oldest first: file, number of the device in it, its channels there."""
        return [(r.path, *self._layouts(r)[device]) for r in self._touching(device, from_ns, to_ns, run)]

    # -- series

    def series(
        self, device: str, channels: Sequence[str], from_ns: int, to_ns: int, points: int = 2000, run: str | None = None
    ) -> Series:  # fmt: skip
        """Each channel over ``from_ns <= t < to_ns`` in at most about ``points`` buckets of minimum, mean, maximum, count and worst
        quality; every sample by itself where there are no more than ``points`` of them. Extremes are never lost.

        Raises:
            UsageError: no such device or channel, or an empty span.
        """
        from loadlog.store.series import make_series  # numpy, which most commands do without

        if to_ns <= from_ns or points < 1:
            raise UsageError("the span is empty: from must be before to, and points at least 1")
        parts = self.parts(device, run, from_ns, to_ns)
        return make_series(device, tuple(channels), from_ns, to_ns, points, parts)

    def arrays(
        self, device: str, channels: Sequence[str] = (), from_ns: int | None = None, to_ns: int | None = None, run: str | None = None
    ) -> DeviceArrays:
        """Samples of a device with ``from_ns <= t < to_ns`` (UTC; None: no bound) as arrays in units; all channels when none is named.

        Raises:
            UsageError: no such device or channel.
        """
        from loadlog.store.arrays import read_arrays

        known = self.devices(run)
        if device not in known:
            raise UsageError(f"there is no device {device!r}", hint=f"there are {', '.join(known) or 'none yet'}")
        parts = self.parts(device, run, from_ns, to_ns)
        return read_arrays(
            known[device], channels, parts, -FOREVER_NS if from_ns is None else from_ns, FOREVER_NS if to_ns is None else to_ns
        )

    def arrays_by_parts(self, device: str, run: str, channels: Sequence[str] = (), rows: int = 100_000) -> Iterator[DeviceArrays]:
        """All samples of a device in a run, in the order of their numbers, about ``rows`` at a time: memory does not depend on its length.

        Raises:
            UsageError: no such run, device or channel.
        """
        from loadlog.store.arrays import iter_arrays

        known = self.devices(self.run(run).id)
        if device not in known:
            raise UsageError(f"there is no device {device!r} in run {run}", hint=f"there are {', '.join(known) or 'none yet'}")
        return iter_arrays(known[device], channels, self.parts(device, self.run(run).id), rows)

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
        """The latest state of each event, by number. ``since_ns``: begun, cleared or acknowledged at or after that instant; ``until_ns``:
        begun before that instant; ``limit``: the newest so many."""
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
            and (since_ns is None or max(event.detected_utc_ns, event.cleared_utc_ns or 0) >= since_ns)
            and (until_ns is None or event.onset.earliest_utc_ns < until_ns)
        ]
        return chosen if limit is None else chosen[-limit:]

    def _events_in(self, recording: RecordingInfo) -> list[Event]:
        """Their latest states in one recording; those of a closed one are remembered."""
        key = (recording.name, recording.created_utc_ns, recording.size_bytes)
        known = self._closed_events.get(key)
        if known is None:
            known = self._try(recording, latest_events) or []
            if recording.closed_utc_ns is not None:
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
        out = [
            (run_id(recording), Note(*row))
            for recording in self.recordings_of(run)
            for row in self._try(recording, lambda connection: connection.execute(query).fetchall())
        ]
        return sorted(out, key=lambda entry: entry[1].seq)

    def gaps(self, run: str | None = None) -> list[Gap]:
        """What is known to be missing."""
        rows = self._all("SELECT first_seq, last_seq, device, from_utc_ns, to_utc_ns, samples, reason FROM gap", run)
        return sorted((Gap(*row) for row in rows), key=lambda gap: gap.last_seq)

    def _all(self, query: str, run: str | None) -> list[tuple[Any, ...]]:
        out: list[tuple[Any, ...]] = []
        for recording in self.recordings_of(run):
            out.extend(self._try(recording, lambda connection: connection.execute(query).fetchall()))
        return out
