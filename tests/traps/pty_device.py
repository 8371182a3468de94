"""A device on a real pseudo-terminal that answers what its script says, byte for byte; the client opens the other end as a serial port.

The script gets each whole request and returns timed pieces: (pause before it in s, bytes). The port's name is a link that is made anew by
`plug`, as udev makes the stable name of an adapter anew.
"""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

from tests.traps.frames import registers, split_requests

Pieces = list[tuple[float, bytes]]
Script = Callable[[bytes], Pieces]


class PtyDevice:
    """Use as a context manager. ``requests``: the whole requests that came, in order. ``raw``: hand over what comes unparsed."""

    def __init__(self, name: Path, script: Script, *, echo: bool = False, raw: bool = False) -> None:
        self.name, self.script, self.requests = name, script, list[bytes]()
        self._echo, self._raw = echo, raw
        self._master = -1
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()

    def __enter__(self) -> PtyDevice:
        self.plug()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def plug(self) -> None:
        """Make the port appear."""
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.name.symlink_to(os.ttyname(slave))
        os.close(slave)
        self._stop.clear()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        """Make the port vanish under whoever has it open."""
        if self._thread is None:
            return
        self._stop.set()
        self._thread.join()
        self._thread = None
        self.name.unlink(missing_ok=True)
        os.close(self._master)

    def _serve(self) -> None:
        left = b""
        while not self._stop.is_set():
            if not select.select([self._master], [], [], 0.02)[0]:
                continue
            try:
                data = os.read(self._master, 4096)
            except OSError:  # EIO while nobody has the other end open
                self._stop.wait(0.01)
                continue
            if self._echo:
                os.write(self._master, data)
            requests, left = ([data], b"") if self._raw else split_requests(left + data)
            for request in requests:
                self.requests.append(request)
                for pause_s, piece in self.script(request):
                    time.sleep(pause_s)
                    if self._stop.is_set():
                        return
                    os.write(self._master, piece)


def plain_answer(request: bytes, offset: int = 0) -> bytes:
    """The right answer to a read of registers: word i is its own address times 16 plus the unit plus ``offset``."""
    first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
    return registers(request[0], request[1], [(address * 16 + request[0] + offset) & 0xFFFF for address in range(first, first + count)])


def plain_words(unit: int, first: int, count: int) -> tuple[int, ...]:
    """What `plain_answer` holds."""
    return tuple((address * 16 + unit) & 0xFFFF for address in range(first, first + count))
