"""What stays of a recording between runs when retention removes it: what people wrote.

A reading of weeks ago is replaced by a hundred others; a line that somebody wrote is not. So the notes, and the events that are over and
that somebody acknowledged, are put into a logbook: a recording of kind ``logbook`` without devices and samples, some 30 kB, in the
recording's place. It is made whole under another name, synced and renamed before the recording goes: a power cut leaves the recording, the
logbook, or both, and never neither. An event that was still active is told on by the next recording, with its acknowledgement.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path
from typing import Any

from loadlog.model.event import EventState
from loadlog.store import schema
from loadlog.store.connect import reading, translated
from loadlog.store.disk import sync_directory
from loadlog.store.info import LOGBOOK, NEW_SUFFIX, ROLLING, RecordingInfo
from loadlog.store.recovery import latest_events
from loadlog.store.rows import EVENT_COLUMNS, event_row

PAGE_BYTES = 1024  # nearly every table is empty and takes a page
KEPT_META = ("part", "bench", "software", "created_utc_ns", "closed_utc_ns", "floor_seq", "floor_event_id")


def logbook_path(recording: Path) -> Path:
    """Where the logbook of a rolling recording lies."""
    return recording.with_name(f"{LOGBOOK}-{recording.name.removeprefix(f'{ROLLING}-')}")


def leave_logbook(recording: RecordingInfo) -> Path | None:
    """Make the logbook of a recording that is closed; None when nobody wrote anything. The recording itself is left alone.

    Raises:
        StoreError: it cannot be read, or there is no room for the logbook: the recording must stay.
    """
    with reading(recording.path) as connection:
        notes = connection.execute("SELECT seq, t_utc_ns, author, text FROM note ORDER BY seq").fetchall()
        over = [event for event in latest_events(connection) if event.acknowledged and event.state is EventState.CLEARED]
        meta = {key: value for key, value in connection.execute("SELECT key, value FROM meta") if key in KEPT_META}
    if not notes and not over:
        return None
    path = logbook_path(recording.path)
    fresh = path.with_name(f"{path.name}.{os.getpid()}{NEW_SUFFIX}")  # `store prune` may be at the same one as the recorder
    with translated(fresh), contextlib.ExitStack() as cleanup:
        cleanup.callback(lambda: fresh.unlink(missing_ok=True))
        fresh.unlink(missing_ok=True)
        _write(fresh, {**meta, "kind": LOGBOOK}, notes, [event_row(event, carried=False) for event in over])
        fresh.replace(path)
        sync_directory(path.parent)
    return path


def _write(path: Path, meta: dict[str, str], notes: list[tuple[Any, ...]], events: list[tuple[Any, ...]]) -> None:
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(f"PRAGMA page_size={PAGE_BYTES}")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("BEGIN IMMEDIATE")
        for statement in schema.statements(()):
            connection.execute(statement)
        connection.executemany("INSERT INTO meta VALUES(?, ?)", meta.items())
        connection.executemany("INSERT INTO note VALUES(?, ?, ?, ?)", notes)
        places = ", ".join("?" * len(EVENT_COLUMNS.split(", ")))
        connection.executemany(f"INSERT INTO event({EVENT_COLUMNS}) VALUES({places})", events)
        connection.execute("COMMIT")
