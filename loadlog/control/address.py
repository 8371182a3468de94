"""The control sockets' places, for paths of any length: the recorder's and the viewer's.

An address of AF_UNIX holds 107 bytes (unix(7)); data directories may lie deeper. Both ends therefore go through ``/proc/self/fd/N`` of the
opened directory.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

SOCKET_NAME = "control.sock"  # the recorder's
VIEWER_SOCKET = "viewer.sock"
MAX_LINE = 64 * 1024  # longest order; an answer may be longer


@contextlib.contextmanager
def socket_address(data_dir: Path, name: str = SOCKET_NAME) -> Iterator[str]:
    """A short address of the socket inside ``data_dir``; valid inside the block.

    Raises:
        OSError: the directory is missing or not permitted.
    """
    fd = os.open(data_dir, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"/proc/self/fd/{fd}/{name}"
    finally:
        os.close(fd)
