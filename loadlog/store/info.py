"""What a recording says of itself: which run, which devices, which numbers and which time it covers.

The list of recordings is nothing but the files in the directory, so it needs no catalogue that could be wrong.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

from loadlog.model.circumstance import Circumstance, from_json
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import StoreError
from loadlog.model.event import Event
from loadlog.model.learned import Understanding
from loadlog.model.run import RunInfo, Snapshot
from loadlog.model.serial_form import device_from_json
from loadlog.store.connect import DamagedError, ForeignError, reading
from loadlog.store.edges import CIRCUMSTANCES_SINCE, version_of
from loadlog.store.rows import EVENT_COLUMNS, event_from_row

FOLDER = "recordings"
SUFFIX = ".sqlite"
NEW_SUFFIX = ".new"
DAMAGED_SUFFIX = ".damaged"
ROLLING, RUN, LOGBOOK = "rolling", "run", "logbook"
LEARNED_KEY = "learned:"  # + device, in the table meta
_ACKNOWLEDGED = (
    "SELECT count(*) FROM event AS e WHERE acknowledged AND state = 'cleared' AND seq = (SELECT max(seq) FROM event WHERE id = e.id)"
)


@dataclass(frozen=True, slots=True)
class RecordingInfo:
    """One recording. ``last_seq`` is the highest number of anything in it, ``last_sample_seq`` that of a sample. ``first_seq`` is 0 and
    ``t_first_ns``, ``t_last_ns`` are None while it holds no sample.

    ``floor_seq``, ``floor_event_id``: the numbers in use when it was made. ``closed_utc_ns`` None: still written, or the recorder did not
    come to close it. ``notes``: lines of the logbook; ``acknowledged``: events that are over and that somebody acknowledged.
    """

    path: Path
    kind: str
    part: int
    run: RunInfo | None
    bench: str
    devices: tuple[str, ...]
    created_utc_ns: int
    closed_utc_ns: int | None
    first_seq: int
    last_seq: int
    last_event_id: int
    floor_seq: int
    floor_event_id: int
    samples: int
    t_first_ns: int | None
    t_last_ns: int | None
    size_bytes: int
    last_sample_seq: int
    notes: int = 0
    acknowledged: int = 0

    @property
    def name(self) -> str:
        """File name, for messages."""
        return self.path.name


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples of ``device`` that are known to be missing, among the numbers from ``first_seq`` to ``last_seq``. ``samples`` None: nobody
    counted them, since the recorder was not running."""

    first_seq: int
    last_seq: int
    device: str
    from_utc_ns: int
    to_utc_ns: int
    samples: int | None
    reason: str


def recording_paths(folder: Path) -> list[Path]:
    """The recordings in a folder, by name."""
    return sorted(p for p in folder.iterdir() if p.suffix == SUFFIX and p.is_file())


class Listing:
    """The recordings of a folder, again and again: what is closed is read once. ``damaged``: file -> why it cannot be read, at the last
    look; ``foreign``: which of them are of a newer version or another program."""

    def __init__(self) -> None:
        self._closed: dict[str, tuple[tuple[int, int], RecordingInfo]] = {}
        self.damaged: dict[str, str] = {}
        self.foreign: frozenset[str] = frozenset()

    def recordings(self, folder: Path, leave_out: Collection[Path] = ()) -> list[RecordingInfo]:
        """All readable ones, oldest first, but for those to leave out, which are not even opened.

        Raises:
            StoreError: the folder cannot be read.
        """
        out, damaged, foreign = [], {}, set()
        try:
            paths = [path for path in recording_paths(folder) if path not in leave_out]
        except OSError as exc:
            hint = "start the service once, or give the directory of the recordings"
            raise StoreError(f"cannot be read: {exc.strerror}", where=str(folder), hint=hint, retryable=True) from exc
        for path in paths:
            try:
                out.append(self._info(path))
            except FileNotFoundError:
                continue  # retention was here
            except StoreError as exc:
                if path.exists():
                    damaged[path.name] = exc.args[0]
                    if isinstance(exc, ForeignError):
                        foreign.add(path.name)
        self.damaged, self.foreign = damaged, frozenset(foreign)
        here = {path.name for path in paths}
        self._closed = {name: known for name, known in self._closed.items() if name in here}
        return sorted(out, key=lambda i: (i.created_utc_ns, i.part, i.name))

    def _info(self, path: Path) -> RecordingInfo:
        stat = path.stat()
        key = (stat.st_mtime_ns, stat.st_size)
        known = self._closed.get(path.name)
        if known is not None and known[0] == key:
            return known[1]
        found = read_info(path)
        if found.closed_utc_ns is not None:
            self._closed[path.name] = (key, found)
        return found


def file_size(path: Path) -> int:
    """Bytes on the disk, the WAL included."""
    total = 0
    for part in (path, path.with_name(path.name + "-wal")):
        try:
            total += part.stat().st_size
        except FileNotFoundError:
            continue
    return total


def read_info(path: Path) -> RecordingInfo:
    """Open, read, close.

    Raises:
        StoreError: damaged, foreign, newer, locked, missing or not permitted.
    """
    with reading(path) as connection:
        return info_from(connection, path)


def info_from(connection: sqlite3.Connection, path: Path) -> RecordingInfo:
    """As `read_info`, over an open connection."""
    try:
        meta = dict(connection.execute("SELECT key, value FROM meta"))
        first_seq, t_first, t_last, last_seq = _extent(connection)
        events = connection.execute("SELECT coalesce(max(seq), 0), coalesce(max(id), 0) FROM event").fetchone()
        notes, last_note = connection.execute("SELECT count(*), coalesce(max(seq), 0) FROM note").fetchone()
        acknowledged = connection.execute(_ACKNOWLEDGED).fetchone()[0]
        last_gap = connection.execute("SELECT coalesce(max(last_seq), 0) FROM gap").fetchone()[0]
        last_circumstance = 0
        if version_of(connection) >= CIRCUMSTANCES_SINCE:
            last_circumstance = connection.execute("SELECT coalesce(max(seq), 0) FROM circumstance").fetchone()[0]
        return RecordingInfo(
            path=path, kind=meta["kind"], part=int(meta["part"]), run=_run(connection), bench=meta["bench"],
            devices=tuple(name for (name,) in connection.execute("SELECT name FROM device ORDER BY id")),
            created_utc_ns=int(meta["created_utc_ns"]), closed_utc_ns=int(meta["closed_utc_ns"]) if "closed_utc_ns" in meta else None,
            first_seq=first_seq, last_seq=max(last_seq, events[0], last_note, last_gap, last_circumstance), last_event_id=events[1],
            floor_seq=int(meta["floor_seq"]), floor_event_id=int(meta["floor_event_id"]), samples=_count(connection),
            t_first_ns=t_first, t_last_ns=t_last,
            size_bytes=file_size(path), last_sample_seq=last_seq, notes=notes, acknowledged=acknowledged,
        )  # fmt: skip
    except (KeyError, ValueError, TypeError) as exc:
        raise DamagedError(f"is damaged: description unreadable ({exc})", where=str(path), hint="restore it from a copy") from exc


def _count(connection: sqlite3.Connection) -> int:
    count: int = connection.execute(
        "SELECT (SELECT coalesce(sum(rows), 0) FROM span) + "
        "(SELECT count(*) FROM sample WHERE seq > (SELECT coalesce(max(last_seq), 0) FROM span))"
    ).fetchone()[0]
    return count


def _extent(connection: sqlite3.Connection) -> tuple[int, int | None, int | None, int]:
    """First number, first and last instant, last number of the samples, sealed ones included."""
    query = "SELECT min(first_seq), min(t_min_ns), max(t_max_ns), max(last_seq) FROM span"
    first_seq, t_first, t_last, closed = connection.execute(query).fetchone()
    query = "SELECT min(seq), min(t_utc_ns), max(t_utc_ns), max(seq) FROM sample WHERE seq > ?"
    tail = connection.execute(query, (closed or 0,)).fetchone()
    if tail[0] is None:
        return first_seq or 0, t_first, t_last, closed or 0
    if first_seq is None:
        return tail[0], tail[1], tail[2], tail[3]
    return first_seq, min(t_first, tail[1]), max(t_last, tail[2]), tail[3]


def _run(connection: sqlite3.Connection) -> RunInfo | None:
    row = connection.execute("SELECT id, name, devices, started_utc_ns, planned_s, ended_utc_ns, end_reason, keep FROM run").fetchone()
    if row is None:
        return None
    id_, name, devices, started, planned, ended, reason, keep = row
    return RunInfo(id_, name, tuple(json.loads(devices)), started, planned, ended, reason, bool(keep))


def read_specs(connection: sqlite3.Connection, path: Path) -> Iterator[tuple[int, DeviceSpec]]:
    """Number and description of each device of the recording."""
    for number, text in connection.execute("SELECT id, spec FROM device ORDER BY id").fetchall():
        try:
            yield number, device_from_json(json.loads(text))
        except (KeyError, TypeError, ValueError) as exc:
            raise DamagedError(f"is damaged: device {number} unreadable ({exc})", where=str(path), hint="restore it from a copy") from exc


def read_learned(connection: sqlite3.Connection) -> dict[str, Understanding]:
    """Device -> what was learned of it last. What cannot be read was not learned."""
    out = {}
    rows = connection.execute("SELECT substr(key, ?), value FROM meta WHERE key LIKE ?", (len(LEARNED_KEY) + 1, LEARNED_KEY + "%"))
    for device, text in rows.fetchall():
        with contextlib.suppress(KeyError, TypeError, ValueError):
            out[device] = Understanding.from_json(json.loads(text))
    return out


def read_revisions(connection: sqlite3.Connection) -> list[Event]:
    """Every state of every event, carried ones too, in order."""
    return [event_from_row(row) for row in connection.execute(f"SELECT {EVENT_COLUMNS} FROM event ORDER BY seq, id")]


def read_circumstances(connection: sqlite3.Connection) -> list[Circumstance]:
    """What the detectors were given besides samples, in order. What cannot be read was not given."""
    if version_of(connection) < CIRCUMSTANCES_SINCE:
        return []
    out = []
    for seq, t_utc_ns, kind, body in connection.execute("SELECT seq, t_utc_ns, kind, body FROM circumstance ORDER BY seq"):
        with contextlib.suppress(KeyError, TypeError, ValueError, AttributeError):
            out.append(from_json(seq, t_utc_ns, kind, json.loads(body)))
    return out


def read_snapshot(connection: sqlite3.Connection, path: Path) -> Snapshot:
    """The configuration that was in force, with the identities that were reported since."""
    row = connection.execute("SELECT value FROM meta WHERE key = 'snapshot'").fetchone()
    if row is None:
        raise StoreError("holds no configuration snapshot", where=str(path))
    try:
        snapshot = Snapshot(**json.loads(row[0]))
    except (TypeError, ValueError) as exc:
        raise DamagedError(f"is damaged: snapshot unreadable ({exc})", where=str(path), hint="restore it from a copy") from exc
    reported = connection.execute(
        "SELECT device.name, field, text FROM identity JOIN device ON device.id = identity.device ORDER BY t_utc_ns"
    )  # fmt: skip
    for device, field, text in reported.fetchall():
        snapshot.identities.setdefault(device, {})[field] = text
    return snapshot
