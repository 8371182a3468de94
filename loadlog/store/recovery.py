"""What a journal finds when it opens a directory: runs that go on, events that are active, numbers that are taken.

Everything is read from the recordings themselves. A damaged recording is set aside and costs only itself; files of another program, or of a
newer version, are left alone and told. The numbers in those of a newer version are taken all the same, or the same number would mean two
samples or two events to who has both: a time-series database that was fed by the newer version.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from loadlog.model.device import DeviceSpec
from loadlog.model.errors import StoreError
from loadlog.model.event import Event, EventState
from loadlog.model.run import RunInfo
from loadlog.store.connect import DamagedError, NewerError, open_readonly, reading
from loadlog.store.disk import Ledger, read_ledger
from loadlog.store.edges import version_of
from loadlog.store.info import NEW_SUFFIX, RecordingInfo, file_size, info_from, read_specs, recording_paths
from loadlog.store.rows import EVENT_COLUMNS, event_from_row
from loadlog.store.stream import set_aside
from loadlog.store.trouble import Trouble

SMALLEST_ROW_BYTES = 16


@dataclass(slots=True)
class Resumable:
    """A run that goes on. ``recording``: its newest part, None when that was damaged; it takes further rows unless it is closed."""

    run: RunInfo
    recording: RecordingInfo | None


@dataclass(slots=True)
class Found:
    """``rolling``: the newest rolling recording that is not closed. ``open_others``: what else a crash left open.
    ``ledger``: the highest numbers that can have been given out."""

    infos: list[RecordingInfo] = field(default_factory=list)
    troubles: list[Trouble] = field(default_factory=list)
    active: dict[int, Event] = field(default_factory=dict)
    ledger: Ledger = field(default_factory=Ledger)
    running: list[Resumable] = field(default_factory=list)
    rolling: RecordingInfo | None = None
    open_others: list[RecordingInfo] = field(default_factory=list)
    newer: Ledger = field(default_factory=Ledger)  # numbers in recordings of a newer version


def survey(directory: Path, folder: Path) -> Found:
    """Look through the folder.

    Raises:
        StoreError: the folder itself cannot be read.
    """
    found = Found()
    _sweep(folder)
    damaged, damaged_bytes = _read_all(folder, found)
    noted = read_ledger(directory)
    found.ledger = _highest(noted.at_least(found.newer), found.infos, damaged_bytes)
    _sort_out(found)
    known = {resumable.run.id for resumable in found.running}
    lost = (run for run in noted.runs if run.id not in known and any(name.startswith(f"run-{run.id}.") for name in damaged))
    found.running.extend(Resumable(run, None) for run in lost)
    return found


def _read_all(folder: Path, found: Found) -> tuple[list[str], int]:
    """Fill in what each recording says; returns names and total size of the damaged ones."""
    latest: dict[int, Event] = {}
    damaged: list[str] = []
    damaged_bytes = 0
    for path in recording_paths(folder):
        try:
            with reading(path) as connection:
                info, events = info_from(connection, path), latest_events(connection)
            found.infos.append(info)
            for event in events:
                if event.id not in latest or latest[event.id].seq < event.seq:
                    latest[event.id] = event
        except DamagedError as exc:
            damaged_bytes += file_size(path)
            damaged.append(path.name)
            aside = set_aside(path)
            message = f"{exc.args[0]}; set aside as {aside.name}"
            found.troubles.append(Trouble("store_trouble", message, key=f"damaged:{path.name}", momentary=True))
        except StoreError as exc:
            if isinstance(exc, NewerError):
                found.newer = found.newer.at_least(numbers_of_newer(path))
            message = f"{exc.args[0]}; it is left alone"
            found.troubles.append(Trouble("store_trouble", message, key=f"foreign:{path.name}", momentary=True))
    found.active = {id_: event for id_, event in sorted(latest.items()) if event.state is EventState.ACTIVE}
    return damaged, damaged_bytes


def latest_events(connection: sqlite3.Connection) -> list[Event]:
    """The latest state of each event in one recording."""
    query = f"SELECT {EVENT_COLUMNS} FROM event AS e WHERE seq = (SELECT max(seq) FROM event WHERE id = e.id) ORDER BY id"
    return [event_from_row(row) for row in connection.execute(query).fetchall()]


_NUMBERS_OF_NEWER = {
    "seq": (
        "SELECT max(seq) FROM sample", "SELECT max(last_seq) FROM sealed", "SELECT max(last_seq) FROM span", "SELECT max(seq) FROM event",
        "SELECT max(seq) FROM note", "SELECT max(last_seq) FROM gap", "SELECT max(seq) FROM circumstance",
        "SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'floor_seq'",
    ),
    "event_id": ("SELECT max(id) FROM event", "SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'floor_event_id'"),
}  # fmt: skip


def numbers_of_newer(path: Path) -> Ledger:
    """The highest numbers in a recording of a newer version, as far as its tables are those that are known. Never raises."""
    highest = {"seq": 0, "event_id": 0}
    with contextlib.suppress(StoreError), contextlib.closing(open_readonly(path, lambda connection, _: version_of(connection))) as newer:
        for name, queries in _NUMBERS_OF_NEWER.items():
            for query in queries:
                with contextlib.suppress(sqlite3.Error):  # a table that the newer version has no more
                    row = newer.execute(query).fetchone()
                    if row is not None and isinstance(row[0], int):
                        highest[name] = max(highest[name], row[0])
    name = path.name.removeprefix("run-").split(".")[0] if path.name.startswith("run-") else ""
    return Ledger(highest["seq"], highest["event_id"], run=_number_at_end(name))


def _sweep(folder: Path) -> None:
    """Recordings that were being made when the power went: nothing is in them yet."""
    for path in folder.glob(f"*{NEW_SUFFIX}*"):
        path.unlink(missing_ok=True)


def _highest(noted: Ledger, infos: list[RecordingInfo], damaged_bytes: int) -> Ledger:
    """What a damaged file held is bounded by its size."""
    spare = damaged_bytes // SMALLEST_ROW_BYTES
    return Ledger(
        seq=max([noted.seq, *(max(i.last_seq, i.floor_seq) for i in infos)]) + spare,
        event_id=max([noted.event_id, *(max(i.last_event_id, i.floor_event_id) for i in infos)]) + spare,
        run=max([noted.run, *(run_number(i.run) for i in infos if i.run is not None)]),
    )


def run_number(run: RunInfo) -> int:
    """The four digits at the end of a run's id; 0 when somebody else named it."""
    return _number_at_end(run.id)


def _number_at_end(run_id: str) -> int:
    digits = run_id.rpartition("-")[2]
    return int(digits) if digits.isascii() and digits.isdigit() else 0


def _sort_out(found: Found) -> None:
    newest_part: dict[str, RecordingInfo] = {}
    for info in sorted(found.infos, key=lambda i: (i.created_utc_ns, i.part)):
        if info.run is not None:
            older, newest_part[info.run.id] = newest_part.get(info.run.id), info
        elif info.closed_utc_ns is not None:
            continue
        else:
            older, found.rolling = found.rolling, info
        if older is not None and older.closed_utc_ns is None:
            found.open_others.append(older)
    for info in newest_part.values():
        assert info.run is not None
        if info.run.ended_utc_ns is None:
            found.running.append(Resumable(info.run, info))


def same_devices(path: Path, specs: Mapping[str, DeviceSpec], wanted: tuple[str, ...]) -> bool:
    """True when the recording describes exactly the wanted devices, and as they are configured now."""
    with reading(path) as connection:
        return {s.name: s for _, s in read_specs(connection, path)} == {name: specs.get(name) for name in wanted}
