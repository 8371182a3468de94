"""A serial line on a pseudo-terminal, served by one thread that sleeps until a character comes or one must leave.

The other side opens the stable name (a symbolic link, as under /dev/serial/by-id). Pulling the adapter closes the terminal and removes the
link; plugging it in makes a new terminal under the same name. The slave side is not held open here, so that a client's exclusive use ends
with the client; while nobody has it open the thread looks again every few milliseconds.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import select
import termios
import time
import tty
from pathlib import Path
from typing import Protocol

from loadlog.model.errors import BusError
from loadlog.sim.line_thread import LineThread

NOBODY_S = 0.01
_BAUD = {getattr(termios, name): int(name[1:]) for name in dir(termios) if name[0] == "B" and name[1:].isdigit()}


class Conversation(Protocol):
    """What speaks on a line: `rtu.RtuLine`, `messages.ScpiConnection`."""

    def receive(self, data: bytes, now_ns: int) -> None:
        """Characters that came."""
        ...

    def due_ns(self) -> int | None:
        """When `take` has something to do next."""
        ...

    def take(self, now_ns: int) -> bytes:
        """What leaves now."""
        ...

    def forget(self) -> None:
        """The line was cut."""
        ...


class Terminal:
    """One pseudo-terminal under a stable name."""

    def __init__(self, link: Path, baudrate: int) -> None:
        self.link = link
        try:
            self.master, slave = os.openpty()
            self.device = os.ttyname(slave)
            tty.setraw(slave)
            self._set_speed(slave, baudrate)
            os.close(slave)
            os.set_blocking(self.master, False)
            link.parent.mkdir(parents=True, exist_ok=True)
            beside = link.with_name(f".{link.name}.new")
            beside.unlink(missing_ok=True)
            beside.symlink_to(self.device)
            beside.replace(link)
        except OSError as exc:
            raise BusError(
                f"cannot make a pseudo-terminal: {exc.strerror}", where=str(link), hint="give another directory for the links"
            ) from exc

    @staticmethod
    def _set_speed(slave: int, baudrate: int) -> None:
        speed = next((code for code, baud in _BAUD.items() if baud == baudrate), None)
        if speed is not None:
            attributes = termios.tcgetattr(slave)
            attributes[4] = attributes[5] = speed
            termios.tcsetattr(slave, termios.TCSANOW, attributes)

    def baudrate(self) -> int | None:
        """What the other side has set; None for a rate without a name."""
        return _BAUD.get(termios.tcgetattr(self.master)[4])

    def renew_if_locked(self) -> Terminal:
        """Called when the last client has gone: drop what it left unread, and its exclusive use, which outlives it on a pseudo-terminal."""
        try:
            slave = os.open(self.device, os.O_RDWR | os.O_NOCTTY)
        except OSError as exc:
            if exc.errno != errno.EBUSY:
                return self
            baudrate = self.baudrate() or 9600
            os.close(self.master)
            return Terminal(self.link, baudrate)
        termios.tcflush(slave, termios.TCIOFLUSH)
        with contextlib.suppress(OSError):
            ctypes.CDLL(None).ioctl(slave, termios.TIOCNXCL)
        os.close(slave)
        return self

    def close(self) -> None:
        """The adapter is gone, its stable name with it."""
        with contextlib.suppress(OSError):
            if os.readlink(self.link) == self.device:
                self.link.unlink()
        os.close(self.master)


class SerialLine(LineThread):
    """Serves ``conversation`` on a terminal. `plug` and `unplug` may be called from any thread."""

    def __init__(self, conversation: Conversation, link: Path, baudrate: int) -> None:
        super().__init__(link.name)
        self.link = link
        self.conversation = conversation
        self._baudrate = baudrate
        self._terminal: Terminal | None = Terminal(link, baudrate)
        self._client = False

    def hears(self) -> bool:
        """The other side has set the line's baud rate (or one that has no name)."""
        terminal = self._terminal
        return terminal is None or (terminal.baudrate() or self._baudrate) == self._baudrate

    def _is_open(self) -> bool:
        return self._terminal is not None

    def _open_port(self) -> None:
        self._terminal = Terminal(self.link, self._baudrate)
        self._client = False

    def _close_port(self) -> None:
        assert self._terminal is not None
        self._terminal.close()
        self._terminal = None
        self.conversation.forget()

    def _turn(self) -> None:
        """Wait for a character, for the next one to leave, or for an order; then act."""
        terminal = self._terminal
        due_ns = self.conversation.due_ns() if terminal else None
        wait_s = None if due_ns is None else max(0.0, (due_ns - time.monotonic_ns()) / 1e9)
        fds = [self._wake_read] + ([terminal.master] if terminal else [])
        readable, _, _ = select.select(fds, [], [], wait_s)
        if self._wake_read in readable:
            self._woken()
        if terminal is None:
            return
        if terminal.master not in readable:
            self._client = True  # with nobody on the other side the terminal is always readable, for its hang-up
        elif not self._read(terminal):
            return
        out = self.conversation.take(time.monotonic_ns())
        if out and self._client:
            with contextlib.suppress(BlockingIOError):  # a client that does not read loses characters, as on a wire
                os.write(terminal.master, out)

    def _read(self, terminal: Terminal) -> bool:
        """Take what came; False when nobody has the other side open."""
        try:
            data = os.read(terminal.master, 4096)
        except BlockingIOError:
            return True
        except OSError:
            if self._client:
                self._client = False
                self.conversation.forget()
                self._terminal = terminal.renew_if_locked()
            self.conversation.take(time.monotonic_ns())
            time.sleep(NOBODY_S)
            return False
        self._client = True
        self.conversation.receive(data, time.monotonic_ns())
        return True
