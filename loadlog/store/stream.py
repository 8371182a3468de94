"""One line of recordings: those of a run, or the rolling ones between runs. Writes into the newest part, begins parts, sets damaged ones
aside.

A run has one recording as a rule. It gets a further part when the configuration of its devices changed under it, or when a part was
damaged, removed or replaced. Rolling recordings change at the first commit after UTC midnight, and by size.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from loadlog.model.clock import NS
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import StoreError
from loadlog.model.event import Event
from loadlog.model.run import RunInfo, Snapshot
from loadlog.store.connect import SHM_SUFFIX, WAL_SUFFIX, DamagedError, GoneError
from loadlog.store.info import DAMAGED_SUFFIX, SUFFIX, file_size
from loadlog.store.rows import event_row
from loadlog.store.writer import Batch, Birth, Recording

DAY_NS = 86_400 * NS
ROTATE_BYTES = 512 << 20


@dataclass(slots=True)
class Surroundings:
    """What a stream needs of its journal."""

    folder: Path
    now_utc_ns: Callable[[], int]
    numbers: Callable[[], tuple[int, int]]  # highest sequence and event numbers given out
    active_events: Callable[[Sequence[DeviceSpec]], list[Event]]
    tell: Callable[[str, str], None]  # (key, message) of a trouble that is over as it is told
    rotate_bytes: int = ROTATE_BYTES


@dataclass(slots=True)
class Stream:
    """``run`` is None for the rolling stream. ``batch`` waits for the next commit; it survives every failure."""

    around: Surroundings
    run: RunInfo | None
    specs: tuple[DeviceSpec, ...]
    snapshot: Callable[[], Snapshot]
    recording: Recording | None = None
    batch: Batch = field(default_factory=Batch)
    path: Path | None = None  # of the part in use, also while it cannot be opened
    part: int = 0

    def carry(self, events: Sequence[Event]) -> None:
        """Events that were active before: this stream's recording must know them to explain itself."""
        self.batch.events.extend(event_row(event, carried=True) for event in events)

    def begin(self) -> None:
        """Make the recording now, before the first sample comes.

        Raises:
            StoreError: not done; may be tried again.
        """
        self._open()
        self.commit()

    def commit(self) -> None:
        """Make everything in the batch durable.

        Raises:
            StoreError: not done; the batch stays for the next try.
        """
        if not self.batch:
            return
        if self.run is None:
            self._rotate_when_due()
        try:
            self._open().write(self.batch)
        except DamagedError as exc:
            self._set_aside(exc)
            self._open().write(self.batch)
        except GoneError:
            self._let_go()
            self._open().write(self.batch)
        except StoreError:
            self._let_go()  # the next try opens the file afresh, wherever it is then
            raise
        self.batch = Batch()

    def finish(self, t_utc_ns: int, reason: str = "") -> None:
        """Close the stream's recording for good; it is made first if the run has none yet.

        Raises:
            StoreError: not done; may be tried again.
        """
        self.commit()
        if self.recording is None and self.path is None and self.run is None:
            return
        try:
            self._open().finish(t_utc_ns, reason)
        except StoreError:
            self._let_go()
            raise
        self.recording, self.path = None, None

    def close(self) -> None:
        """Close the file; the recording itself stays open and is resumed at the next start."""
        self._let_go()

    def _let_go(self) -> None:
        if self.recording is not None:
            self.recording.close()
            self.recording = None

    def _open(self) -> Recording:
        if self.recording is not None:
            return self.recording
        if not self.around.folder.is_dir():
            raise StoreError("directory is missing", where=str(self.around.folder), hint="mount or create it", retryable=True)
        if self.path is not None and not self.path.exists():
            self.around.tell(
                f"gone:{self.path.name}", f"{self.path}: was removed or renamed while it was being written (a new one is begun)"
            )
            self.path = None
        if self.path is not None:
            try:
                self.recording = Recording.reopen(self.path)
            except DamagedError as exc:
                self._set_aside(exc)
            else:
                return self.recording
        self.recording = self._begin()
        return self.recording

    def _begin(self) -> Recording:
        created_utc_ns = self.around.now_utc_ns()
        part, path = self._free_path(created_utc_ns)
        recording = Recording.create(
            path, Birth(self.run, part, self.specs, self.snapshot(), created_utc_ns, *self.around.numbers())
        )  # fmt: skip
        self.path, self.part = path, part
        begun_here = {row[:2] for row in self.batch.events}  # (seq, id): news that waits for this file is not carried into it
        active = [event for event in self.around.active_events(self.specs) if (event.seq, event.id) not in begun_here]
        self.batch.events[:0] = [event_row(event, carried=True) for event in active]
        return recording

    def _free_path(self, now_utc_ns: int) -> tuple[int, Path]:
        """The next part's number and name; names of parts that were set aside are not used again."""
        if self.run is None:
            stamp = dt.datetime.fromtimestamp(now_utc_ns // NS, dt.UTC).strftime("%Y%m%dT%H%M%SZ")
            stem, part = f"rolling-{stamp}", 1
        else:
            stem, part = f"run-{self.run.id}", self.part + 1
        while True:
            path = self.around.folder / f"{stem}{'' if part == 1 else f'.p{part}'}{SUFFIX}"
            if not any(p.exists() for p in (path, Path(f"{path}{DAMAGED_SUFFIX}"))):
                return part, path
            part += 1

    def _set_aside(self, cause: StoreError) -> None:
        """Rename a damaged part with its WAL, so that SQLite's recovery tools still find them together; go on in a new one."""
        self._let_go()
        path, self.path = self.path, None
        if path is None:
            return
        aside = set_aside(path)
        self.around.tell(f"damaged:{path.name}", f"{cause.args[0]}; set aside as {aside.name}, recording goes on in a new file")

    def _rotate_when_due(self) -> None:
        recording = self.recording
        if recording is None or not self.batch.samples:
            return
        newest_utc_ns = self.batch.samples[-1][1][1]
        next_day = newest_utc_ns // DAY_NS > recording.created_utc_ns // DAY_NS
        if next_day or file_size(recording.path) > self.around.rotate_bytes:
            try:
                recording.finish(self.around.now_utc_ns())
            except (DamagedError, GoneError):
                return  # the commit that follows deals with it
            self.recording, self.path = None, None


def set_aside(path: Path) -> Path:
    """Rename a damaged recording; returns the new name."""
    aside = Path(f"{path}{DAMAGED_SUFFIX}")
    number = 1
    while aside.exists():
        number += 1
        aside = Path(f"{path}{DAMAGED_SUFFIX}{number}")
    for suffix in (WAL_SUFFIX, SHM_SUFFIX, ""):
        with contextlib.suppress(FileNotFoundError):
            Path(f"{path}{suffix}").rename(f"{aside}{suffix}")
    return aside
