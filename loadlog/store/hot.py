"""Hot rows as columns without a Python object a cell: SQLite joins the numbers of a column to a text (``group_concat``), numpy parses it.

Measured on twelve columns of integers: 1 µs a row, against 2.4 µs by way of tuples. Columns that hold what is no 64-bit integer (reasons,
marks, counts beyond 64 bits) come as cells; they are few as a rule.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from loadlog.model.errors import StoreError
from loadlog.store.blocks import FAILURE, HELD, MARKS, QUALITY, SEQ, VALUES, Cell, Column, Ints, column_name, column_of

COLUMNS_AT_ONCE = 50  # bounds the texts held at once
NULL_CODE = -(1 << 63)  # stands for NULL in a joined text; a column that really holds it comes as cells
_WHOLE = range(SEQ, QUALITY + 1)  # integers, never NULL
_ROWS = "FROM sample WHERE seq > ? AND seq <= ?"


@dataclass(frozen=True, slots=True)
class HotRows:
    """Rows of several devices in order. ``device`` of each row; its columns, numbered as in `blocks`, as ``numbers`` (`NULL_CODE`: NULL) or
    ``cells``; of `FAILURE` and `MARKS` only the cells of the rows at ``told``, where one of them is a text."""

    device: Ints
    numbers: dict[int, Ints]
    cells: dict[int, list[Cell]]
    told: Ints

    def of_device(self, number: int, width: int) -> list[Column] | None:
        """The columns of one device with ``width`` channels; None when it has no row."""
        places = np.flatnonzero(self.device == number)
        return [self._column(index, places) for index in range(VALUES + width)] if len(places) else None

    def _column(self, index: int, places: Ints) -> Column:
        if index in (FAILURE, MARKS):
            return self._texts(index, places)
        if index in self.cells:
            cells = self.cells[index]
            return column_of([cells[place] for place in places.tolist()])
        numbers = self.numbers[index][places]
        if index in _WHOLE:
            return Column(numbers)
        missing = numbers == NULL_CODE
        return Column(np.where(missing, 0, numbers), ~missing) if missing.any() else Column(numbers)

    def _texts(self, index: int, places: Ints) -> Column:
        """NULL but for a few rows, as a rule."""
        told = np.flatnonzero(self.device[self.told] == self.device[places[0]])
        texts: dict[Cell, int] = {None: 0} if len(told) < len(places) else {}
        numbers = np.zeros(len(places), np.int64)
        cells = self.cells[index]
        numbers[np.searchsorted(places, self.told[told])] = [texts.setdefault(cells[i], len(texts)) for i in told.tolist()]
        return Column(numbers, np.zeros(len(places), bool)) if texts.keys() == {None} else Column(numbers, None, tuple(texts))


def read_hot(connection: sqlite3.Connection, width: int, after: int, upto: int) -> HotRows:
    """The rows of all devices with numbers in (after, upto]; ``width``: value columns of the recording.

    Raises:
        StoreError: a column holds what it cannot hold by the format.
    """
    span = (after, upto)
    device, *whole = _joined(connection, ("device", *map(column_name, _WHOLE)), span)
    found = HotRows(device, dict(zip(_WHOLE, whole, strict=True)), {}, device[:0])
    if not len(device):
        return found
    seqs = found.numbers[SEQ]
    if any(len(numbers) != len(seqs) for numbers in (device, *whole)) or not (np.diff(seqs) > 0).all():
        raise StoreError("rows did not come whole and in their order")
    nullable = (HELD, *range(VALUES, VALUES + width))
    for first in range(0, len(nullable), COLUMNS_AT_ONCE):
        _read_nullable(connection, nullable[first : first + COLUMNS_AT_ONCE], span, found)
    query = f"SELECT seq, failure, marks {_ROWS} AND (failure IS NOT NULL OR marks IS NOT NULL) ORDER BY seq"
    told = connection.execute(query, span).fetchall()
    found.cells.update({FAILURE: [row[1] for row in told], MARKS: [row[2] for row in told]})
    return replace(found, told=np.searchsorted(seqs, np.array([row[0] for row in told], np.int64)))


def _joined(connection: sqlite3.Connection, expressions: Sequence[str], span: tuple[int, int]) -> list[Ints]:
    """Columns of integers; empty ones when there are no rows."""
    columns = ", ".join(f"group_concat({expression})" for expression in expressions)
    return list(map(_parsed, connection.execute(f"SELECT {columns} {_ROWS}", span).fetchone()))


def _read_nullable(connection: sqlite3.Connection, columns: Sequence[int], span: tuple[int, int], found: HotRows) -> None:
    names = list(map(column_name, columns))
    each = ", ".join(f"max({name}), min({name}), group_concat(coalesce({name}, {NULL_CODE}))" for name in names)
    row = connection.execute(f"SELECT {each} {_ROWS}", span).fetchone()
    for index, name, highest, lowest, text in zip(columns, names, row[::3], row[1::3], row[2::3], strict=True):
        if isinstance(highest, str) or lowest == NULL_CODE:  # a text is above every number
            found.cells[index] = [cell for (cell,) in connection.execute(f"SELECT {name} {_ROWS} ORDER BY seq", span)]
        else:
            found.numbers[index] = _parsed(text)


def _parsed(text: str | None) -> Ints:
    """
    Raises:
        StoreError: not integers alone.
    """
    try:
        return np.fromstring(text or "", np.int64, sep=",")
    except ValueError as exc:
        raise StoreError("a column of integers holds something else") from exc
