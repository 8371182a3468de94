"""Bytes in and out of a file descriptor that does not block: what serial ports and connections share.

Owned by one thread. Every error of the operating system in the middle of its use means the same to a poll: the port is lost, and is
opened anew by whoever owns the link.
"""

from __future__ import annotations

import os
import select
import time

from loadlog.bus.link import PortLostError

_CHUNK = 4096
_WRITE_PATIENCE_S = 2.0  # longer than 256 characters at 2400 baud; a port that takes nothing for so long is gone


class Descriptor:
    """Subclasses open ``_fd`` and give ``_address`` for messages."""

    line_paced = False
    half_duplex = False

    def __init__(self, address: str) -> None:
        self._address = address
        self._fd = -1
        self._warnings: tuple[str, ...] = ()

    @property
    def is_open(self) -> bool:
        """See `link.Stream`."""
        return self._fd >= 0

    @property
    def warnings(self) -> tuple[str, ...]:
        """See `link.Stream`."""
        return self._warnings

    def close(self) -> None:
        """See `link.Stream`."""
        self._fd = -1

    def read(self, timeout_s: float) -> bytes:
        """See `link.Stream`."""
        fd = self._fd
        try:
            if timeout_s > 0 and not select.select((fd,), (), (), timeout_s)[0]:
                return b""
            data = os.read(fd, _CHUNK)
        except BlockingIOError:
            return b""
        except (OSError, ValueError) as exc:
            raise self._gone(str(exc)) from exc
        if not data:
            raise self._gone("closed by the other side")
        return data

    def write(self, data: bytes) -> None:
        """See `link.Stream`."""
        left = memoryview(data)
        deadline = 0.0
        while left:
            try:
                left = left[os.write(self._fd, left) :]
            except BlockingIOError as exc:
                deadline = deadline or time.monotonic() + _WRITE_PATIENCE_S
                if time.monotonic() > deadline:
                    raise self._gone("takes no more bytes") from exc
                select.select((), (self._fd,), (), 0.1)
            except (OSError, ValueError) as exc:
                raise self._gone(str(exc)) from exc

    def _gone(self, why: str) -> PortLostError:
        self.close()
        return PortLostError(f"lost: {why}", where=self._address, retryable=True)
