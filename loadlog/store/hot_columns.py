"""Hot rows as columns, as the forwarder and the encoding helper want them: the database joins each column to one text, which numpy reads.

A row fetched as a tuple costs an object a cell, and the interpreter's lock at every row; joined texts cost a third, and nearly all of that
beside other threads. What is no 64-bit integer (reasons of failed polls, marks, integers that are stored as texts) is fetched cell by cell,
with the numbers of its rows. All statements must run within one snapshot.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from loadlog.model.errors import StoreError
from loadlog.store.blocks import FAILURE, HELD, MARKS, QUALITY, SEQ, TIME, VALUES, Bools, Cell, Column, Ints, column_of
from loadlog.store.pages import FOREVER_NS
from loadlog.store.schema import SAMPLE_COLUMNS

OF_POLL = (SEQ, TIME, QUALITY, FAILURE, HELD, MARKS)
_SELDOM = (FAILURE, MARKS)  # texts
_DEVICE = -1  # its place among the columns; it is none in a body
_NOT_HELD = -1  # in place of a mask, which is not negative
FEW = 20  # a column that lacks at most a part in so many is nearly full
COLUMNS_AT_ONCE = 50  # bounds the texts that are held at once
_INT64 = np.iinfo(np.int64)


@dataclass(frozen=True, slots=True)
class HotRows:
    """``devices``: the device of each row; ``columns``: as numbered in `blocks`, those of `OF_POLL` and the channels."""

    devices: Ints
    columns: Mapping[int, Column]

    def of_each(self) -> dict[int, dict[int, Column]]:
        """Device -> its rows, in the order in which they are here."""
        order = np.argsort(self.devices, kind="stable")
        found, begins = np.unique(self.devices[order], return_index=True)
        ends = [*begins[1:].tolist(), len(order)]
        whole = {index: column.taken(order) for index, column in self.columns.items()}
        return {
            device: {index: column.taken(slice(first, last)) for index, column in whole.items()}
            for device, first, last in zip(found.tolist(), begins.tolist(), ends, strict=True)
        }


def read_hot(connection: sqlite3.Connection, after: int, limit: int, width: int) -> tuple[HotRows | None, int]:
    """The next rows with numbers after ``after``, in increasing number, at most ``limit``, with ``width`` channels; None when there are
    none. With them how far that reaches: `FOREVER_NS` when there are no more."""
    query = "SELECT (SELECT min(seq) FROM sample WHERE seq > ?), (SELECT max(seq) FROM sample)"
    first, last = connection.execute(query, (after,)).fetchone()
    if first is None:
        return None, FOREVER_NS
    upto = first + limit - 1
    return _Reader(connection, first, upto, width, OF_POLL).rows(), upto if upto < last else FOREVER_NS


def read_whole(connection: sqlite3.Connection, first: int, last: int, width: int) -> HotRows | None:
    """All columns of the rows with numbers from ``first`` to ``last``; None when there are none.

    Raises:
        StoreError: a column holds what it cannot hold by the format.
    """
    if connection.execute("SELECT 1 FROM sample WHERE seq BETWEEN ? AND ? LIMIT 1", (first, last)).fetchone() is None:
        return None
    found = _Reader(connection, first, last, width, range(VALUES)).rows()
    if not (np.diff(found.columns[SEQ].numbers) > 0).all():  # nothing promises in which order rows are joined, and bodies rest on it
        raise StoreError("rows did not come in increasing number")
    return found


class _Reader:
    """Rows with numbers from ``first`` to ``last``, of which there is at least one."""

    def __init__(self, connection: sqlite3.Connection, first: int, last: int, width: int, of_poll: Sequence[int]) -> None:
        self._connection, self._span = connection, (first, last)
        self._names = {_DEVICE: "device"} | {i: SAMPLE_COLUMNS[i] for i in of_poll} | {VALUES + i: f"v{i}" for i in range(width)}

    def rows(self) -> HotRows:
        read, empty = self._joined()
        devices = read.pop(_DEVICE)
        missing = {index: len(devices) - len(numbers) for index, numbers in read.items() if len(numbers) < len(devices)}
        few = [index for index, count in missing.items() if count <= len(devices) // FEW]
        there = self._there_but_for(few, read[SEQ]) | self._there([index for index in missing if index not in few])
        if HELD in read:
            there[HELD] = read[HELD] != _NOT_HELD
        columns: dict[int, Column] = {}
        for index in self._names:
            if index in empty:
                columns[index] = Column(np.zeros(len(devices), np.int64), np.zeros(len(devices), bool))
            elif index in read:
                columns[index] = _placed(read[index], there.get(index))
            elif index != _DEVICE:
                columns[index] = self._seldom(index, read[SEQ])
        if any(len(column.numbers) != len(devices) for column in columns.values()):
            raise StoreError("a column holds something else than integers")
        return HotRows(devices, columns)

    def _joined(self) -> tuple[dict[int, Ints], set[int]]:
        """The columns that are 64-bit integers, where they are not NULL, and those that are nothing but NULL: what a table tells when it
        is walked through once, whatever the number of columns."""
        names = list(self._names.items())
        read, empty = dict[int, Ints](), set[int]()
        for first in range(0, len(names), COLUMNS_AT_ONCE):
            some = names[first : first + COLUMNS_AT_ONCE]
            found = self._texts([_asked(index, name) for index, name in some])
            for (index, _), text in zip(some, found, strict=True):
                if not text:
                    empty.add(index)
                elif isinstance(text, str) and (numbers := _numbers(text)) is not None:
                    read[index] = numbers
        return read, empty

    def _there_but_for(self, gapped: Sequence[int], seqs: Ints) -> dict[int, Bools]:
        """As `_there`, of columns that are nearly full: only the rows in which something is missing are fetched."""
        there = {index: np.ones(len(seqs), bool) for index in gapped}
        for first in range(0, len(gapped), COLUMNS_AT_ONCE):
            some = gapped[first : first + COLUMNS_AT_ONCE]
            lacks = [f"{self._names[index]} IS NULL" for index in some]
            query = f"SELECT seq, {', '.join(lacks)} FROM sample WHERE seq BETWEEN ? AND ? AND ({' OR '.join(lacks)})"
            found = np.array(self._connection.execute(query, self._span).fetchall(), np.int64).reshape(-1, 1 + len(some))
            places = np.searchsorted(seqs, found[:, 0])
            for column, index in enumerate(some, start=1):
                there[index][places] = found[:, column] == 0
        return there

    def _there(self, gapped: Sequence[int]) -> dict[int, Bools]:
        """The rows in which something stands, of columns that are not full."""
        there: dict[int, Bools] = {}
        for first in range(0, len(gapped), COLUMNS_AT_ONCE):
            some = gapped[first : first + COLUMNS_AT_ONCE]
            texts = self._texts([f"group_concat({self._names[index]} IS NOT NULL, '')" for index in some])
            there |= {index: np.frombuffer(str(text).encode(), np.uint8) == ord("1") for index, text in zip(some, texts, strict=True)}
        return there

    def _seldom(self, index: int, seqs: Ints) -> Column:
        """Cell by cell, those that are not NULL."""
        name = self._names[index]
        query = f"SELECT seq, {name} FROM sample WHERE seq BETWEEN ? AND ? AND {name} IS NOT NULL ORDER BY seq"
        found = self._connection.execute(query, self._span).fetchall()
        cells = [cell for _, cell in found]
        if len(cells) == len(seqs):
            return column_of(cells)
        texts: dict[Cell, int] = {None: 0}
        places = np.zeros(len(seqs), np.int64)
        places[np.searchsorted(seqs, [seq for seq, _ in found])] = [texts.setdefault(cell, len(texts)) for cell in cells]
        return Column(places, None, tuple(texts))

    def _texts(self, asked: Sequence[str]) -> tuple[str | int | None, ...]:
        """Over all the rows, which a table is walked through in increasing number."""
        query = f"SELECT {', '.join(asked)} FROM sample WHERE seq BETWEEN ? AND ?"
        row: tuple[str | int | None, ...] = self._connection.execute(query, self._span).fetchone()
        return row


def _numbers(text: str) -> Ints | None:
    """Integers that are joined by commas; None when some do not fit 64 bits: they are read as the greatest or the least that do."""
    try:
        found = np.fromstring(text, np.int64, sep=",")
    except ValueError as exc:
        raise StoreError("a column holds something else than integers") from exc
    return None if found.max() == _INT64.max or found.min() == _INT64.min else found


def _asked(index: int, name: str) -> str:
    """What is asked of a column in the one walk. `HELD` is NULL in some rows and not in others, as a rule."""
    if index in _SELDOM:
        return f"count({name})"
    return f"group_concat(ifnull({name}, {_NOT_HELD}))" if index == HELD else f"group_concat({name})"


def _placed(numbers: Ints, there: Bools | None) -> Column:
    if there is None:
        return Column(numbers)
    if len(numbers) == len(there):
        return Column(np.where(there, numbers, 0), None if there.all() else there)
    whole = np.zeros(len(there), np.int64)
    whole[there] = numbers
    return Column(whole, there)
