"""Minimum, maximum, sum and count of each channel over each minute, exactly.

The encoding helper makes the minutes when rows are sealed (`sealing`); `roll_up` makes the same of hot rows, when a recording ends or no
helper works. Sums are added to what the minutes already hold, so rows that come late, or a system clock that stepped back, change nothing
in the result. `edges.rolled_seq` says how far the minutes reach: a reader adds all later rows. The heavy part is one SQL statement, during
which the interpreter's lock is free for the bus threads; Python sums only where SQL's 64-bit integers do not reach.

Values are counts (`model.quantity.Scale`), bad ones and held ones included: what was read is not dropped, its quality stands beside it. A
code by which the instrument says "no value" is none.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from loadlog.model.sample import Quality
from loadlog.store.connect import DamagedError
from loadlog.store.rows import INT64, Layout, Marks, parse_marks
from loadlog.store.schema import MINUTE_NS

COLUMNS_AT_ONCE = 100  # SQLite allows 2,000 result columns
Key = tuple[int, int, int]  # device, position, minute


@dataclass(slots=True)
class Sums:
    """One channel over one minute, in counts. ``rows``: polls, failed ones too; ``count``: polls with a value."""

    rows: int = 0
    count: int = 0
    total: int = 0
    minimum: int | None = None
    maximum: int | None = None
    worst: int = 0

    def add(self, other: Sums) -> None:
        """Merge; exact and in any order."""
        self.rows += other.rows
        self.count += other.count
        self.total += other.total
        self.worst = max(self.worst, other.worst)
        if other.minimum is not None and other.maximum is not None:
            self.minimum = other.minimum if self.minimum is None else min(self.minimum, other.minimum)
            self.maximum = other.maximum if self.maximum is None else max(self.maximum, other.maximum)

    @classmethod
    def of_row(cls, row: tuple[Any, ...]) -> Sums:
        """From ``rows, count, sum, minimum, maximum, worst`` as stored.

        Raises:
            DamagedError: a number is none.
        """
        rows, count, total, minimum, maximum, worst = row
        try:
            return cls(rows, count, int(total), None if minimum is None else int(minimum), None if maximum is None else int(maximum), worst)
        except (TypeError, ValueError) as exc:
            raise DamagedError(f"is damaged: a minute is unreadable ({exc})", hint="restore it from a copy") from exc

    def as_row(self) -> tuple[Any, ...]:
        """The inverse of `of_row`."""
        return (self.rows, self.count, storable(self.total), storable(self.minimum), storable(self.maximum), self.worst)


def storable(number: int | None) -> int | str | None:
    """An integer beyond 64 bits as decimal text."""
    return number if number is None or -INT64 <= number < INT64 else str(number)


def worst_of(marks: Marks | None, failed: bool, name: str) -> int:
    """Quality of one channel in one poll."""
    if failed:
        return int(Quality.BAD)
    if marks is None:
        return int(Quality.GOOD)
    if name in marks.bad:
        return int(Quality.BAD)
    return int(Quality.UNCERTAIN if name in marks.uncertain else Quality.GOOD)


def roll_up(connection: sqlite3.Connection, layouts: Mapping[int, Layout], after_seq: int, last_seq: int) -> None:
    """Within the open transaction: sum up the rows in (after_seq, last_seq], and note that they are in the minutes."""
    span = (after_seq, last_seq)
    sums: dict[Key, Sums] = {}
    width = max((len(layout.names) for layout in layouts.values()), default=0)
    for first in range(0, width, COLUMNS_AT_ONCE):
        positions = range(first, min(first + COLUMNS_AT_ONCE, width))
        try:
            _sum_by_sql(connection, layouts, span, positions, sums)
        except _BeyondSqlError:
            _sum_by_python(connection, layouts, span, positions, sums)
    _add_quality(connection, layouts, span, sums)
    merge_minutes(connection, sums.items())
    connection.execute("INSERT OR REPLACE INTO meta VALUES('rolled_seq', ?)", (str(last_seq),))


def merge_minutes(connection: sqlite3.Connection, sums: Iterable[tuple[Key, Sums]]) -> None:
    """Within the open transaction: add to what the minutes hold."""
    for key, fresh in sums:
        stored = connection.execute(
            "SELECT rows, count, sum, minimum, maximum, worst FROM rollup WHERE device = ? AND position = ? AND minute = ?", key
        ).fetchone()
        if stored is not None:
            fresh.add(Sums.of_row(stored))
        connection.execute("INSERT OR REPLACE INTO rollup VALUES(?, ?, ?, ?, ?, ?, ?, ?, ?)", (*key, *fresh.as_row()))


def _value_sql(layouts: Mapping[int, Layout], position: int) -> str:
    """The column, without the codes by which an instrument says "no value"."""
    cases = ""
    for number, layout in layouts.items():
        sentinels = layout.sentinels[position] if position < len(layout.names) else ()
        if sentinels:
            codes = ", ".join(str(code) if isinstance(code, int) else f"'{code}'" for code in map(storable, sorted(sentinels)))
            cases += f" WHEN device = {number} AND v{position} IN ({codes}) THEN NULL"
    return f"CASE{cases} ELSE v{position} END" if cases else f"v{position}"


class _BeyondSqlError(Exception):
    """A count or a sum that does not fit a signed 64-bit integer."""


def _sum_by_sql(
    connection: sqlite3.Connection, layouts: Mapping[int, Layout], span: tuple[int, int], positions: range, sums: dict[Key, Sums]
) -> None:
    values = [_value_sql(layouts, i) for i in positions]
    columns = ", ".join(f"count({v}), sum({v}), min({v}), max({v})" for v in values)
    query = f"SELECT device, t_utc_ns / {MINUTE_NS} AS m, count(*), {columns} FROM sample WHERE seq > ? AND seq <= ? GROUP BY device, m"
    try:
        rows = connection.execute(query, span).fetchall()
    except sqlite3.OperationalError as exc:
        if "integer overflow" in str(exc):
            raise _BeyondSqlError from exc
        raise
    except OverflowError as exc:
        raise _BeyondSqlError from exc
    found: dict[Key, Sums] = {}
    for device, minute, polls, *cells in rows:
        for index, position in enumerate(positions):
            if position >= len(layouts[device].names):
                break
            count, total, minimum, maximum = cells[4 * index : 4 * index + 4]
            if isinstance(maximum, str):
                raise _BeyondSqlError
            found[device, position, minute] = Sums(polls, count, total or 0, minimum, maximum)
    sums.update(found)


def _sum_by_python(
    connection: sqlite3.Connection, layouts: Mapping[int, Layout], span: tuple[int, int], positions: range, sums: dict[Key, Sums]
) -> None:
    columns = ", ".join(f"v{i}" for i in positions)
    query = f"SELECT device, t_utc_ns / {MINUTE_NS}, {columns} FROM sample WHERE seq > ? AND seq <= ?"
    for device, minute, *cells in connection.execute(query, span):
        for position, cell in zip(positions, cells, strict=True):
            if position < len(layouts[device].names):
                number = None if cell is None or int(cell) in layouts[device].sentinels[position] else int(cell)
                one = Sums(1, int(number is not None), number or 0, number, number)
                sums.setdefault((device, position, minute), Sums()).add(one)


def _add_quality(connection: sqlite3.Connection, layouts: Mapping[int, Layout], span: tuple[int, int], sums: dict[Key, Sums]) -> None:
    query = (
        f"SELECT DISTINCT device, t_utc_ns / {MINUTE_NS}, marks, failure IS NOT NULL FROM sample "
        "WHERE seq > ? AND seq <= ? AND (marks IS NOT NULL OR failure IS NOT NULL)"
    )
    rows: Iterable[tuple[int, int, str | None, int]] = connection.execute(query, span)
    for device, minute, text, failed in rows:
        marks = None if text is None else parse_marks(text)
        for position, name in enumerate(layouts[device].names):
            one = sums[device, position, minute]
            one.worst = max(one.worst, worst_of(marks, bool(failed), name))


def rolled_buckets(
    connection: sqlite3.Connection, channel: tuple[int, int], minutes: tuple[int, int], per_bucket: int
) -> Iterator[tuple[int, Sums]]:
    """The minutes in [minutes[0], minutes[1]) of one channel (device, position), ``per_bucket`` of them together: number of the bucket
    (minute divided by ``per_bucket``) and its sums."""
    where = "FROM rollup WHERE device = ? AND position = ? AND minute >= ? AND minute < ?"
    arguments = (*channel, *minutes)
    query = (
        f"SELECT minute / {per_bucket} AS bucket, sum(rows), sum(count), sum(sum), min(minimum), max(maximum), max(worst), max(sum), "
        f"max(minimum) {where} GROUP BY bucket"
    )
    try:
        found = connection.execute(query, arguments).fetchall()
    except sqlite3.OperationalError as exc:
        if "integer overflow" not in str(exc):
            raise
        found = None
    # text sorts above every number, so a number beyond 64 bits shows in a maximum
    if found is not None and not any(isinstance(cell, str) for row in found for cell in row[5:]):
        for bucket, rows, count, total, low, high, worst, *_ in found:
            yield bucket, Sums(rows, count, total, low, high, worst)
        return
    for minute, *row in connection.execute(f"SELECT minute, rows, count, sum, minimum, maximum, worst {where}", arguments):
        yield minute // per_bucket, Sums.of_row(tuple(row))
