"""Service notification: readiness, status and watchdog over ``$NOTIFY_SOCKET`` (sd_notify(3); datagram, path or ``@`` abstract name).

Without systemd every call is a no-op. A send that fails is ignored: the host's bookkeeping must not cost a sample.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping


class Notifier:
    """Tells the service manager how the process is. ``watchdog_s``: call `alive` more often than this; 0 when no watchdog is asked for."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) if address else None
        self.watchdog_s = self._watchdog(environ)

    @staticmethod
    def _watchdog(environ: Mapping[str, str]) -> float:
        """WATCHDOG_USEC counts for the process named in WATCHDOG_PID, or for all when it is absent (sd_watchdog_enabled(3))."""
        pid = environ.get("WATCHDOG_PID", "")
        if pid and pid != str(os.getpid()):
            return 0.0
        try:
            return int(environ.get("WATCHDOG_USEC", "0")) / 1e6
        except ValueError:
            return 0.0

    def _send(self, text: str) -> None:
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.sendto(text.encode(), self._address)

    def ready(self, status: str) -> None:
        """The service does its job from now on."""
        self._send(f"READY=1\nSTATUS={status}")

    def alive(self) -> None:
        """Feed the watchdog."""
        self._send("WATCHDOG=1")

    def status(self, text: str) -> None:
        """One line for ``systemctl status``."""
        self._send(f"STATUS={text}")

    def reloading(self, monotonic_ns: int) -> None:
        """The service starts afresh in the same process, and will be `ready` again. Never `stopping`: whoever said that is waited for and
        then killed, for no READY=1 is heard after it."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={monotonic_ns // 1000}")

    def stopping(self) -> None:
        """The service is on its way down."""
        self._send("STOPPING=1")
