"""Reading the recordings of a directory, also while they are being written and on another machine.

Every read is a short transaction of its own: long spans are walked page by page, so no reader holds a snapshot that lets the WAL grow, and
memory does not depend on the length of a span. Instants are found through the index of spans (`rollup`), so there is no index on time,
and a system clock that stepped back hides nothing.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING

from loadlog.model.errors import UsageError
from loadlog.model.sample import Sample
from loadlog.store.catalogue import Catalogue
from loadlog.store.connect import open_readonly, reading, translated
from loadlog.store.follower import Follower, Record, StoredRow, run_id
from loadlog.store.info import Gap, RecordingInfo
from loadlog.store.pages import FOREVER_NS, Page, count_polls, read_page, seq_ranges
from loadlog.store.rows import Layout, Row

if TYPE_CHECKING:
    from loadlog.store.arrays import DeviceArrays
    from loadlog.store.series import Series

__all__ = ["Archive", "Follower", "Gap", "Record", "StoredRow"]

PAGE_ROWS = 2000


class Archive(Catalogue):
    """The recordings below ``directory``, with their samples. Thread-safe."""

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
            with translated(recording.path):
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
