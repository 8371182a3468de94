"""The data directory itself: who may write in it, how much room is left, the reserve that is given up first; files written whole or not."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
import shutil
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from loadlog.model.errors import StoreError
from loadlog.model.run import RunInfo

LOCK_NAME, RESERVE_NAME, LEDGER_NAME = "recorder.lock", "reserve.bin", "ledger.json"
PARTIAL = ".new"  # ends the name of what is not complete yet
MIB = 1 << 20


class DirectoryLock:
    """One recorder a directory. Held by `flock`, so it ends with its process however that ends."""

    def __init__(self, directory: Path) -> None:
        path = directory / LOCK_NAME
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as exc:
            hint = "mount it read-write, or set bench.data_dir" if exc.errno == errno.EROFS else "check owner and mode of the directory"
            raise StoreError(f"cannot be written: {exc.strerror}", where=str(directory), hint=hint) from exc
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as exc:
            owner = os.pread(self._fd, 32, 0).decode("ascii", "replace").strip()
            os.close(self._fd)
            who = f"another recorder (process {owner})" if owner else "another recorder"
            raise StoreError(f"{who} is writing here", where=str(directory), hint="stop it, or set another bench.data_dir") from exc
        with contextlib.suppress(OSError):  # a full disk must not keep the recorder from starting
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)

    def release(self) -> None:
        """Let another recorder in."""
        os.close(self._fd)


class Reserve:
    """A file that only takes up room, released when the disk is full so that the last samples and the alarm still find some."""

    def __init__(self, directory: Path, size_bytes: int) -> None:
        self._path, self._size_bytes = directory / RESERVE_NAME, size_bytes

    def hold(self) -> bool:
        """Make the file when there is ample room. Returns True when it is there."""
        if not self._size_bytes:
            return False
        try:
            if self._path.exists() and self._path.stat().st_size >= self._size_bytes:
                return True
            if shutil.disk_usage(self._path.parent).free < 4 * self._size_bytes:
                return False
            with self._path.open("wb") as file:
                os.posix_fallocate(file.fileno(), 0, self._size_bytes)
        except OSError:
            self.release()
            return False
        return True

    def release(self) -> bool:
        """Give the room up. Returns True when there was any to give."""
        try:
            self._path.unlink()
        except OSError:
            return False
        return True


def free_bytes(directory: Path) -> int:
    """Room that is left; 0 when the directory is gone."""
    try:
        return shutil.disk_usage(directory).free
    except OSError:
        return 0


@dataclass(frozen=True, slots=True)
class Ledger:
    """What the recordings alone could not say after an accident: the highest numbers given out (a recording may be moved away) and the runs
    that are on (a run's only recording may be damaged). Read beside the recordings, never instead of them."""

    seq: int = 0
    event_id: int = 0
    run: int = 0
    runs: tuple[RunInfo, ...] = ()

    def at_least(self, other: Ledger) -> Ledger:
        """The higher numbers of two; the runs of this one."""
        return replace(self, seq=max(self.seq, other.seq), event_id=max(self.event_id, other.event_id), run=max(self.run, other.run))


def read_ledger(directory: Path) -> Ledger:
    """What was noted last; an empty one when there is nothing readable."""
    try:
        data = json.loads((directory / LEDGER_NAME).read_text(encoding="utf-8"))
        runs = tuple(RunInfo(**{**run, "devices": tuple(run["devices"])}) for run in data["runs"])
        return Ledger(int(data["seq"]), int(data["event_id"]), int(data["run"]), runs)
    except (OSError, ValueError, KeyError, TypeError):
        return Ledger()


def write_ledger(directory: Path, ledger: Ledger) -> None:
    """Replace the note atomically. A failure is harmless: it matters only after a second accident."""
    path = directory / LEDGER_NAME
    fresh = path.with_suffix(".tmp")
    with contextlib.suppress(OSError), fresh.open("w", encoding="utf-8") as file:
        json.dump(asdict(ledger), file)
        file.flush()
        os.fsync(file.fileno())
        fresh.replace(path)


@contextlib.contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Where to write what is to stand at ``path``: it takes that name when the block ends well, else it goes. What is there and no file (a
    pipe, a terminal) is written directly.

    Raises:
        OSError: the name cannot be given.
    """
    if path.exists() and not path.is_file():
        yield path
        return
    path = path.resolve()  # a link stays one
    fresh = path.with_name(path.name + PARTIAL)
    try:
        yield fresh
        fresh.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            fresh.unlink(missing_ok=True)
        raise


def put_in_place(fresh: Path, path: Path) -> None:
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


def sync_directory(directory: Path) -> None:
    """Make a rename or an unlink durable."""
    fd = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
