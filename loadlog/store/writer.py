"""One recording being written: the only connection that writes or checkpoints it.

Invariants: a batch is one transaction, synced before `write` returns; rows come in increasing number; spans follow one another and cover
all rows but those since the last one closed. A batch may be written again after a failure whose outcome is unknown: what is already in the
file is skipped.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from loadlog.model.device import DeviceSpec
from loadlog.model.run import RunInfo, Snapshot
from loadlog.model.serial_form import device_to_json
from loadlog.store import checksums, schema
from loadlog.store.checkpoints import Checkpoints
from loadlog.store.connect import GoneError, open_for_writing, translated
from loadlog.store.disk import put_in_place
from loadlog.store.edges import sealed_seq, version_of
from loadlog.store.info import LEARNED_KEY, NEW_SUFFIX, ROLLING, RUN, read_specs
from loadlog.store.rollup import roll_up, storable
from loadlog.store.rows import EVENT_COLUMNS, Layout, storable_cell
from loadlog.store.schema import MINUTE_NS
from loadlog.store.sealing import Group, Sealed, Unsealed, swap

ROWS_AT_ONCE = (64, 8, 1)  # of one statement: many are a third cheaper than one by one
VARIABLES_MAX = 32_766  # https://www.sqlite.org/limits.html
SPAN_ROWS = 20_000  # a span closes at this many rows even within a minute
SELDOM = tuple(map(schema.SAMPLE_COLUMNS.index, ("failure", "held", "marks")))  # columns that are NULL in most rows
# SQLite keeps a NaN as NULL (https://www.sqlite.org/floatingpoint.html); for each None that it binds Python looks for an adapter
NULL = float("nan")


@dataclass(slots=True)
class Batch:
    """What goes into one transaction; rows as `rows` makes them. ``samples``: device and row, in increasing number."""

    samples: list[tuple[str, tuple[Any, ...]]] = field(default_factory=list)
    events: list[tuple[Any, ...]] = field(default_factory=list)
    notes: list[tuple[Any, ...]] = field(default_factory=list)
    gaps: list[tuple[Any, ...]] = field(default_factory=list)
    identities: list[tuple[str, str, int, str]] = field(default_factory=list)
    learned: dict[str, str] = field(default_factory=dict)
    circumstances: list[tuple[int, int, str, str]] = field(default_factory=list)

    def __bool__(self) -> bool:
        return any((self.samples, self.events, self.notes, self.gaps, self.identities, self.learned, self.circumstances))


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


@dataclass(slots=True)
class _OpenSpan:
    """The rows since the last span: about a minute's."""

    first_seq: int = 0
    last_seq: int = 0
    t_min_ns: int = 0
    t_max_ns: int = 0
    minute: int = 0
    counts: Counter[int] = field(default_factory=Counter)

    def with_rows(self, rows: Sequence[tuple[Any, ...]], counts: Counter[int]) -> _OpenSpan:
        """As it is after further rows ``(seq, t, ...)``; ``counts``: how many of each device."""
        times = [row[1] for row in rows]
        earliest, latest, last_seq = min(times), max(times), rows[-1][0]
        if not self.counts:
            return _OpenSpan(rows[0][0], last_seq, earliest, latest, times[0] // MINUTE_NS, counts)
        return _OpenSpan(
            self.first_seq, last_seq, min(self.t_min_ns, earliest), max(self.t_max_ns, latest), self.minute, self.counts + counts
        )  # fmt: skip

    def is_over(self, t_utc_ns: int) -> bool:
        """The newest row lies in another minute than the first, or there are many."""
        return bool(self.counts) and (t_utc_ns // MINUTE_NS != self.minute or self.counts.total() >= SPAN_ROWS)

    def close(self, connection: sqlite3.Connection) -> None:
        """Enter it, within the open transaction."""
        values = (self.first_seq, self.last_seq, self.t_min_ns, self.t_max_ns, self.counts.total())
        connection.execute("INSERT INTO span VALUES(?, ?, ?, ?, ?)", values)

    @classmethod
    def read(cls, connection: sqlite3.Connection) -> _OpenSpan:
        """As a recording stands."""
        (after,) = connection.execute("SELECT coalesce(max(last_seq), 0) FROM span").fetchone()
        rows = connection.execute("SELECT seq, t_utc_ns, device FROM sample WHERE seq > ? ORDER BY seq", (after,)).fetchall()
        return cls().with_rows(rows, Counter(row[2] for row in rows)) if rows else cls()


class Recording:
    """Open for writing. Use `create` or `reopen`."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        self.checkpoints = Checkpoints(connection)
        with translated(path):
            self._inode = os.stat(path).st_ino
            self.specs = dict(read_specs(connection, path))
            self._layouts = {number: Layout(spec) for number, spec in self.specs.items()}
            self._numbers = {spec.name: number for number, spec in self.specs.items()}
            width = max((len(spec.channels) for spec in self.specs.values()), default=0)
            self._width = len(schema.SAMPLE_COLUMNS) + width + 1
            self._inserts = {rows: _insert(width, rows) for rows in ROWS_AT_ONCE if rows == 1 or rows * self._width <= VARIABLES_MAX}
            # what follows the cells of a device's row: NULL in the columns beyond its channels, its number
            self._tails = {s.name: ((NULL,) * (width - len(s.channels)) + (number,)) for number, s in self.specs.items()}
            self.last_seq = max(self._one("SELECT coalesce(max(seq), 0) FROM sample"), sealed_seq(connection))
            self._span = _OpenSpan.read(connection)
            self._unsealed = Unsealed.read(connection)
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
                checksums.note(connection, checksums.OF_BIRTH)
                connection.execute("COMMIT")
            finally:
                connection.close()
            put_in_place(fresh, path)
        return cls.reopen(path)

    @classmethod
    def reopen(cls, path: Path) -> Recording:
        """Go on with an existing file; an interrupted transaction is undone, a finished one is kept (SQLite's recovery).

        Raises:
            StoreError: missing, damaged, foreign, newer, locked or not permitted.
        """
        connection = open_for_writing(path, create=False)
        try:
            with translated(path):
                _migrate(connection)
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
        samples, tails = batch.samples, self._tails
        if samples and samples[0][1][0] <= self.last_seq:  # a failure of unknown outcome: some may be in the file
            samples = [one for one in samples if one[1][0] > self.last_seq]
        cells: list[Any] = []
        for device, row in samples:
            cells += row
            cells += tails[device]
        self._replace_none(cells)
        with translated(self.path):
            self._check_in_place()
            try:
                self._transaction(batch, samples, cells)
            except OverflowError:
                self._transaction(batch, samples, list(map(storable_cell, cells)))

    def _replace_none(self, cells: list[Any]) -> None:
        """By what is bound faster, in the columns where it is usual."""
        for place in SELDOM:
            column = cells[place :: self._width]
            if (missing := column.count(None)) == len(column):
                cells[place :: self._width] = [NULL] * missing
            elif missing:
                cells[place :: self._width] = [NULL if cell is None else cell for cell in column]

    def _transaction(self, batch: Batch, samples: Sequence[tuple[str, tuple[Any, ...]]], cells: list[Any]) -> None:
        connection, span, is_over = self._connection, self._span, False
        if samples:
            rows = [row for _, row in samples]
            of_device = Counter([device for device, _ in samples])
            span = span.with_rows(rows, Counter({self._numbers[device]: n for device, n in of_device.items()}))
            is_over = span.is_over(rows[-1][1])
        connection.execute("BEGIN IMMEDIATE")
        try:
            self._insert_rows(cells)
            self._insert_rest(batch)
            if is_over:
                span.close(connection)
            connection.execute("COMMIT")
        except BaseException:
            self._rollback()
            raise
        if is_over:
            self._unsealed.add(span.last_seq, span.counts)
        self.checkpoints.committed(len(samples))
        self._span = _OpenSpan() if is_over else span
        self.last_seq = samples[-1][1][0] if samples else self.last_seq

    def _insert_rows(self, cells: list[Any]) -> None:
        start = 0
        for rows, insert in self._inserts.items():
            step = rows * self._width
            while len(cells) - start >= step:
                self._connection.execute(insert, cells[start : start + step])
                start += step

    def due(self) -> Group | None:
        """Rows that can be sealed."""
        return self._unsealed.due(self.path)

    def seal(self, sealed: Sealed) -> bool:
        """Swap a group for its bodies. False when it no longer fits: nothing was changed.

        Raises:
            StoreError: nothing was changed.
        """
        with translated(self.path):
            self._check_in_place()
            if not swap(self._connection, sealed):
                self._unsealed = Unsealed.read(self._connection)
                return False
        self.checkpoints.committed(sealed.group.upto - sealed.group.after)
        self._unsealed.sealed(sealed.group.upto)
        return True

    def roll_up(self) -> None:
        """Bring the minutes up to the last span without a helper.

        Raises:
            StoreError: nothing was changed.
        """
        after = self._unsealed.rolled_seq
        upto = self._unsealed.spans[-1][0] if self._unsealed.spans else after
        if upto <= after:
            return
        with translated(self.path):
            self._check_in_place()
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                roll_up(self._connection, self._layouts, after, upto)
                self._connection.execute("COMMIT")
            except BaseException:
                self._rollback()
                raise
        self._unsealed.rolled_seq = upto

    @property
    def unrolled_rows(self) -> int:
        """Rows in closed spans that are in no minute."""
        return sum(counts.total() for last_seq, counts in self._unsealed.spans if last_seq > self._unsealed.rolled_seq)

    def _insert_rest(self, batch: Batch) -> None:
        execute_many = self._connection.executemany
        if batch.events:
            places = ", ".join("?" * len(batch.events[0]))
            execute_many(f"INSERT OR IGNORE INTO event({EVENT_COLUMNS}) VALUES({places})", batch.events)
        if batch.notes:
            execute_many("INSERT OR IGNORE INTO note VALUES(?, ?, ?, ?)", batch.notes)
        if batch.gaps:
            execute_many("INSERT OR IGNORE INTO gap VALUES(?, ?, ?, ?, ?, ?, ?)", batch.gaps)
        if batch.circumstances:
            execute_many("INSERT OR IGNORE INTO circumstance VALUES(?, ?, ?, ?)", batch.circumstances)
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
                if self._span.counts:
                    self._span.close(connection)
                roll_up(connection, self._layouts, self._unsealed.rolled_seq, self.last_seq)
                if reason:
                    connection.execute("UPDATE run SET ended_utc_ns = ?, end_reason = ?", (t_utc_ns, reason))
                connection.execute("INSERT OR REPLACE INTO meta VALUES('closed_utc_ns', ?)", (str(t_utc_ns),))
                checksums.note(connection)
                connection.execute("COMMIT")
            except BaseException:
                self._rollback()
                raise
        self.close()

    def close(self) -> None:
        """Checkpoint and close; never raises, the WAL keeps what could not be checkpointed."""
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()


def _migrate(connection: sqlite3.Connection) -> None:
    """Bring an older file to the present format, in one transaction a version."""
    while (version := version_of(connection)) < schema.SCHEMA_VERSION:
        connection.execute("BEGIN IMMEDIATE")
        for statement in schema.MIGRATIONS[version]:
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version={version + 1}")
        connection.execute("COMMIT")


def _insert(width: int, rows: int) -> str:
    values = "".join(f", v{i}" for i in range(width))
    places = f"({', '.join('?' * (len(schema.SAMPLE_COLUMNS) + width + 1))})"
    return f"INSERT INTO sample({', '.join(schema.SAMPLE_COLUMNS)}{values}, device) VALUES {', '.join([places] * rows)}"


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
            channel = (number, position, c.name, c.unit, c.kind, *(storable(n) for n in (c.scale.num, c.scale.den, c.scale.off)))
            connection.execute("INSERT INTO channel VALUES(?, ?, ?, ?, ?, ?, ?, ?)", channel)


def _remove(path: Path) -> None:
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)
