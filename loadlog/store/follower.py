"""What was committed since the last look, from every recording, each row exactly once.

Recordings are committed one after the other, so one number is no safe place to go on from: a follower keeps a place in each. Who wants to
go on after a restart stores `Follower.places` and gives them back to `Archive.follow`.
"""

from __future__ import annotations

import heapq
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from loadlog.model.errors import StoreError
from loadlog.model.event import Event
from loadlog.model.sample import Sample
from loadlog.store.connect import DamagedError, reading
from loadlog.store.info import RecordingInfo
from loadlog.store.pages import FOREVER_NS, Page, read_page
from loadlog.store.rows import EVENT_COLUMNS, Layout, Row, event_from_row

if TYPE_CHECKING:
    from loadlog.store.blocks import Ints
    from loadlog.store.slabs import Slab

PAGE_ROWS = 2000
STOCK_ROWS = 30_000  # read at once where columns are asked for: opening a recording costs as much as some thousand rows
SHARED_EVENTS = 200  # events of no device that are remembered, since every open recording tells them


@dataclass(frozen=True, slots=True)
class Record:
    """One stored sample with the run it belongs to (None between runs) and the recording it lies in."""

    seq: int
    run: str | None
    sample: Sample
    recording: str


class StoredRow(NamedTuple):
    """One stored sample as it lies in the file, with what makes a reading of it: a quarter of the cost of a `Record`."""

    seq: int
    run: str | None
    recording: str
    layout: Layout
    row: Row

    @property
    def record(self) -> Record:
        """With the sample decoded."""
        return Record(self.seq, self.run, self.layout.decode(self.row), self.recording)


class Stretch(NamedTuple):
    """Stored samples of one device as columns, with the run they belong to: the rows from place ``first`` to before ``last`` of ``slab``.
    Stretches that follow each other share a slab, so that what is made of its columns is made once."""

    run: str | None
    recording: str
    slab: Slab
    first: int
    last: int

    @property
    def seqs(self) -> Ints:
        """Numbers."""
        return self.slab.seqs[self.first : self.last]

    @property
    def times(self) -> Ints:
        """Source timestamps, ns UTC."""
        return self.slab.times[self.first : self.last]


class Stock(NamedTuple):
    """Stretches that were read and not handed out. ``ends``: the recordings that are read to their end with them."""

    stretches: list[Stretch]
    ends: Mapping[str, int]


def _parted(stretches: list[Stretch], last: int) -> tuple[list[Stretch], list[Stretch]]:
    """Those with numbers up to ``last``, and those after it; none of them is empty."""
    parts = [(stretch, max(stretch.first, stretch.slab.place_of(last))) for stretch in stretches]
    upto = [stretch._replace(last=place) for stretch, place in parts if place > stretch.first]
    return upto, [stretch._replace(first=place) for stretch, place in parts if place < stretch.last]


def run_id(recording: RecordingInfo) -> str | None:
    """The run that a recording belongs to."""
    return None if recording.run is None else recording.run.id


class Follower:
    """Made by `Archive.follow`. Not thread-safe."""

    def __init__(
        self,
        recordings: Callable[[], list[RecordingInfo]],
        layouts: Callable[[RecordingInfo], Mapping[str, tuple[int, Layout]]],
        after_seq: int,
        places: Mapping[str, int] | None = None,
        event_places: Mapping[str, int] | None = None,
    ) -> None:
        self._recordings, self._layouts, self._floor = recordings, layouts, after_seq
        self._reached: dict[str, int] = dict(places or {})
        self._events_reached: dict[str, int] = dict(event_places or {})
        self._shared: deque[tuple[int, int]] = deque(maxlen=SHARED_EVENTS)
        self._stock = Stock([], {})
        self.damaged: dict[str, str] = {}  # recordings that could not be read further, and why; they cost only themselves

    @property
    def places(self) -> dict[str, int]:
        """Recording -> number up to which everything in it was handed out; only those from which anything was."""
        return dict(self._reached)

    @property
    def event_places(self) -> dict[str, int]:
        """As `places`, for events."""
        return dict(self._events_reached)

    def poll(self, limit: int = 10_000) -> list[Record]:
        """Up to ``limit`` new samples, in the order of their numbers."""
        return [stored.record for stored in self.poll_rows(limit)]

    def poll_rows(self, limit: int = 10_000) -> list[StoredRow]:
        """As `poll`, undecoded: ``layout.names`` and ``row.counts`` belong together, ``layout.spec.channels[i].scale`` makes a reading."""
        out: list[StoredRow] = []
        while len(out) < limit:
            fresh, more = self._round(limit - len(out))
            out.extend(fresh)
            if not more or not fresh:
                break
        return out

    def _round(self, limit: int) -> tuple[list[StoredRow], bool]:
        """One page of each recording, merged as far as every page reaches."""
        most = min(limit, PAGE_ROWS)
        horizon = FOREVER_NS
        pages: list[list[StoredRow]] = []
        ends: dict[str, int] = {}
        for recording in self._unread(self._reached):
            try:
                page, reached = self._page(recording, most)
            except StoreError as exc:
                self._left_out(recording, exc)
                continue
            pages.append(page)
            horizon = min(horizon, reached)
            if reached == FOREVER_NS:
                ends[recording.name] = recording.last_seq
        merged = pages[0] if len(pages) == 1 else list(heapq.merge(*pages, key=lambda r: r.seq))
        out = merged[: min(limit, bisect_right(merged, horizon, key=lambda r: r.seq))]
        for stored in out:
            self._reached[stored.recording] = stored.seq
        if len(out) == sum(map(len, pages)):  # what follows the last sample of a recording is events and notes: nothing to look for again
            self._at_the_end(ends)
        return out, horizon < FOREVER_NS

    def _at_the_end(self, ends: Mapping[str, int]) -> None:
        for name, last_seq in ends.items():
            self._reached[name] = max(last_seq, self._reached.get(name, 0))  # the page may have seen a later commit than the list

    def poll_slabs(self, limit: int = 10_000) -> list[Stretch]:
        """As `poll_rows`, as columns, a device at a time: the order of the numbers holds within each. Fewer than ``limit`` rows do not mean
        that there are no more: only an empty answer does. A follower is asked for rows or for columns, not for both."""
        from loadlog.store.slabs import as_far_as  # numpy is loaded by those who want columns

        if not self._stock.stretches:
            self._stock = self._read_slabs(max(limit, STOCK_ROWS))
        stock = self._stock
        last = as_far_as([stretch.seqs for stretch in stock.stretches], limit)
        out, rest = _parted(stock.stretches, last)
        for stretch in out:
            name = stretch.recording
            self._reached[name] = max(int(stretch.seqs[-1]), self._reached.get(name, 0))
        self._stock = Stock(rest, stock.ends)
        if not rest:
            self._at_the_end(stock.ends)
        return out

    def _read_slabs(self, limit: int) -> Stock:
        """The next rows of every recording, as far as what was read of each reaches."""
        from loadlog.store.slabs import next_slabs

        found: list[tuple[RecordingInfo, Slab]] = []
        horizon, ends = FOREVER_NS, dict[str, int]()
        for recording in self._unread(self._reached):
            layouts = dict(self._layouts(recording).values())
            try:
                with reading(recording.path) as connection:
                    slabs, reached = next_slabs(connection, recording.path, layouts, self._reached.get(recording.name, self._floor), limit)
            except StoreError as exc:
                self._left_out(recording, exc)
                continue
            found += [(recording, slab) for slab in slabs]
            horizon = min(horizon, reached)
            if reached == FOREVER_NS:
                ends[recording.name] = recording.last_seq
        near = [(recording, slab.up_to(horizon)) for recording, slab in found]
        stretches = [Stretch(run_id(recording), recording.name, slab, 0, len(slab.seqs)) for recording, slab in near if len(slab.seqs)]
        return Stock(stretches, ends if horizon == FOREVER_NS else {})

    def _unread(self, reached: Mapping[str, int]) -> list[RecordingInfo]:
        """The recordings that hold more than was handed out."""
        return [r for r in self._recordings() if r.last_seq > reached.get(r.name, self._floor) and r.name not in self.damaged]

    def _left_out(self, recording: RecordingInfo, exc: StoreError) -> None:
        """Removed by retention, or damaged further in: the others go on. Anything else is for the caller."""
        if isinstance(exc, DamagedError):
            self.damaged[recording.name] = exc.args[0]
        elif recording.path.exists():
            raise exc

    def _page(self, recording: RecordingInfo, most: int) -> tuple[list[StoredRow], int]:
        layouts = dict(self._layouts(recording).values())
        width = max((len(layout.names) for layout in layouts.values()), default=0)
        after = self._reached.get(recording.name, self._floor)
        with reading(recording.path) as connection:
            page = read_page(connection, recording.path, Page(None, width, after, FOREVER_NS, limit=most))
        run, name = run_id(recording), recording.name
        stored = [StoredRow(row.seq, run, name, layouts[number], row) for number, row in zip(page.devices, page.rows, strict=True)]
        return stored, page.reached

    def poll_events(self) -> list[Event]:
        """New states of events, in the order of their numbers; one that several recordings tell comes once."""
        query = f"SELECT {EVENT_COLUMNS} FROM event WHERE seq > ? AND NOT carried ORDER BY seq"
        fresh: dict[tuple[int, int], Event] = {}
        for recording in self._unread(self._events_reached):
            after = self._events_reached.get(recording.name, self._floor)
            try:
                with reading(recording.path) as connection:
                    found = [event_from_row(row) for row in connection.execute(query, (after,)).fetchall()]
            except StoreError as exc:
                self._left_out(recording, exc)
                continue
            for event in found:
                if not self._told(event):
                    fresh[event.seq, event.id] = event
            self._events_reached[recording.name] = max(recording.last_seq, found[-1].seq if found else 0)
        return [fresh[key] for key in sorted(fresh)]

    def _told(self, event: Event) -> bool:
        """Whether another recording brought the event before: only events of no device lie in several."""
        if event.device is not None:
            return False
        key = (event.seq, event.id)
        if key in self._shared:
            return True
        self._shared.append(key)
        return False
