"""Opening recordings, and SQLite's errors in the words of the project.

One connection of one process writes and checkpoints a recording (SQLite before 3.51.3 can corrupt a WAL when two do so at once); every
other connection is opened here with ``mode=ro``. A recording that was closed cleanly has no WAL file, and a reader without write
permission on the directory cannot create the shared-memory index that ``mode=ro`` wants then; such a file cannot change either, so it is
opened with ``immutable=1`` (https://www.sqlite.org/wal.html, "Read-Only Databases").
"""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from loadlog.model.errors import StoreError
from loadlog.store.schema import APPLICATION_ID, SCHEMA_VERSION

READ_TIMEOUT_S = 2.0
WAL_SUFFIX, SHM_SUFFIX = "-wal", "-shm"
WAL_PAGES = 1000  # of 4 KiB: what SQLite lets a WAL grow to unless told otherwise
HEADER = b"SQLite format 3\x00"  # https://www.sqlite.org/fileformat.html, 1.3


class DamagedError(StoreError):
    """The file is no sound database any more: truncated, overwritten, bits flipped."""


class ForeignError(StoreError):
    """A sound file, but no recording of this program, or one of a newer version."""


class NewerError(ForeignError):
    """A recording of a newer version; it is sound for all that is known, and left alone."""


class DiskFullError(StoreError):
    """No room; the same write succeeds when there is room again."""


class GoneError(StoreError):
    """The file that was being written is not there any more, or another one stands in its place."""


_DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT)
_BUSY = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_UNRECOVERED = (
    sqlite3.SQLITE_READONLY_RECOVERY, sqlite3.SQLITE_READONLY_ROLLBACK, sqlite3.SQLITE_READONLY_CANTLOCK, sqlite3.SQLITE_READONLY_CANTINIT,
)  # fmt: skip
_DENIED = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH)


def translate(exc: sqlite3.Error, path: Path) -> StoreError:
    """The `StoreError` that says what to do about ``exc``."""
    code = getattr(exc, "sqlite_errorcode", None) or 0
    primary, where, detail = code & 0xFF, str(path), " ".join(str(exc).split())
    if primary in _DAMAGED:
        return DamagedError(f"is damaged: {detail}", where=where, hint="other recordings are not concerned; restore this one from a copy")
    if primary == sqlite3.SQLITE_FULL:
        return _full(where)
    if primary in _BUSY:
        return StoreError("is locked by another program", where=where, hint="close the other program", retryable=True)
    if code in _UNRECOVERED:
        hint = "start the recorder, or read it as its owner"
        return StoreError("was cut off by a crash and cannot be recovered without write permission", where=where, hint=hint, retryable=True)
    if primary in _DENIED:
        return StoreError("cannot be written: read-only or not permitted", where=where, hint="check owner, mode and mount", retryable=True)
    if primary == sqlite3.SQLITE_CANTOPEN:
        return _cannot_open(path, detail)
    if primary == sqlite3.SQLITE_IOERR:
        return StoreError(f"cannot be read or written: {detail}", where=where, hint="check the disk and its cable", retryable=True)
    if isinstance(exc, sqlite3.OperationalError) and "no such" in detail:
        return DamagedError(f"is damaged: {detail}", where=where, hint="other recordings are not concerned; restore this one from a copy")
    return StoreError(detail, where=where)


def _full(where: str) -> DiskFullError:
    return DiskFullError("no room left on the disk", where=where, hint="free some space; recording resumes by itself", retryable=True)


def _cannot_open(path: Path, detail: str) -> StoreError:
    if not path.parent.is_dir():
        return StoreError("directory is missing", where=str(path.parent), hint="mount or create it", retryable=True)
    if not path.exists():
        return StoreError("there is no such recording", where=str(path))
    if os.statvfs(path.parent).f_flag & os.ST_RDONLY:
        return StoreError("is on a disk that is read-only now", where=str(path), hint="check the disk, mount it read-write", retryable=True)
    return StoreError(f"cannot be opened: {detail}", where=str(path), hint="check owner and mode of file and directory", retryable=True)


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Let SQLite's and the system's errors leave as `StoreError`, and what is found damaged in a row with the file's name."""
    try:
        yield
    except DamagedError as exc:
        if exc.where:
            raise
        raise DamagedError(exc.what, where=str(path), hint=exc.hint) from exc
    except sqlite3.Error as exc:
        raise translate(exc, path) from exc
    except OSError as exc:
        if exc.errno in (errno.ENOSPC, errno.EDQUOT):
            raise _full(str(exc.filename or path)) from exc
        raise StoreError(exc.strerror or str(exc), where=str(exc.filename or path), hint="check the directory", retryable=True) from exc


Check = Callable[[sqlite3.Connection, Path], int]


def check_identity(connection: sqlite3.Connection, path: Path) -> int:
    """Schema version of the recording.

    Raises:
        DamagedError: of no version.
        ForeignError: of another program, or newer than this version knows.
    """
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    if application != APPLICATION_ID:
        raise ForeignError("is a SQLite file, but no recording of loadlog", where=str(path), hint="move it out of the data directory")
    if version < 1:
        raise DamagedError(
            f"is damaged: it says that it has format {version}", where=str(path), hint="restore it from a copy, or remove it"
        )
    if version > SCHEMA_VERSION:
        what = f"was written by a newer loadlog: it has format {version}, this version of loadlog knows up to {SCHEMA_VERSION}"
        raise NewerError(what, where=str(path), hint="update loadlog; nothing in it is touched")
    return version


def _check_header(path: Path) -> None:
    """A truncated or overwritten file said plainly, before SQLite takes it for a new, empty one."""
    with path.open("rb") as file:
        head = file.read(100)
        size = os.fstat(file.fileno()).st_size
    if len(head) < 100:
        wal = path.with_name(path.name + WAL_SUFFIX)
        if not head and wal.exists() and wal.stat().st_size:
            return  # created a moment ago: everything is still in the WAL
        raise DamagedError(f"is damaged: only {size} bytes long", where=str(path), hint="restore it from a copy, or remove it")
    if not head.startswith(HEADER):
        raise DamagedError("is damaged or no SQLite file: wrong header", where=str(path), hint="restore it from a copy, or remove it")


def open_readonly(path: Path, check: Check = check_identity) -> sqlite3.Connection:
    """A read-only connection to a recording whose identity has been checked.

    Raises:
        StoreError: missing, damaged, foreign, newer, locked or not permitted; one line.
    """
    with translated(path):
        if not path.is_file():
            raise _cannot_open(path, "not a file")
        _check_header(path)
        uri = path.resolve().as_uri()
        try:
            return _probed(f"{uri}?mode=ro", path, check)
        except sqlite3.OperationalError as exc:
            wal = path.with_name(path.name + WAL_SUFFIX)
            if (exc.sqlite_errorcode & 0xFF) not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY) or wal.exists():
                raise
            return _probed(f"{uri}?mode=ro&immutable=1", path, check)


def _probed(uri: str, path: Path, check: Check) -> sqlite3.Connection:
    connection = sqlite3.connect(uri, uri=True, timeout=READ_TIMEOUT_S, isolation_level=None, check_same_thread=False)
    try:
        check(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A read-only connection for one short piece of work; errors leave as `StoreError`."""
    connection = open_readonly(path)
    try:
        with translated(path):
            yield connection
    finally:
        connection.close()


def open_for_writing(path: Path, *, create: bool) -> sqlite3.Connection:
    """The one writing connection: WAL, every commit synced. Who commits often brings the WAL into the file between commits (`checkpoints`);
    SQLite does so of itself within one where that did not come about.

    Raises:
        StoreError: see `open_readonly`; `DiskFullError`.
    """
    with translated(path):
        if not create:
            _check_header(path)
        mode = "rwc" if create else "rw"
        connection = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=READ_TIMEOUT_S, isolation_level=None, check_same_thread=False
        )
        try:
            if not create:
                check_identity(connection, path)
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute("PRAGMA cache_size=-1024")
            connection.execute(f"PRAGMA wal_autocheckpoint={2 * WAL_PAGES}")
        except BaseException:
            connection.close()
            raise
        return connection
