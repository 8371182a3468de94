"""Is everything that was recorded still there, and sound? `verify` looks at each recording by itself, then at the numbers across all.

Within a recording the spans say how many rows there must be, sealed bodies and small tables have checksums, and the minutes are counted
again. A number that is in no recording here and in no recorded gap was removed by retention, moved away, or lost with a damaged file: that
is told, and it is no fault of what is there.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from loadlog.model.clock import format_utc
from loadlog.model.errors import StoreError
from loadlog.store import checksums
from loadlog.store.connect import DamagedError, reading
from loadlog.store.edges import CIRCUMSTANCES_SINCE, rolled_seq, sealed_seq, snapshot, version_of
from loadlog.store.info import DAMAGED_SUFFIX, FOLDER, LOGBOOK, info_from, recording_paths
from loadlog.store.rollup import Sums

MESSAGES_MAX = 5
PAGE_ROWS = 5000
Interval = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Finding:
    """One line about one file. ``sound`` False: something is wrong with it."""

    name: str
    sound: bool
    message: str
    rows: int = 0


@dataclass(slots=True)
class Verification:
    """``missing``: numbers that no recording holds, as (first, last)."""

    findings: list[Finding] = field(default_factory=list)
    missing: list[Interval] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Nothing is wrong with any file."""
        return all(finding.sound for finding in self.findings)


def verify(directory: Path) -> Verification:
    """Check every recording. Reads everything: some seconds for a gigabyte.

    Raises:
        StoreError: the directory cannot be read. Faults of single files are findings, not errors.
    """
    inner = directory / FOLDER
    folder = inner if inner.is_dir() else directory
    result = Verification()
    try:
        paths = recording_paths(folder)
        aside = sorted(p for p in folder.iterdir() if DAMAGED_SUFFIX in p.name and not p.name.endswith(("-wal", "-shm")))
    except OSError as exc:
        raise StoreError(f"cannot be read: {exc.strerror}", where=str(folder), hint="check the directory") from exc
    for path in paths:
        result.findings.append(_verify_one(path))
    for path in aside:
        hint = "sqlite3 FILE .recover may save rows; remove it when it is not needed"
        result.findings.append(Finding(path.name, False, f"{path}: was damaged and set aside ({hint})"))
    sound = [path for path, finding in zip(paths, result.findings, strict=False) if finding.sound]
    result.missing = list(_missing(heapq.merge(*map(_numbers, sound))))
    return result


def _verify_one(path: Path) -> Finding:
    try:
        with reading(path) as connection:
            found = info_from(connection, path)
            faults = list(_faults(connection, path))
            rows = found.samples
    except StoreError as exc:
        return Finding(path.name, False, exc.args[0])
    except (TypeError, ValueError, OverflowError, LookupError) as exc:  # what damage makes of a number must not end a verification
        return Finding(path.name, False, f"{path}: is damaged: {exc!r} (restore it from a copy)")
    if faults:
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        return Finding(path.name, False, f"{path}: {faults[0]}{more} (restore it from a copy)", rows)
    state = "still open" if found.closed_utc_ns is None else "closed"
    what = f"notes {found.notes}, acknowledged events {found.acknowledged}" if found.kind == LOGBOOK else f"{rows} samples, {state}"
    return Finding(path.name, True, f"{path}: sound, {what}", rows)


def _faults(connection: sqlite3.Connection, path: Path) -> Iterator[str]:
    for (line,) in connection.execute(f"PRAGMA integrity_check({MESSAGES_MAX})").fetchall():
        if line != "ok":
            yield f"is damaged: {' '.join(line.split())}"
    with snapshot(connection):
        yield from _counting_faults(connection)
        sealed = sealed_seq(connection)
    broken = list(_block_faults(connection, path)) if sealed else []
    yield from broken
    if not broken:
        from loadlog.store import recount

        yield from recount.faults(connection, path)
    yield from checksums.faults(connection)


def _counting_faults(connection: sqlite3.Connection) -> Iterator[str]:
    (closed,) = connection.execute("SELECT coalesce(max(last_seq), 0) FROM span").fetchone()
    (in_spans,) = connection.execute("SELECT coalesce(sum(rows), 0) FROM span").fetchone()
    rolled, bodies = rolled_seq(connection), _in_bodies(connection)
    hot = "SELECT count(*) FROM sample WHERE seq <= ?"
    if (counted := bodies + connection.execute(hot, (closed,)).fetchone()[0]) != in_spans:
        yield f"rows are missing: {in_spans} were counted when they were written, {counted} are there"
    (in_minutes,) = connection.execute("SELECT coalesce(sum(rows), 0) FROM rollup WHERE position = 0").fetchone()
    if in_minutes != (counted := bodies + connection.execute(hot, (rolled,)).fetchone()[0]):
        yield f"the minutes count {in_minutes} samples, {counted} are there"
    texts = "SELECT rows, count, sum, minimum, maximum, worst FROM rollup WHERE 'text' IN (typeof(sum), typeof(minimum), typeof(maximum))"
    for row in connection.execute(texts):
        try:
            Sums.of_row(row)
        except DamagedError as exc:
            yield exc.what
    (strangers,) = connection.execute("SELECT count(*) FROM sample WHERE device NOT IN (SELECT id FROM device)").fetchone()
    if strangers:
        yield f"{strangers} samples belong to no device"


def _in_bodies(connection: sqlite3.Connection) -> int:
    if not sealed_seq(connection):
        return 0
    (rows,) = connection.execute("SELECT sum(rows) FROM sealed").fetchone()
    return int(rows)


def _block_faults(connection: sqlite3.Connection, path: Path) -> Iterator[str]:
    """Every block by its checksum and decoded, every body against what stands beside it."""
    from loadlog.store.blocks import SEQ, TIME, BlockError, Body

    names = dict(connection.execute("SELECT id, name FROM device").fetchall())
    stretches = connection.execute("SELECT device, last_seq, first_seq, rows, t_min_ns, t_max_ns FROM sealed ORDER BY last_seq").fetchall()
    for device, last_seq, first_seq, rows, t_min_ns, t_max_ns in stretches:
        where = f"sealed rows {first_seq}..{last_seq} of {names.get(device, device)}, {format_utc(t_min_ns)} to {format_utc(t_max_ns)}"
        query = "SELECT body FROM sealed WHERE device = ? AND last_seq = ?"
        (data,) = connection.execute(query, (device, last_seq)).fetchone()
        try:
            body = Body(data)
        except BlockError as exc:
            yield f"{where}: {exc.what}"
            continue
        if faults := body.faults():
            yield from (f"{where}: {fault}" for fault in faults)
            continue
        seqs, times = body.column(SEQ).numbers, body.column(TIME).numbers
        held = (int(seqs[0]), int(seqs[-1]), len(seqs), int(times.min()), int(times.max()))
        if held != (first_seq, last_seq, rows, t_min_ns, t_max_ns) or not (seqs[1:] > seqs[:-1]).all():
            yield f"{where}: holds something else"


def _numbers(path: Path) -> Iterator[Interval]:
    """What the recording accounts for, in order: stretches of numbers of samples, and those of events, notes and gaps. Read page by page,
    so that memory and snapshots stay small however long the recording is."""
    with reading(path) as connection:
        if connection.execute("SELECT value FROM meta WHERE key = 'kind'").fetchone() == (LOGBOOK,):
            return  # few numbers of many that were removed
        circumstances = "UNION SELECT seq, seq FROM circumstance " if version_of(connection) >= CIRCUMSTANCES_SINCE else ""
        others = connection.execute(
            f"SELECT seq, seq FROM event WHERE NOT carried UNION SELECT seq, seq FROM note {circumstances}"
            "UNION SELECT first_seq, last_seq FROM gap ORDER BY 1"
        ).fetchall()
        yield from heapq.merge(others, _sample_numbers(connection, path))


def _sample_numbers(connection: sqlite3.Connection, path: Path) -> Iterator[Interval]:
    devices = [number for (number,) in connection.execute("SELECT id FROM device").fetchall()]
    after = 0
    while True:
        with snapshot(connection):
            sealed = sealed_seq(connection)
            hot = "SELECT seq FROM sample WHERE seq > ? ORDER BY seq LIMIT ?"
            page = [seq for (seq,) in connection.execute(hot, (after, PAGE_ROWS))] if after >= sealed else []
        if after < sealed:
            from loadlog.store.sealed import Source

            found, after = Source(path, connection).numbers(devices, after, sealed)
            yield from _stretches(found)
        elif page:
            yield from _stretches(page)
            after = page[-1]
        else:
            return


def _stretches(numbers: list[int]) -> Iterator[Interval]:
    if not numbers:
        return
    first = last = numbers[0]
    for number in numbers[1:]:
        if number != last + 1:
            yield first, last
            first = number
        last = number
    yield first, last


def _missing(held: Iterable[Interval]) -> Iterator[Interval]:
    """The holes between intervals that come in order of their beginnings."""
    reached: int | None = None
    for first, last in held:
        if reached is not None and first > reached + 1:
            yield reached + 1, first - 1
        reached = last if reached is None else max(reached, last)
