"""Checksums of the tables that nothing else guards, kept in the recording itself: of what never changes from its beginning on, of the rest
when it is closed.

SQLite does not see a bit that flips within a number or a text. Sealed bodies carry checksums of their own, and minutes can be counted again
(`recount`). What is left is small when a recording ends, so it is read once more then, and costs nothing while samples come.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterable, Iterator

from loadlog.store.edges import CIRCUMSTANCES_SINCE, sealed_seq, version_of

KEY = "checksums"  # in the table meta: JSON, table -> CRC-32
BILLION = 1_000_000_000
# Table -> columns, key. A double is taken as an integer of billionths: how SQLite writes it is another thing from version to version.
# Not `run.keep`, which people change later.
_TABLES = {
    "sqlite_schema": ("type, name, sql", "type, name"),
    "device": ("id, name, role, spec", "id"),
    "channel": ("device, position, name, unit, kind, num, den, off", "device, position"),
    "run": (f"id, name, devices, started_utc_ns, CAST(planned_s * {BILLION} AS INTEGER), ended_utc_ns, end_reason", "id"),
    "identity": ("device, field, t_utc_ns, text", "device, field, t_utc_ns"),
    "span": ("first_seq, last_seq, t_min_ns, t_max_ns, rows", "first_seq"),
    "event": (
        'seq, id, kind, key, device, "group", run, severity, state, onset_earliest_utc_ns, onset_latest_utc_ns, detected_utc_ns, '
        f"cleared_utc_ns, acknowledged, CAST(confidence * {BILLION} AS INTEGER), message, body, carried",
        "seq, id",
    ),
    "note": ("seq, t_utc_ns, author, text", "seq"),
    "gap": ("first_seq, last_seq, device, from_utc_ns, to_utc_ns, samples, reason", "last_seq, device, from_utc_ns"),
    "circumstance": ("seq, t_utc_ns, kind, body", "seq"),
    "meta": ("key, value", "key"),
}
OF_BIRTH = ("sqlite_schema", "device", "channel")
HOT = "sample"
HOT_AT_MOST = 200_000  # rows; more are left only where sealing did not work, and reading them would hold up the end of a run


def note(connection: sqlite3.Connection, tables: Iterable[str] = (*_TABLES, HOT)) -> None:
    """Within the open transaction, after everything else: keep the checksums of those tables of which none is kept yet."""
    if version_of(connection) < CIRCUMSTANCES_SINCE:
        return
    found = _kept(connection)
    for table in tables:
        if table not in found and (table != HOT or _hot_rows(connection) <= HOT_AT_MOST):
            found[table] = _checksum(connection, table)
    connection.execute("INSERT OR REPLACE INTO meta VALUES(?, ?)", (KEY, json.dumps(found)))


def faults(connection: sqlite3.Connection) -> Iterator[str]:
    """One line a table that is not as it was when its checksum was taken."""
    try:
        kept = _kept(connection)
    except (ValueError, AttributeError):
        yield "is damaged: its checksums are unreadable"
        return
    for table, checksum in kept.items():
        if table not in (*_TABLES, HOT):
            yield f"is damaged: there is a checksum of {table!r}, which is no table"
        elif _checksum(connection, table) != checksum:
            what = "rows that are not sealed" if table == HOT else f"table {table}"
            yield f"is damaged: {what}: checksum differs"


def _kept(connection: sqlite3.Connection) -> dict[str, int]:
    row = connection.execute("SELECT value FROM meta WHERE key = ?", (KEY,)).fetchone()
    return {} if row is None else dict(json.loads(row[0]).items())


def _hot_rows(connection: sqlite3.Connection) -> int:
    query = "SELECT count(*) FROM sample WHERE seq > ?"
    return int(connection.execute(query, (sealed_seq(connection),)).fetchone()[0])


def _checksum(connection: sqlite3.Connection, table: str) -> int:
    """CRC-32 of the rows as FORMAT.md describes them. As bytes: damage may have made a text that is none."""
    if table == HOT:
        names = [name for (name,) in connection.execute("SELECT name FROM pragma_table_info('sample') ORDER BY cid").fetchall()]
        columns, key, where = ", ".join(names), "seq", f"WHERE seq > {sealed_seq(connection)}"
    else:
        (columns, key), where = _TABLES[table], f"WHERE key <> '{KEY}'" if table == "meta" else ""
    cells = " || ',' || ".join(f"quote({column.strip()})" for column in columns.split(", "))
    crc = 0
    for (row,) in connection.execute(f"SELECT CAST({cells} AS BLOB) FROM {table} {where} ORDER BY {key}"):
        crc = zlib.crc32(row + b"\n", crc)
    return crc
