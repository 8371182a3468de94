"""A file system of its own that fills up soon."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def mounted(place: Path, mib: int) -> Iterator[Path]:
    """``mib`` MiB of memory at the folder ``place``, which is made; the test is skipped where this user may mount nothing."""
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", f"size={mib}m", "tmpfs", str(place)]
    if os.geteuid() != 0 or subprocess.run(command, check=False).returncode:
        pytest.skip("mounting a small file system needs root")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)
