"""Rows of one recording, a page at a time, and where in the numbers an instant lies."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

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
    rolled = connection.execute("SELECT coalesce(max(last_seq), 0) FROM span").fetchone()[0]
    newest = connection.execute("SELECT coalesce(max(seq), 0) FROM sample").fetchone()[0]
    if newest > rolled:
        spans.append((rolled + 1, newest))
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined and first <= joined[-1][1] + SCAN_ROWS // 10:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def read_page(connection: sqlite3.Connection, page: Page) -> Rows:
    """One short transaction."""
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
    rows = [Row._make((*cells[1:9], cells[9:])) for cells in found]
    full = len(rows) >= page.limit
    return Rows(rows, [cells[0] for cells in found], rows[-1].seq if full else last)
