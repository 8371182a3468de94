"""Accuracy points of all devices: ``accuracy.jsonl`` in the data directory, one JSON object a line, only ever appended to.

The command that verifies is its one writer; an exclusive lock keeps two of them apart, and a line is on disk when `append` returns. A line
that cannot be read (cut off by a crash, edited by hand) costs only itself and is named.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from loadlog.model.errors import StoreError

NAME = "accuracy.jsonl"


def append(directory: Path, points: Iterable[Mapping[str, Any]]) -> Path:
    """Write the points and make them durable; returns the file.

    Raises:
        StoreError: the directory is missing, not permitted, read-only or full.
    """
    path = directory / NAME
    text = "".join(json.dumps(dict(point), ensure_ascii=False, allow_nan=False) + "\n" for point in points)
    try:
        directory.mkdir(parents=True, exist_ok=True)
        fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(fd, fcntl.LOCK_EX)
            size = os.fstat(fd).st_size
            # After a line that a crash cut off, the next one must not be glued to it.
            whole = size == 0 or os.pread(fd, 1, size - 1) == b"\n"
            _write(fd, ("" if whole else "\n").encode() + text.encode(), size)
        finally:
            os.close(fd)
    except OSError as exc:
        hint = "free some room" if exc.errno == errno.ENOSPC else "check owner and mode of the directory"
        raise StoreError(f"cannot be written: {exc.strerror}", where=str(path), hint=hint) from exc
    return path


def _write(fd: int, data: bytes, size: int) -> None:
    """All of it, or nothing."""
    try:
        while data:
            data = data[os.write(fd, data) :]
        os.fsync(fd)
    except OSError:
        os.ftruncate(fd, size)
        raise


def read(directory: Path) -> tuple[list[dict[str, Any]], list[str]]:
    """(points, one line for each line that cannot be read); no file is no point.

    Raises:
        StoreError: not permitted.
    """
    path = directory / NAME
    try:
        lines = path.read_bytes().splitlines()
    except FileNotFoundError:
        return [], []
    except OSError as exc:
        raise StoreError(f"cannot be read: {exc.strerror}", where=str(path)) from exc
    points, unreadable = [], []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            point = json.loads(line)
            if not isinstance(point, dict):
                raise ValueError("not an object")
            points.append(point)
        except ValueError as exc:
            unreadable.append(f"{path}, line {number} is damaged and was left out: {exc}")
    return points, unreadable
