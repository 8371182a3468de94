"""The thread under every simulated line: it can be unplugged and plugged in from any thread, woken while it waits, and stopped.

A line adds how its port is opened and closed (`_open_port`, `_close_port`, `_is_open`) and what one turn of waiting and acting is
(`_turn`). Only the line's own thread touches the port, until `stop` has joined it.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import threading

_PR_SET_TIMERSLACK = 29  # prctl(2)
JOIN_S = 5.0


class LineThread(threading.Thread):
    """``_wake_read`` becomes readable when the thread is wanted; a turn waits for it as well and calls `_woken`."""

    def __init__(self, name: str) -> None:
        super().__init__(name=f"sim {name}", daemon=True)
        self._wake_read, self._wake_write = os.pipe()
        self._wanted = True
        self._running = True

    def plug(self) -> None:
        """The adapter or cable is back."""
        self._wanted = True
        self._wake()

    def unplug(self) -> None:
        """The adapter or cable is pulled: whoever uses the line loses it."""
        self._wanted = False
        self._wake()

    def stop(self) -> None:
        """End the thread and give the port up."""
        self._running = False
        self._wake()
        if self.ident is not None:
            self.join(JOIN_S)
        if self._is_open():
            self._close_port()
        os.close(self._wake_read)
        os.close(self._wake_write)

    def run(self) -> None:
        """Until `stop`."""
        precise_timers()
        while self._running:
            if self._wanted and not self._is_open():
                self._open_port()
            elif not self._wanted and self._is_open():
                self._close_port()
            self._turn()

    def _wake(self) -> None:
        with contextlib.suppress(OSError):  # already stopped
            os.write(self._wake_write, b"w")

    def _woken(self) -> None:
        os.read(self._wake_read, 64)

    def _is_open(self) -> bool:
        raise NotImplementedError

    def _open_port(self) -> None:
        raise NotImplementedError

    def _close_port(self) -> None:
        raise NotImplementedError

    def _turn(self) -> None:
        raise NotImplementedError


def precise_timers() -> None:
    """Ask the kernel to wake this thread without the usual 50 µs of slack (Linux; elsewhere it stays as it is)."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_PR_SET_TIMERSLACK, 1, 0, 0, 0)
