"""Rows of one recording, a page at a time, and where in the numbers an instant lies."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from loadlog.store.edges import sealed_seq, snapshot
from loadlog.store.rows import Row
from loadlog.store.schema import SAMPLE_COLUMNS

FOREVER_NS = 1 << 62
SCAN_ROWS = 20_000  # rows of all devices that one transaction looks at


@dataclass(frozen=True, slots=True)
class Page:
    """Which rows: of ``device`` (None: all), numbers in (after, last], instants in [from, to), at most ``limit``, ``newest`` first or
    oldest first. ``width``: value columns."""

    device: int | None
    width: int
    after: int
    last: int
    from_ns: int = -FOREVER_NS
    to_ns: int = FOREVER_NS
    limit: int = 2000
    newest: bool = False


@dataclass(frozen=True, slots=True)
class Rows:
    """``reached``: everything up to that number has been looked at. ``devices``: number of the device of each row."""

    rows: list[Row]
    devices: list[int]
    reached: int


def seq_ranges(connection: sqlite3.Connection, from_ns: int, to_ns: int) -> list[tuple[int, int]]:
    """Stretches of numbers, in order, outside of which no sample lies in [from, to). Neighbours are joined."""
    spans = connection.execute(
        "SELECT first_seq, last_seq FROM span WHERE t_max_ns >= ? AND t_min_ns < ? ORDER BY first_seq", (from_ns, to_ns)
    ).fetchall()
    closed = connection.execute("SELECT coalesce(max(last_seq), 0) FROM span").fetchone()[0]
    newest = connection.execute("SELECT coalesce(max(seq), 0) FROM sample").fetchone()[0]
    if newest > closed:
        spans.append((closed + 1, newest))
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined and first <= joined[-1][1] + SCAN_ROWS // 10:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def read_page(connection: sqlite3.Connection, path: Path, page: Page) -> Rows:
    """One short transaction, out of the sealed or the hot part of the recording at ``path``."""
    with snapshot(connection):
        sealed = sealed_seq(connection)
        if page.newest:
            return _newest(connection, path, page, sealed)
        if page.after < sealed:
            return _sealed_page(connection, path, page, sealed)
        return _hot_page(connection, page)


def count_polls(connection: sqlite3.Connection, path: Path, device: int) -> tuple[int, int]:
    """How many rows of a device there are, and how many of them are failed polls."""
    with snapshot(connection):
        query = "SELECT count(*), count(failure) FROM sample WHERE device = ?"
        polls, failed = connection.execute(query, (device,)).fetchone()
        sealed = sealed_seq(connection)
    if sealed:
        from loadlog.store.sealed import Source, failures

        for chunk in Source(path, connection).chunks(device, 0, sealed, -FOREVER_NS, FOREVER_NS):
            polls, failed = polls + chunk.rows, failed + failures(chunk)
    return polls, failed


def _hot_page(connection: sqlite3.Connection, page: Page) -> Rows:
    values = "".join(f", v{i}" for i in range(page.width))
    last = page.last if page.newest or page.device is None else min(page.last, page.after + SCAN_ROWS)
    where = "seq > ? AND seq <= ? AND t_utc_ns >= ? AND t_utc_ns < ?"
    arguments: list[int] = [page.after, last, page.from_ns, page.to_ns]
    if page.device is not None:
        where += " AND device = ?"
        arguments.append(page.device)
    query = (
        f"SELECT device, {', '.join(SAMPLE_COLUMNS)}{values} FROM sample WHERE {where} "
        f"ORDER BY seq {'DESC' if page.newest else 'ASC'} LIMIT {page.limit}"
    )
    found = connection.execute(query, arguments).fetchall()
    make = tuple.__new__  # a page is made often, and its rows have their length from the query
    rows = [make(Row, (*cells[1:9], cells[9:])) for cells in found]
    full = len(rows) >= page.limit
    return Rows(rows, [cells[0] for cells in found], rows[-1].seq if full else last)


def _sealed_page(connection: sqlite3.Connection, path: Path, page: Page, sealed: int) -> Rows:
    from loadlog.store.sealed import Source  # numpy is loaded when there is something to decode

    source, upto = Source(path, connection), min(page.last, sealed)
    if page.device is None:
        devices = [number for (number,) in connection.execute("SELECT id FROM device ORDER BY id")]
        return Rows(*source.merged(devices, page.after, upto, page.limit, page.width))
    span, window = (page.after, upto), (page.from_ns, page.to_ns)
    rows, reached = source.page_of(page.device, span, window, page.limit, page.width)
    return Rows(rows, [page.device] * len(rows), upto if reached is None else min(reached, upto))


def _newest(connection: sqlite3.Connection, path: Path, page: Page, sealed: int) -> Rows:
    found = _hot_page(connection, page)
    if found.rows or page.device is None or not sealed:
        return found
    from loadlog.store.sealed import Source

    chunk = Source(path, connection).newest_chunk(page.device, page.last)
    if chunk is None:
        return found
    low, high = chunk.between(page.after, page.last)
    rows = chunk.cut(max(low, high - page.limit), high, page.width)[::-1]
    return Rows(rows, [page.device] * len(rows), rows[-1].seq if rows else page.last)
