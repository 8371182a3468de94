"""The minutes of a recording counted again from its samples: where the two differ, a bit has flipped in one of them.

Sums, extremes and counts of a minute hold for hot rows what a checksum holds for a sealed body: a value cannot change and leave its minute
as it is. A minute that agrees is let go of at once, so memory does not grow with the recording; one that does not is looked at again by
itself, in one view of the file, since rows may be sealed meanwhile and a system clock that stepped back brings later rows into old minutes.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path

from loadlog.model.clock import format_utc
from loadlog.store.aggregate import minutes_of
from loadlog.store.connect import DamagedError
from loadlog.store.edges import rolled_seq, snapshot
from loadlog.store.info import read_specs
from loadlog.store.rollup import Sums
from loadlog.store.rows import Layout
from loadlog.store.schema import MINUTE_NS
from loadlog.store.slabs import Slab, Wanted, slabs

MESSAGES_MAX = 5  # of one device
Place = tuple[int, int]  # position of a channel, minute


def faults(connection: sqlite3.Connection, path: Path) -> Iterator[str]:
    """One line a minute that differs, some of each device."""
    for number, spec in list(read_specs(connection, path)):
        yield from _Recount(connection, path, number, Layout(spec)).faults()


class _Recount:
    """Of one device."""

    def __init__(self, connection: sqlite3.Connection, path: Path, number: int, layout: Layout) -> None:
        self._connection, self._path, self._number, self._layout = connection, path, number, layout

    def faults(self) -> Iterator[str]:
        told = 0
        for minute in sorted(self._doubtful()):
            if names := self._differing(minute):
                told += 1
                yield (
                    f"is damaged: {self._layout.spec.name}, minute from {format_utc(minute * MINUTE_NS)[:16]}Z: {', '.join(names)}: "
                    "samples and minute contradict each other"
                )
            if told == MESSAGES_MAX:
                return

    def _doubtful(self) -> set[int]:
        """Minutes of which not every channel agreed in passing."""
        open_: dict[Place, Sums] = {}
        rolled = rolled_seq(self._connection)
        for slab in slabs(self._connection, Wanted(self._path, self._number, self._layout, self._layout.names)):
            fresh = self._sums(slab, rolled)
            for place, sums in fresh.items():
                if (known := open_.get(place)) is not None:
                    sums.add(known)
                open_[place] = sums
            stored = self._stored(fresh)
            for place in fresh:
                if stored.get(place) == open_[place]:
                    del open_[place]
            if slab.seqs[-1] >= rolled:
                break
        return {minute for _, minute in open_}

    def _sums(self, slab: Slab, rolled: int) -> dict[Place, Sums]:
        """Of the rows up to ``rolled``: later ones are in no minute."""
        rows = slab.place_of(rolled)
        if not rows:
            return {}
        kept = slice(rows)
        found = minutes_of(self._layout, lambda index: slab.column(index).taken(kept))
        return {(position, minute): sums for position, minute, sums in found}

    def _stored(self, places: Iterable[Place]) -> dict[Place, Sums]:
        """What the file holds of these minutes."""
        minutes = [minute for _, minute in places]
        if not minutes:
            return {}
        query = (
            "SELECT minute, rows, count, sum, minimum, maximum, worst FROM rollup "
            "WHERE device = ? AND position = ? AND minute BETWEEN ? AND ?"
        )
        out: dict[Place, Sums] = {}
        for position in range(len(self._layout.names)):
            for minute, *row in self._connection.execute(query, (self._number, position, min(minutes), max(minutes))).fetchall():
                try:
                    out[position, minute] = Sums.of_row(tuple(row))
                except DamagedError:
                    continue  # a minute that is unreadable is no minute
        return out

    def _differing(self, minute: int) -> list[str]:
        """The channels whose minute is not what its samples make."""
        with snapshot(self._connection):
            rolled, found = rolled_seq(self._connection), dict[Place, Sums]()
            window = (minute * MINUTE_NS, (minute + 1) * MINUTE_NS)
            for slab in slabs(self._connection, Wanted(self._path, self._number, self._layout, self._layout.names, *window)):
                for place, sums in self._sums(slab, rolled).items():
                    if (known := found.get(place)) is not None:
                        sums.add(known)
                    found[place] = sums
            stored = self._stored([(0, minute)])
        names = self._layout.names
        return [name for position, name in enumerate(names) if stored.get((position, minute)) != found.get((position, minute))]
