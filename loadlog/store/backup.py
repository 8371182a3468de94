"""Live copies of recordings, also of those that are being written, and the ledger beside them: the numbers of runs that are removed since,
which must not be given again, stand nowhere else.

`VACUUM INTO` (https://www.sqlite.org/lang_vacuum.html) reads one snapshot through a read-only connection and writes a compact copy; it
neither waits for the recorder nor holds it up. A backup in steps (`sqlite3_backup_step`) begins afresh whenever the source is written, and
`cp` of an open file and its WAL gives a broken copy; neither is used. A copy is made under another name, synced and renamed, so that no
half copy is ever found under a recording's name. A copy that is there and is as new as its recording is left.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from loadlog.model.errors import StoreError, UsageError
from loadlog.store.connect import reading, translated
from loadlog.store.disk import Ledger, free_bytes, read_ledger, sync_directory, write_ledger
from loadlog.store.info import FOLDER, NEW_SUFFIX, RecordingInfo, file_size
from loadlog.store.reader import Archive


@dataclass(frozen=True, slots=True)
class Backup:
    """``copied``: files made. ``kept``: copies that were there already. ``skipped``: recording -> why it could not be copied."""

    folder: Path
    copied: list[Path]
    kept: list[Path]
    skipped: dict[str, str]
    size_bytes: int
    seconds: float


def backup(directory: Path, target: Path, run: str | None = None) -> Backup:
    """Copy every recording of a data directory and its ledger to ``target``, or the recordings of one run alone.

    Raises:
        UsageError: ``target`` is the data directory itself.
        StoreError: the target cannot be written, or has too little room.
    """
    begun = time.monotonic()
    archive = Archive(directory)
    recordings = archive.recordings_of(archive.run(run).id if run is not None else None)
    folder = target / FOLDER
    if folder.resolve() == archive.folder.resolve():
        raise UsageError("the backup would overwrite what it copies", hint="give another directory")
    with translated(folder):
        folder.mkdir(parents=True, exist_ok=True)
    todo = [r for r in recordings if not _is_there(r, folder / r.name)]
    _check_room(todo, folder)
    copied, skipped = [], dict(archive.damaged)
    for recording in todo:
        try:
            copied.append(_copy(recording, folder / recording.name))
        except StoreError as exc:
            if not recording.path.exists():
                continue  # retention was faster
            skipped[recording.name] = exc.args[0]
    if run is None:
        _keep_ledger(directory, target)
    kept = [folder / r.name for r in recordings if r not in todo]
    size = sum(file_size(path) for path in copied)
    return Backup(folder, copied, kept, skipped, size, time.monotonic() - begun)


def _keep_ledger(directory: Path, target: Path) -> None:
    """Of two directories that were copied here one after the other the higher numbers: recordings of both are there."""
    present = read_ledger(directory)
    if present != Ledger():
        write_ledger(target, present.at_least(read_ledger(target)))


def _is_there(recording: RecordingInfo, copy: Path) -> bool:
    """Only what is closed does not change any more."""
    if recording.closed_utc_ns is None or not copy.exists():
        return False
    with contextlib.suppress(StoreError), reading(copy) as connection:
        row = connection.execute("SELECT value FROM meta WHERE key = 'closed_utc_ns'").fetchone()
        return row is not None and int(row[0]) == recording.closed_utc_ns
    return False


def _check_room(todo: Sequence[RecordingInfo], folder: Path) -> None:
    wanted, free = sum(r.size_bytes for r in todo), free_bytes(folder)
    if wanted > free:
        message = f"has {free / 1e6:.0f} MB of room, {wanted / 1e6:.0f} MB are needed"
        raise StoreError(message, where=str(folder), hint="give a directory on another disk")


def _copy(recording: RecordingInfo, copy: Path) -> Path:
    fresh = copy.with_name(copy.name + NEW_SUFFIX)
    try:
        with translated(fresh):
            fresh.unlink(missing_ok=True)
        with reading(recording.path) as connection:
            connection.execute("VACUUM INTO ?", (str(fresh),))
        with translated(fresh):
            with fresh.open("rb") as file:
                os.fsync(file.fileno())
            fresh.replace(copy)
            sync_directory(copy.parent)
    except BaseException:
        with contextlib.suppress(OSError):
            fresh.unlink(missing_ok=True)
        raise
    return copy
