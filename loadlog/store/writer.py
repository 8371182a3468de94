"""One recording being written: the only connection that writes or checkpoints it.

Invariants: a batch is one transaction, synced before `write` returns; rows come in increasing number; the rollup covers exactly the rows up
to the last span. A batch may be written again after a failure whose outcome is unknown: what is already in the file is skipped.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import sqlite3
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from loadlog.model.device import DeviceSpec
from loadlog.model.run import RunInfo, Snapshot
from loadlog.model.serial_form import device_to_json
from loadlog.store import schema
from loadlog.store.connect import GoneError, open_for_writing, translated
from loadlog.store.disk import sync_directory
from loadlog.store.info import LEARNED_KEY, NEW_SUFFIX, ROLLING, RUN, read_specs
from loadlog.store.rollup import close_span
from loadlog.store.rows import EVENT_COLUMNS, Layout
from loadlog.store.schema import MINUTE_NS

SPAN_ROWS = 20_000  # a span closes at this many rows even within a minute


@dataclass(slots=True)
class Batch:
    """What goes into one transaction; rows as `rows` makes them. ``samples``: device and row, in increasing number."""

    samples: list[tuple[str, tuple[Any, ...]]] = field(default_factory=list)
    events: list[tuple[Any, ...]] = field(default_factory=list)
    notes: list[tuple[Any, ...]] = field(default_factory=list)
    gaps: list[tuple[Any, ...]] = field(default_factory=list)
    identities: list[tuple[str, str, int, str]] = field(default_factory=list)
    learned: dict[str, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.samples or self.events or self.notes or self.gaps or self.identities or self.learned)


@dataclass(frozen=True, slots=True)
class Birth:
    """What a new recording is made with."""

    run: RunInfo | None
    part: int
    devices: Sequence[DeviceSpec]
    snapshot: Snapshot
    created_utc_ns: int
    floor_seq: int
    floor_event_id: int


class Recording:
    """Open for writing. Use `create` or `reopen`."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        with translated(path):
            self._inode = os.stat(path).st_ino
            self.specs = dict(read_specs(connection, path))
            self._layouts = {number: Layout(spec) for number, spec in self.specs.items()}
            self._numbers = {spec.name: number for number, spec in self.specs.items()}
            self._inserts = {spec.name: _insert(number, spec) for number, spec in self.specs.items()}
            self.last_seq = self._one("SELECT coalesce(max(seq), 0) FROM sample")
            self._rolled_seq = self._one("SELECT coalesce(max(last_seq), 0) FROM span")
            self._loose_rows = self._one("SELECT count(*) FROM sample WHERE seq > ?", self._rolled_seq)
            self._span_minute = self._one(f"SELECT t_utc_ns / {MINUTE_NS} FROM sample WHERE seq > ? ORDER BY seq LIMIT 1", self._rolled_seq)
            self.created_utc_ns = int(self._one("SELECT value FROM meta WHERE key = 'created_utc_ns'"))

    @classmethod
    def create(cls, path: Path, birth: Birth) -> Recording:
        """A new file, made complete under another name and then renamed, so that no half-made recording is ever found.

        Raises:
            StoreError: the directory is missing, not permitted or full.
        """
        fresh = path.with_name(path.name + NEW_SUFFIX)
        with translated(fresh), contextlib.ExitStack() as cleanup:
            fresh.unlink(missing_ok=True)
            cleanup.callback(_remove, fresh)
            connection = sqlite3.connect(fresh, isolation_level=None)
            try:
                # WAL from the first moment: switching later would write the header, and a kill then leaves what readers cannot undo.
                connection.execute("PRAGMA journal_mode=WAL")
                connection.execute("PRAGMA synchronous=FULL")
                connection.execute("BEGIN IMMEDIATE")
                for statement in schema.statements(birth.devices):
                    connection.execute(statement)
                _describe(connection, birth)
                connection.execute("COMMIT")
            finally:
                connection.close()
            _put_in_place(fresh, path)
        return cls.reopen(path)

    @classmethod
    def reopen(cls, path: Path) -> Recording:
        """Go on with an existing file; an interrupted transaction is undone, a finished one is kept (SQLite's recovery).

        Raises:
            StoreError: missing, damaged, foreign, newer, locked or not permitted.
        """
        connection = open_for_writing(path, create=False)
        try:
            return cls(path, connection)
        except BaseException:
            connection.close()
            raise

    def _one(self, query: str, *values: Any) -> Any:
        row = self._connection.execute(query, values).fetchone()
        return None if row is None else row[0]

    def write(self, batch: Batch) -> None:
        """One durable transaction.

        Raises:
            StoreError: nothing of the batch is in the file, or all of it; the same batch may be written again.
        """
        with translated(self.path):
            self._check_in_place()
            last_seq, loose, minute = self._transaction(batch)
        self.last_seq, self._loose_rows, self._span_minute = last_seq, loose, minute

    def _transaction(self, batch: Batch) -> tuple[int, int, int | None]:
        connection, last_seq = self._connection, self.last_seq
        loose, minute, rolled_seq = self._loose_rows, self._span_minute, self._rolled_seq
        connection.execute("BEGIN IMMEDIATE")
        try:
            newest_minute = minute
            for device, row in batch.samples:
                if row[0] <= last_seq:
                    continue
                connection.execute(self._inserts[device], row)
                last_seq, newest_minute = row[0], row[1] // MINUTE_NS
                minute = newest_minute if minute is None else minute
                loose += 1
            self._insert_rest(batch)
            if loose and (newest_minute != minute or loose >= SPAN_ROWS):
                close_span(connection, self._layouts, rolled_seq, last_seq)
                rolled_seq, loose, minute = last_seq, 0, None
            connection.execute("COMMIT")
        except BaseException:
            self._rollback()
            raise
        self._rolled_seq = rolled_seq
        return last_seq, loose, minute

    def _insert_rest(self, batch: Batch) -> None:
        execute_many = self._connection.executemany
        if batch.events:
            places = ", ".join("?" * len(batch.events[0]))
            execute_many(f"INSERT OR IGNORE INTO event({EVENT_COLUMNS}) VALUES({places})", batch.events)
        if batch.notes:
            execute_many("INSERT OR IGNORE INTO note VALUES(?, ?, ?, ?)", batch.notes)
        if batch.gaps:
            execute_many("INSERT OR IGNORE INTO gap VALUES(?, ?, ?, ?, ?, ?, ?)", batch.gaps)
        for device, text in batch.learned.items():
            self._connection.execute("INSERT OR REPLACE INTO meta VALUES(?, ?)", (LEARNED_KEY + device, text))
        for device, name, t_utc_ns, text in batch.identities:
            if device in self._numbers:
                values = (self._numbers[device], name, t_utc_ns, text)
                self._connection.execute("INSERT OR IGNORE INTO identity VALUES(?, ?, ?, ?)", values)

    def _check_in_place(self) -> None:
        """A file that was deleted or unmounted under us still takes writes that nobody will ever see."""
        try:
            inode = os.stat(self.path).st_ino
        except FileNotFoundError:
            inode = None
        if inode != self._inode:
            raise GoneError("was removed or replaced while it was being written", where=str(self.path), hint="a new recording is begun")

    def _rollback(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")

    def last_instant(self) -> int | None:
        """UTC of the newest row."""
        with translated(self.path):
            instant: int | None = self._one("SELECT t_utc_ns FROM sample ORDER BY seq DESC LIMIT 1")
            return instant

    def finish(self, t_utc_ns: int, reason: str = "") -> None:
        """No more rows will come: sum up the last span, note the end, close.

        Raises:
            StoreError: not finished; may be tried again.
        """
        connection = self._connection
        with translated(self.path):
            self._check_in_place()
            connection.execute("BEGIN IMMEDIATE")
            try:
                if self._loose_rows:
                    close_span(connection, self._layouts, self._rolled_seq, self.last_seq)
                if reason:
                    connection.execute("UPDATE run SET ended_utc_ns = ?, end_reason = ?", (t_utc_ns, reason))
                connection.execute("INSERT OR REPLACE INTO meta VALUES('closed_utc_ns', ?)", (str(t_utc_ns),))
                connection.execute("COMMIT")
            except BaseException:
                self._rollback()
                raise
            self._rolled_seq, self._loose_rows, self._span_minute = self.last_seq, 0, None
        self.close()

    def close(self) -> None:
        """Checkpoint and close; never raises, the WAL keeps what could not be checkpointed."""
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()


def _put_in_place(fresh: Path, path: Path) -> None:
    """Rename, but never over an existing recording."""
    try:
        os.link(fresh, path)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if path.exists():
            raise FileExistsError(errno.EEXIST, "a recording of this name exists", str(path)) from None
        fresh.rename(path)
    sync_directory(path.parent)


def _insert(number: int, spec: DeviceSpec) -> str:
    values = "".join(f", v{i}" for i in range(len(spec.channels)))
    places = ", ".join("?" * (len(schema.SAMPLE_COLUMNS) + len(spec.channels)))
    return f"INSERT INTO sample(device, {', '.join(schema.SAMPLE_COLUMNS)}{values}) VALUES({number}, {places})"


def _describe(connection: sqlite3.Connection, birth: Birth) -> None:
    run = birth.run
    meta = {
        "kind": ROLLING if run is None else RUN,
        "part": str(birth.part),
        "bench": birth.snapshot.bench,
        "software": birth.snapshot.software,
        "created_utc_ns": str(birth.created_utc_ns),
        "floor_seq": str(birth.floor_seq),
        "floor_event_id": str(birth.floor_event_id),
        "snapshot": schema.compact(asdict(birth.snapshot)),
    }
    connection.executemany("INSERT INTO meta VALUES(?, ?)", meta.items())
    if run is not None:
        row = (run.id, run.name, json.dumps(run.devices), run.started_utc_ns, run.planned_s, run.ended_utc_ns, run.end_reason, run.keep)
        connection.execute("INSERT INTO run VALUES(?, ?, ?, ?, ?, ?, ?, ?)", row)
    for number, spec in enumerate(birth.devices, start=1):
        connection.execute("INSERT INTO device VALUES(?, ?, ?, ?)", (number, spec.name, spec.role, schema.compact(device_to_json(spec))))
        for position, c in enumerate(spec.channels):
            channel = (number, position, c.name, c.unit, c.kind, *(_text_if_large(n) for n in (c.scale.num, c.scale.den, c.scale.off)))
            connection.execute("INSERT INTO channel VALUES(?, ?, ?, ?, ?, ?, ?, ?)", channel)


def _text_if_large(number: int) -> int | str:
    return number if abs(number) < 1 << 63 else str(number)


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)
