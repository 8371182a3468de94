"""Where the parts of a recording meet: rows up to `sealed_seq` lie in sealed bodies, later ones in `sample`; rows up to `rolled_seq` are
summed up by minute, later ones are not. Always sealed_seq <= rolled_seq, and both end with a span."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

SEALED_SINCE = CIRCUMSTANCES_SINCE = 2  # version of the format


def version_of(connection: sqlite3.Connection) -> int:
    """Version of the recording's format."""
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    return version


def sealed_seq(connection: sqlite3.Connection) -> int:
    """Highest number that lies in a sealed body; 0 when nothing is sealed. The highest one is inserted last."""
    if version_of(connection) < SEALED_SINCE:
        return 0
    row = connection.execute("SELECT last_seq FROM sealed ORDER BY rowid DESC LIMIT 1").fetchone()
    return 0 if row is None else int(row[0])


def rolled_seq(connection: sqlite3.Connection) -> int:
    """Highest number that is in the minutes."""
    if version_of(connection) < SEALED_SINCE:
        return int(connection.execute("SELECT coalesce(max(last_seq), 0) FROM span").fetchone()[0])
    row = connection.execute("SELECT value FROM meta WHERE key = 'rolled_seq'").fetchone()
    return max(sealed_seq(connection), 0 if row is None else int(row[0]))


@contextmanager
def snapshot(connection: sqlite3.Connection) -> Iterator[None]:
    """One view of the file for several statements. Keep it short: what is read under it holds back the WAL's reuse."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.execute("COMMIT")
