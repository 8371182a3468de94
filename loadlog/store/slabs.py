"""Stretches of rows of one device as columns, from sealed bodies and from hot rows alike."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from loadlog.model.errors import StoreError
from loadlog.store.aggregate import worst_in_rows
from loadlog.store.blocks import FAILURE, HELD, MARKS, QUALITY, SEQ, TIME, VALUES, Bools, Column, Ints, column_of
from loadlog.store.edges import sealed_seq, snapshot
from loadlog.store.hot_columns import OF_POLL, read_hot
from loadlog.store.pages import FOREVER_NS, SCAN_ROWS, seq_ranges
from loadlog.store.rows import Layout
from loadlog.store.schema import SAMPLE_COLUMNS
from loadlog.store.sealed import Chunk, Source, in_order

_NEEDED = (SEQ, TIME, QUALITY, FAILURE, MARKS)
Kept = Ints | slice


@dataclass(slots=True, eq=False, weakref_slot=True)
class Slab:
    """Some rows in increasing number; only the columns that were asked for are there, or decoded. One slab equals only itself, so that
    what is made of it can be kept beside it."""

    layout: Layout
    _columns: dict[int, Column]
    _chunk: Chunk | None = None
    _kept: Kept = field(default_factory=lambda: slice(None))

    def column(self, index: int) -> Column:
        """One column, numbered as in `blocks`."""
        known = self._columns.get(index)
        if known is None:
            assert self._chunk is not None
            known = self._columns[index] = self._chunk.column(index).taken(self._kept)
        return known

    @property
    def seqs(self) -> Ints:
        """Numbers."""
        return self.column(SEQ).numbers

    @property
    def times(self) -> Ints:
        """Source timestamps, ns UTC."""
        return self.column(TIME).numbers

    def channel(self, name: str) -> Column:
        """Counts of a channel."""
        return self.column(VALUES + self.layout.positions[name])

    def held(self, name: str) -> Bools:
        """Rows in which a channel was not read, but kept from an earlier poll."""
        column, bit = self.column(HELD), self.layout.positions[name]
        found = column.as_numbers() if bit < 63 else None
        if found is not None:
            return np.asarray((found[0] >> bit & 1).astype(bool) & found[1])
        return np.array([mask is not None and bool(int(mask) >> bit & 1) for mask in column.cells()], bool)

    def up_to(self, seq: int) -> Slab:
        """Its rows with numbers up to ``seq``; for slabs of `next_slabs`, which hold what they have of columns."""
        rows = self.place_of(seq)
        return self if rows == len(self.seqs) else Slab(self.layout, {i: column.taken(slice(rows)) for i, column in self._columns.items()})

    def place_of(self, seq: int) -> int:
        """How many of its rows have numbers up to ``seq``."""
        return int(np.searchsorted(self.seqs, seq, side="right"))

    def worst(self, name: str) -> Ints:
        """Quality of a channel in each row."""
        return worst_in_rows(self.column(MARKS), self.column(FAILURE), name)


@dataclass(frozen=True, slots=True)
class Wanted:
    """Rows of device ``number`` of the recording at ``path``: instants in [from, to), numbers after ``after``, these channels. ``whole``:
    with what else a row says of its poll (time uncertainty, lateness, held channels)."""

    path: Path
    number: int
    layout: Layout
    channels: tuple[str, ...]
    from_ns: int = -FOREVER_NS
    to_ns: int = FOREVER_NS
    after: int = 0
    whole: bool = False


def rows_at_most(connection: sqlite3.Connection, wanted: Wanted) -> tuple[int, int]:
    """Bounds, unread: sealed rows of the device, hot rows of all devices, in the span."""
    with snapshot(connection):
        sealed = sealed_seq(connection)
        hot = sum(last - max(first - 1, sealed) for first, last in seq_ranges(connection, wanted.from_ns, wanted.to_ns) if last > sealed)
        if not sealed:
            return 0, hot
        query = "SELECT coalesce(sum(rows), 0) FROM sealed WHERE device = ? AND t_max_ns >= ? AND t_min_ns < ?"
        return connection.execute(query, (wanted.number, wanted.from_ns, wanted.to_ns)).fetchone()[0], hot


def slabs(connection: sqlite3.Connection, wanted: Wanted) -> Iterator[Slab]:
    """In increasing number, each row once, also when rows are sealed meanwhile; a snapshot is held for one page of hot rows."""
    for first, last in seq_ranges(connection, wanted.from_ns, wanted.to_ns):
        after = max(first - 1, wanted.after)
        while after < last:
            with snapshot(connection):
                sealed = sealed_seq(connection)
                upto = min(last, sealed if after < sealed else after + SCAN_ROWS)
                hot = _hot(connection, wanted, after, upto) if after >= sealed else None
            if hot is not None:
                yield hot
            elif after < sealed:
                for chunk in Source(wanted.path, connection).chunks(wanted.number, after, upto, wanted.from_ns, wanted.to_ns):
                    slab = _cut(chunk, wanted, after, upto)
                    if slab is not None:
                        yield slab
            after = upto


def next_slabs(connection: sqlite3.Connection, path: Path, layouts: Mapping[int, Layout], after: int, limit: int) -> tuple[list[Slab], int]:
    """The columns `OF_POLL` and all channels of the next rows of every device (``layouts``: by its number), at most ``limit`` with numbers
    after ``after``; those of one device in order. Everything up to the number that comes with them has been looked at."""
    found, rows, reached = list[Slab](), 0, after
    with snapshot(connection):
        sealed = sealed_seq(connection)
        if after >= sealed:
            return _next_hot(connection, layouts, after, limit)
        source = Source(path, connection)
        while reached < sealed and rows < limit:  # bodies of one group end at slightly different numbers
            try:
                slabs, upto = _next_sealed(source, layouts, reached, sealed, limit - rows)
            except StoreError:
                if not found:
                    raise
                break  # what lies before the damage comes first
            found, rows, reached = found + slabs, rows + sum(len(slab.seqs) for slab in slabs), upto
    return found, reached


def _next_sealed(source: Source, layouts: Mapping[int, Layout], after: int, upto: int, limit: int) -> tuple[list[Slab], int]:
    cuts, reached = source.cuts(tuple(layouts), after, upto, limit)
    found = []
    for chunk, low, high in cuts:
        layout, rows = layouts[chunk.device], slice(low, high)
        if high > low:  # all decoded here, where damage is the recording's and not the reader's
            wanted = (*OF_POLL, *range(VALUES, VALUES + len(layout.names)))
            found.append(Slab(layout, {i: chunk.column(i).taken(rows) for i in wanted}))
    return found, reached


def as_far_as(seqs: Sequence[Ints], limit: int) -> int:
    """The number up to which at most ``limit`` rows lie in all slabs with these numbers; `FOREVER_NS` when all of them do."""
    if sum(map(len, seqs)) <= limit:
        return FOREVER_NS
    return int(in_order(seqs)[limit - 1])


def _next_hot(connection: sqlite3.Connection, layouts: Mapping[int, Layout], after: int, limit: int) -> tuple[list[Slab], int]:
    width = max((len(layout.names) for layout in layouts.values()), default=0)
    hot, reached = read_hot(connection, after, limit, width)
    found = []
    for device, columns in hot.of_each().items() if hot is not None else ():
        layout = layouts[device]
        found.append(Slab(layout, {index: column for index, column in columns.items() if index < VALUES + len(layout.names)}))
    return found, reached


def _cut(chunk: Chunk, wanted: Wanted, after: int, upto: int) -> Slab | None:
    low, high = chunk.between(after, upto)
    taken = chunk.taken(wanted.from_ns, wanted.to_ns, low, high)
    if taken.all():
        return Slab(wanted.layout, {}, chunk, slice(low, high)) if high > low else None
    places = np.flatnonzero(taken) + low
    if not len(places):
        return None
    first, last = int(places[0]), int(places[-1]) + 1
    return Slab(wanted.layout, {}, chunk, slice(first, last) if last - first == len(places) else places)


def _hot(connection: sqlite3.Connection, wanted: Wanted, after: int, upto: int) -> Slab | None:
    positions = [wanted.layout.positions[name] for name in wanted.channels]
    of_poll = tuple(range(VALUES)) if wanted.whole else _NEEDED
    columns = ", ".join((*(SAMPLE_COLUMNS[i] for i in of_poll), *(f"v{i}" for i in positions)))
    query = f"SELECT {columns} FROM sample WHERE seq > ? AND seq <= ? AND device = ? AND t_utc_ns >= ? AND t_utc_ns < ? ORDER BY seq"
    rows = connection.execute(query, (after, upto, wanted.number, wanted.from_ns, wanted.to_ns)).fetchall()
    if not rows:
        return None
    numbered = (*of_poll, *(VALUES + i for i in positions))
    return Slab(wanted.layout, dict(zip(numbered, map(column_of, zip(*rows, strict=True)), strict=True)))
