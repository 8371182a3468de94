"""An instrument on a real pseudo-terminal behind a stable name, which can be unplugged and plugged in again as another terminal."""

from __future__ import annotations

import os
import select
import threading
import tty
from pathlib import Path

from tests.traps import frames


class PtyUnits:
    """Answers every read of function 3 for the given units with ``unit * 256 + address``; ``silent`` units are not heard of."""

    def __init__(self, name: Path, units: tuple[int, ...] = (1,)) -> None:
        self.name = name
        self.units = set(units)
        self.written: list[bytes] = []
        self._end = threading.Event()
        self._thread: threading.Thread | None = None
        self._fds: tuple[int, int] = (-1, -1)

    def plug(self) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        self._fds = master, slave
        self.name.unlink(missing_ok=True)
        self.name.symlink_to(os.ttyname(slave))
        self._end.clear()
        self._thread = threading.Thread(target=self._serve, args=(master,), daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        self._end.set()
        if self._thread is not None:
            self._thread.join(timeout=5)
        self.name.unlink(missing_ok=True)
        for fd in self._fds:
            os.close(fd)

    def _serve(self, master: int) -> None:
        heard = b""
        while not self._end.is_set():
            if not select.select([master], [], [], 0.02)[0]:
                continue
            try:
                heard += os.read(master, 4096)
            except OSError:
                continue
            requests, heard = frames.split_requests(heard)
            for request in requests:
                self._answer(master, request)

    def _answer(self, master: int, request: bytes) -> None:
        unit, function = request[0], request[1]
        if unit not in self.units:
            return
        first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        if function == 3:
            words = [unit * 256 + first + i for i in range(count)]
            os.write(master, frames.registers(unit, function, words))
        else:
            self.written.append(request)
            os.write(master, request[:8] if function == 6 else frames.seal(request[:6]))
