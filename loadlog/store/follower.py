"""What was committed since the last look, from every recording, each row exactly once.

Recordings are committed one after the other, so one number is no safe place to go on from: a follower keeps a place in each.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from loadlog.model.event import Event
from loadlog.model.sample import Sample
from loadlog.store.connect import reading
from loadlog.store.info import RecordingInfo
from loadlog.store.pages import FOREVER_NS, Page, read_page
from loadlog.store.rows import EVENT_COLUMNS, Layout, event_from_row

PAGE_ROWS = 2000
SHARED_EVENTS = 200  # events of no device that are remembered, since every open recording tells them


@dataclass(frozen=True, slots=True)
class Record:
    """One stored sample with the run it belongs to (None between runs) and the recording it lies in."""

    seq: int
    run: str | None
    sample: Sample
    recording: str


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
    ) -> None:
        self._recordings, self._layouts, self._floor = recordings, layouts, after_seq
        self._reached: dict[str, int] = {}
        self._events_reached: dict[str, int] = {}
        self._shared: deque[tuple[int, int]] = deque(maxlen=SHARED_EVENTS)

    def poll(self, limit: int = 10_000) -> list[Record]:
        """Up to ``limit`` new samples, in the order of their numbers."""
        out: list[Record] = []
        while len(out) < limit:
            fresh, more = self._round(limit - len(out))
            out.extend(fresh)
            if not more or not fresh:
                break
        return out

    def _round(self, limit: int) -> tuple[list[Record], bool]:
        """One page of each recording, merged as far as every page reaches."""
        most = min(limit, PAGE_ROWS)
        horizon = FOREVER_NS
        pages: list[list[Record]] = []
        for recording in self._recordings():
            if recording.last_seq > self._reached.get(recording.name, self._floor):
                page = self._page(recording, most)
                pages.append(page)
                if len(page) >= most:
                    horizon = min(horizon, page[-1].seq)
        out: list[Record] = []
        for record in heapq.merge(*pages, key=lambda r: r.seq):
            if record.seq > horizon or len(out) >= limit:
                break
            out.append(record)
            self._reached[record.recording] = record.seq
        return out, horizon < FOREVER_NS

    def _page(self, recording: RecordingInfo, most: int) -> list[Record]:
        layouts = dict(self._layouts(recording).values())
        width = max((len(layout.names) for layout in layouts.values()), default=0)
        after = self._reached.get(recording.name, self._floor)
        with reading(recording.path) as connection:
            page = read_page(connection, Page(None, width, after, FOREVER_NS, limit=most))
        run = run_id(recording)
        pairs = zip(page.devices, page.rows, strict=True)
        return [Record(row.seq, run, layouts[number].decode(row), recording.name) for number, row in pairs]

    def poll_events(self) -> list[Event]:
        """New states of events, in the order of their numbers; one that several recordings tell comes once."""
        query = f"SELECT {EVENT_COLUMNS} FROM event WHERE seq > ? AND NOT carried ORDER BY seq"
        fresh: dict[tuple[int, int], Event] = {}
        for recording in self._recordings():
            after = self._events_reached.get(recording.name, self._floor)
            if recording.last_seq <= after:
                continue
            with reading(recording.path) as connection:
                for row in connection.execute(query, (after,)).fetchall():
                    event = event_from_row(row)
                    self._events_reached[recording.name] = event.seq
                    if not self._told(event):
                        fresh[event.seq, event.id] = event
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
