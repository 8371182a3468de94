"""The viewer's own database: what it must know again after a restart. The recordings are the recorder's; this file is the viewer's alone.

``viewer.sqlite`` in the data directory, WAL with ``synchronous=NORMAL``: after a power cut the last moments may be missing, which costs
work that is done again and changes nothing (the same lines are sent a second time). One process writes; a lock file says which. A damaged
or foreign file is set aside and a new one begun: then everything is forwarded again, to the same points.

Anybody else reads it with `read_state`.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path

from loadlog.model.errors import StoreError
from loadlog.store.connect import READ_TIMEOUT_S, SHM_SUFFIX, WAL_SUFFIX, DamagedError, ForeignError, translated
from loadlog.store.info import DAMAGED_SUFFIX

FILE, LOCK = "viewer.sqlite", "viewer.lock"
APPLICATION_ID = 0x4C645677  # "LdVw"
VERSION = 1

_TABLES = """
CREATE TABLE place(target TEXT NOT NULL, lane TEXT NOT NULL, recording TEXT NOT NULL, seq INTEGER NOT NULL,
  PRIMARY KEY(target, lane, recording)) WITHOUT ROWID;
CREATE TABLE progress(target TEXT PRIMARY KEY, state TEXT NOT NULL, acknowledged_utc_ns INTEGER, newest_utc_ns INTEGER,
  lines INTEGER NOT NULL, told TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE undo(target TEXT NOT NULL, number INTEGER NOT NULL, acknowledged_utc_ns INTEGER NOT NULL, before TEXT NOT NULL,
  PRIMARY KEY(target, number)) WITHOUT ROWID;
CREATE TABLE aside(id INTEGER PRIMARY KEY, target TEXT NOT NULL, t_utc_ns INTEGER NOT NULL, reason TEXT NOT NULL, line TEXT NOT NULL,
  UNIQUE(target, line));
"""


class ViewerState:
    """The writing side; made by `open_state`. Thread-safe: one transaction at a time."""

    def __init__(self, path: Path, connection: sqlite3.Connection, lock_fd: int) -> None:
        self.path, self._connection, self._lock_fd = path, connection, lock_fd
        self._lock = threading.Lock()

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All or nothing; errors leave as `StoreError`."""
        with self._lock, translated(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise
            self._connection.execute("COMMIT")

    def close(self) -> None:
        """Give the file free."""
        with self._lock:
            self._connection.close()
            os.close(self._lock_fd)


class StateHolder:
    """The viewer's database, opened once for all that keep something in it. Thread-safe."""

    def __init__(self, directory: Path) -> None:
        self._directory, self._lock = directory, threading.Lock()
        self._state: ViewerState | None = None

    def opened(self) -> ViewerState:
        """The database; opened at the first call that succeeds.

        Raises:
            StoreError: as `open_state`.
        """
        with self._lock:
            if self._state is None:
                self._state = open_state(self._directory)
            return self._state


def open_state(directory: Path) -> ViewerState:
    """Open or make the viewer's database in a data directory.

    Raises:
        StoreError: another viewer has it, or the directory does not take it.
    """
    path = directory / FILE
    lock_fd = _locked(directory)
    try:
        try:
            connection = _open(path)
        except (DamagedError, ForeignError):
            for suffix in ("", WAL_SUFFIX, SHM_SUFFIX):
                with contextlib.suppress(FileNotFoundError):
                    os.replace(f"{path}{suffix}", f"{path}{suffix}{DAMAGED_SUFFIX}")
            connection = _open(path)
    except BaseException:
        os.close(lock_fd)
        raise
    return ViewerState(path, connection, lock_fd)


def _locked(directory: Path) -> int:
    try:
        directory.mkdir(parents=True, exist_ok=True)
        fd = os.open(directory / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as exc:
        raise StoreError(f"cannot be written: {exc.strerror}", where=str(directory), hint="check owner and mode", retryable=True) from exc
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        os.close(fd)
        raise StoreError("another viewer is at work here", where=str(directory), hint="stop the other one", retryable=True) from exc
    return fd


def _open(path: Path) -> sqlite3.Connection:
    with translated(path):
        connection = sqlite3.connect(path, timeout=READ_TIMEOUT_S, isolation_level=None, check_same_thread=False)
        try:
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=NORMAL")
            application = connection.execute("PRAGMA application_id").fetchone()[0]
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            if not tables:
                connection.executescript(f"BEGIN;{_TABLES}PRAGMA application_id={APPLICATION_ID};PRAGMA user_version={VERSION};COMMIT;")
            elif application != APPLICATION_ID or version != VERSION:
                raise ForeignError("is no state of this version's viewer", where=str(path))
            elif connection.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
                raise DamagedError("is damaged", where=str(path))
        except BaseException:
            connection.close()
            raise
        return connection


@contextlib.contextmanager
def read_state(directory: Path) -> Iterator[sqlite3.Connection | None]:
    """A read-only connection to the viewer's database of a data directory; None where there is none."""
    path = directory / FILE
    if not path.exists():
        yield None
        return
    with translated(path):
        connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=READ_TIMEOUT_S, isolation_level=None)
        try:
            if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                raise ForeignError("is no state of a viewer", where=str(path), hint="move it away")
            yield connection
        finally:
            connection.close()
