"""A demo has its folder to itself: a second one would write over the first one's ports, configuration and log of faults."""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path

from loadlog.model.errors import RefusedError, StoreError
from loadlog.store.connect import translated
from loadlog.store.disk import DirectoryLock

LOCK_NAME = "demo.lock"
_HINT = "end it, or give this one a folder of its own: --data DIR --tcp-port 0"


@contextlib.contextmanager
def alone(data: Path) -> Iterator[int]:
    """Nobody else's demo or recorder runs in ``data`` when the block begins, and no demo until it ends. Gives the lock's descriptor for the
    demo's processes to inherit (flock(2)): what outlives a demo that was killed has the folder still.

    Raises:
        RefusedError: one runs there already.
        StoreError: the folder cannot be written.
    """
    with translated(data / LOCK_NAME):
        fd = os.open(data / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as exc:
            owner = os.pread(fd, 32, 0).decode("ascii", "replace").strip()
            raise RefusedError(f"a demo runs here already (process {owner or 'unknown'})", where=str(data), hint=_HINT) from exc
        with contextlib.suppress(OSError):  # a full disk is the recorder's to tell
            os.ftruncate(fd, 0)
            os.pwrite(fd, f"{os.getpid()}\n".encode(), 0)
        _refuse_beside_a_recorder(data)
        yield fd
    finally:
        os.close(fd)


def _refuse_beside_a_recorder(data: Path) -> None:
    """A service without a demo: started by hand with a demo's configuration."""
    try:
        DirectoryLock(data).release()
    except StoreError as exc:
        if isinstance(exc.__cause__, BlockingIOError):
            raise RefusedError(exc.what, where=str(data), hint=_HINT) from exc
        raise
