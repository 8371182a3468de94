"""Sealed bodies as readers want them: found by number and instant, decoded once, cut into rows.

A body never changes and its numbers are never used again, so decoded bodies are kept, a bounded number of them, whoever asks. One that is
found damaged is read afresh the next time: somebody may have put a copy in the recording's place.
"""

from __future__ import annotations

import sqlite3
import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from loadlog.store.blocks import FAILURE, SEQ, TIME, VALUES, BlockError, Body, Bools, Column, Ints
from loadlog.store.connect import DamagedError
from loadlog.store.rows import Row

KEPT_ROWS = 150_000  # about 100 B each
LARGEST_INT64 = (1 << 63) - 1


class Chunk:
    """One body of one device. Thread-safe.

    Raises (all methods): `DamagedError`, naming recording, device, numbers and block.
    """

    def __init__(self, path: Path, device: int, first_seq: int, last_seq: int, data: bytes) -> None:
        self.device, self.first_seq, self.last_seq = device, first_seq, last_seq
        self._path = path
        self._lock = threading.Lock()
        try:
            self._body = Body(data)
        except BlockError as exc:
            raise self._damaged(exc) from exc
        self.rows = self._body.rows

    def _damaged(self, exc: BlockError) -> DamagedError:
        _kept.drop(self.key)
        what = f"sealed rows {self.first_seq}..{self.last_seq} of device {self.device}: {exc.what}"
        return DamagedError(what, where=str(self._path), hint=exc.hint or "the rest is readable; restore this recording from a copy")

    @property
    def key(self) -> tuple[str, int, int]:
        """Recording, device and last number."""
        return str(self._path), self.device, self.last_seq

    def column(self, index: int) -> Column:
        """One column, numbered as in `blocks`."""
        with self._lock:
            try:
                return self._body.column(index)
            except BlockError as exc:
                raise self._damaged(exc) from exc

    def between(self, after: int, last: int) -> tuple[int, int]:
        """Places of the rows with numbers in (after, last]."""
        seqs = self.column(SEQ).numbers
        low, high = np.searchsorted(seqs, (max(after, 0), min(last, LARGEST_INT64)), side="right")
        return int(low), int(high)

    def taken(self, from_ns: int, to_ns: int, low: int, high: int) -> Bools:
        """Which rows of a stretch were taken in [from, to)."""
        times = self.column(TIME).numbers[low:high]
        return (times >= from_ns) & (times < to_ns)

    def cut(self, low: int, high: int, width: int) -> list[Row]:
        """A stretch as rows of ``width`` values."""
        cells = [self.column(i).cells(low, high) for i in range(VALUES)]
        values = [self.column(VALUES + i).cells(low, high) for i in range(width)]
        counts = list(zip(*values, strict=True)) if values else [()] * (high - low)
        return list(map(Row._make, zip(*cells, counts, strict=True)))


Cut = tuple[Chunk, int, int]  # places in it


def in_order(parts: Sequence[Ints]) -> Ints:
    """Numbers of several devices, each in order, as one. A stable sort merges what is sorted already, sixty times as fast as any other."""
    return np.sort(np.concatenate(parts), kind="stable") if parts else np.zeros(0, np.int64)


def _sequence(cuts: Sequence[Cut]) -> Ints:
    """The numbers of all of them, in order."""
    return in_order([chunk.column(SEQ).numbers[low:high] for chunk, low, high in cuts])


def failures(chunk: Chunk) -> int:
    """How many polls failed."""
    column = chunk.column(FAILURE)
    if column.texts is None:
        return 0
    failed = np.array([text is not None for text in column.texts], bool)
    return int(failed[column.numbers].sum())


class _Kept:
    """Decoded bodies, those used last."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._chunks: OrderedDict[tuple[str, int, int], Chunk] = OrderedDict()
        self._rows = 0

    def get(self, key: tuple[str, int, int]) -> Chunk | None:
        with self._lock:
            chunk = self._chunks.get(key)
            if chunk is not None:
                self._chunks.move_to_end(key)
            return chunk

    def drop(self, key: tuple[str, int, int]) -> None:
        with self._lock:
            chunk = self._chunks.pop(key, None)
            self._rows -= chunk.rows if chunk is not None else 0

    def put(self, chunk: Chunk) -> None:
        with self._lock:
            if chunk.key not in self._chunks:
                self._chunks[chunk.key] = chunk
                self._rows += chunk.rows
            while self._rows > KEPT_ROWS and len(self._chunks) > 1:
                self._rows -= self._chunks.popitem(last=False)[1].rows


_kept = _Kept()


@dataclass(frozen=True, slots=True)
class Source:
    """A recording that is being read."""

    path: Path
    connection: sqlite3.Connection

    def chunks(self, device: int, after: int, last: int, from_ns: int, to_ns: int) -> Iterator[Chunk]:
        """Those of a device that hold numbers in (after, last] and instants in [from, to), in order."""
        query = (
            "SELECT first_seq, last_seq FROM sealed WHERE device = ? AND last_seq > ? AND first_seq <= ? AND t_max_ns >= ? "
            "AND t_min_ns < ? ORDER BY last_seq"
        )
        for first_seq, last_seq in self.connection.execute(query, (device, after, last, from_ns, to_ns)).fetchall():
            yield self._chunk(device, first_seq, last_seq)

    def next_chunk(self, device: int, after: int) -> Chunk | None:
        """The first one with numbers after ``after``."""
        query = "SELECT first_seq, last_seq FROM sealed WHERE device = ? AND last_seq > ? ORDER BY last_seq LIMIT 1"
        row = self.connection.execute(query, (device, after)).fetchone()
        return None if row is None else self._chunk(device, *row)

    def newest_chunk(self, device: int, last: int) -> Chunk | None:
        """The last one with numbers up to ``last``."""
        query = "SELECT first_seq, last_seq FROM sealed WHERE device = ? AND first_seq <= ? ORDER BY last_seq DESC LIMIT 1"
        row = self.connection.execute(query, (device, last)).fetchone()
        return None if row is None else self._chunk(device, *row)

    def _chunk(self, device: int, first_seq: int, last_seq: int) -> Chunk:
        key = (str(self.path), device, last_seq)
        chunk = _kept.get(key)
        if chunk is None:
            query = "SELECT body FROM sealed WHERE device = ? AND last_seq = ?"
            data = self.connection.execute(query, (device, last_seq)).fetchone()[0]
            chunk = Chunk(self.path, device, first_seq, last_seq, data)
            _kept.put(chunk)
        return chunk

    def page_of(self, device: int, span: tuple[int, int], window: tuple[int, int], limit: int, width: int) -> tuple[list[Row], int | None]:
        """Up to ``limit`` rows of a device with numbers in (span[0], span[1]] out of one body, and how far that reaches: None when the
        device has no further body."""
        chunk = self.next_chunk(device, span[0])
        if chunk is None:
            return [], None
        low, high = chunk.between(*span)
        taken = np.flatnonzero(chunk.taken(*window, low, high))[:limit] + low
        if not len(taken):
            return [], chunk.last_seq
        first, last = int(taken[0]), int(taken[-1]) + 1
        rows = chunk.cut(first, last, width)
        if len(rows) != len(taken):
            rows = [rows[i - first] for i in taken.tolist()]
        return rows, rows[-1].seq if len(rows) >= limit else chunk.last_seq

    def numbers(self, devices: Sequence[int], after: int, upto: int) -> tuple[list[int], int]:
        """The numbers of all devices' rows from after ``after`` on, in order, and how far that reaches: at most ``upto``."""
        cuts, reach = self.cuts(devices, after, upto)
        return _sequence(cuts).tolist(), reach

    def cuts(self, devices: Sequence[int], after: int, upto: int, limit: int | None = None) -> tuple[list[Cut], int]:
        """The next body of each device, as far as all of them reach, or ``limit`` rows do, and how far that is."""
        chunks = [chunk for device in devices if (chunk := self.next_chunk(device, after)) is not None]
        reach = min([upto, *(chunk.last_seq for chunk in chunks)])
        cuts = [(chunk, *chunk.between(after, reach)) for chunk in chunks]
        if limit is None or sum(high - low for _, low, high in cuts) <= limit:
            return cuts, reach
        reach = int(_sequence(cuts)[limit - 1])
        return [(chunk, *chunk.between(after, reach)) for chunk in chunks], reach

    def merged(self, devices: Sequence[int], after: int, upto: int, limit: int, width: int) -> tuple[list[Row], list[int], int]:
        """Up to ``limit`` rows of all devices with numbers in (after, upto], in order; the device of each; how far that reaches."""
        cuts, reach = self.cuts(devices, after, upto, limit)
        pairs = [(row, chunk.device) for chunk, low, high in cuts for row in chunk.cut(low, high, width)]
        pairs.sort(key=lambda pair: pair[0].seq)
        return [row for row, _ in pairs], [device for _, device in pairs], reach
