"""Columns summed up by a key (a minute, a bucket), exactly: the same arithmetic for sealing and for reading."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from loadlog.model.sample import Quality
from loadlog.store.blocks import FAILURE, MARKS, TIME, VALUES, Bools, Column, Ints
from loadlog.store.rollup import Sums, worst_of
from loadlog.store.rows import Layout, parse_marks
from loadlog.store.schema import MINUTE_NS

_INT64_MAX = (1 << 63) - 1


class Grouping:
    """Which rows belong together. ``keys``: ascending, one a group."""

    def __init__(self, key_of_row: Ints) -> None:
        """``key_of_row`` in any order, at least one row."""
        rises = (key_of_row[1:] >= key_of_row[:-1]).all()
        self._order = None if rises else np.argsort(key_of_row, kind="stable")
        ordered = self.sorted(key_of_row)
        self._starts = np.flatnonzero(np.concatenate(([True], ordered[1:] != ordered[:-1])))
        self._sizes = np.diff(np.append(self._starts, len(ordered)))
        self.keys: list[int] = ordered[self._starts].tolist()

    def sorted(self, of_row: Ints) -> Ints:
        """A column with the rows of a group side by side."""
        return of_row if self._order is None else of_row[self._order]

    def sums(self, column: Column, sentinels: frozenset[int], worst: Ints) -> list[Sums]:
        """One a group. ``worst``: quality of the channel in each row."""
        found = column.as_numbers()
        out = None if found is None else self._fast(*found, sentinels)
        if out is None:
            out = self._long(column, sentinels)
        qualities = np.maximum.reduceat(self.sorted(worst), self._starts).tolist()
        for one, rows, quality in zip(out, self._sizes.tolist(), qualities, strict=True):
            one.rows, one.worst = rows, quality
        return out

    def _fast(self, numbers: Ints, present: Bools, sentinels: frozenset[int]) -> list[Sums] | None:
        """None when 64 bits may not hold a sum."""
        present = valid(numbers, present, sentinels)
        numbers = np.where(present, numbers, 0)
        largest = max(int(numbers.max()), -int(numbers.min()))
        if largest > _INT64_MAX // int(self._sizes.max()):
            return None
        if self._order is not None:
            numbers, present = numbers[self._order], present[self._order]
        counts = np.add.reduceat(present.astype(np.int64), self._starts).tolist()
        totals = np.add.reduceat(numbers, self._starts).tolist()
        all_there = present.all()
        lows = np.minimum.reduceat(numbers if all_there else np.where(present, numbers, _INT64_MAX), self._starts).tolist()
        highs = np.maximum.reduceat(numbers if all_there else np.where(present, numbers, -_INT64_MAX - 1), self._starts).tolist()
        return [
            Sums(0, count, total, low if count else None, high if count else None)
            for count, total, low, high in zip(counts, totals, lows, highs, strict=True)
        ]

    def _long(self, column: Column, sentinels: frozenset[int]) -> list[Sums]:
        """The same over Python's integers, for what 64 bits do not hold."""
        cells = column.cells()
        order = list(range(len(cells))) if self._order is None else self._order.tolist()
        out = []
        for first, size in zip(self._starts.tolist(), self._sizes.tolist(), strict=True):
            total = Sums()
            for index in order[first : first + size]:
                cell = cells[index]
                if cell is not None and int(cell) not in sentinels:
                    total.add(Sums(0, 1, int(cell), int(cell), int(cell)))
            out.append(total)
        return out


def minutes_of(layout: Layout, column: Callable[[int], Column]) -> Iterator[tuple[int, int, Sums]]:
    """(position of a channel, minute, sums) of a device's rows, whose columns are numbered as in `blocks`: what `rollup.roll_up` makes of
    the same rows."""
    minutes = Grouping(column(TIME).numbers // MINUTE_NS)
    for position, name in enumerate(layout.names):
        worst = worst_in_rows(column(MARKS), column(FAILURE), name)
        sums = minutes.sums(column(VALUES + position), layout.sentinels[position], worst)
        for minute, one in zip(minutes.keys, sums, strict=True):
            yield position, minute, one


def valid(numbers: Ints, present: Bools, sentinels: frozenset[int]) -> Bools:
    """Which cells are readings: there, and no code by which the instrument says "no value"."""
    for code in sentinels:
        if -_INT64_MAX <= code <= _INT64_MAX:
            present = present & (numbers != code)
    return present


def worst_in_rows(marks: Column, failure: Column, name: str) -> Ints:
    """Quality of one channel in each row."""
    quality = np.zeros(len(marks.numbers), np.int64)
    if marks.texts is not None:
        quality = _picked([worst_of(None if text is None else parse_marks(str(text)), False, name) for text in marks.texts], marks)
    if failure.texts is None:
        return quality
    failed = _picked([0 if text is None else int(Quality.BAD) for text in failure.texts], failure)
    return np.maximum(quality, failed)


def _picked(table: Sequence[int], column: Column) -> Ints:
    return np.array(table, np.int64)[column.numbers]
