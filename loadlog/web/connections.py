"""Connections that clients hold open: how many, for how long without a word, and how one is cut.

uvicorn bounds how long a connection may idle between requests, and nothing else. Added here: a request's head must come within `HEAD_S`;
a client that takes nothing of an answer for `STALL_S` is cut; and one peer holds at most `MAX_PER_PEER` connections (not loopback, where a
proxy may stand for many). The kernel's send buffer is bounded too, see `serve.listen`.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections import Counter

from starlette.types import Scope
from uvicorn.protocols.http.h11_impl import H11Protocol

from loadlog.web.limits import is_local, peer_of

MAX_CONNECTIONS = 200
MAX_PER_PEER = 64
HEAD_S = 15.0
STALL_S = 30.0
_RESET = struct.pack("ii", 1, 0)  # socket(7), SO_LINGER: on, 0 s: the kernel drops its unsent bytes too
_TOO_MANY = b"too many connections\n"
_REFUSAL = (
    b"HTTP/1.1 503 Service Unavailable\r\nContent-Type: text/plain; charset=utf-8\r\nRetry-After: 15\r\nConnection: close\r\n"
    b"Content-Length: %d\r\n\r\n%b" % (len(_TOO_MANY), _TOO_MANY)
)


class Connections:
    """The open connections by the address of their peer, and how many each peer has. ``head_s``, ``stall_s``: see above."""

    def __init__(self, head_s: float = HEAD_S, stall_s: float = STALL_S) -> None:
        self.head_s, self.stall_s = head_s, stall_s
        self.by_address: dict[tuple[str, int], asyncio.Transport] = {}
        self._held: Counter[str] = Counter()

    def abort(self, scope: Scope) -> None:
        """Cut the connection that a request came by; what was not sent is thrown away."""
        client = scope.get("state", {}).get("socket_peer") or scope.get("client")
        transport = self.by_address.get(tuple(client)) if client else None
        if transport is not None:
            cut(transport)

    def enter(self, address: tuple[str, int], transport: asyncio.Transport) -> bool:
        """One more; False when there are too many, of all or of this peer."""
        peer = peer_of({"client": address})
        self._held[peer] += 1
        self.by_address[address] = transport
        return len(self.by_address) <= MAX_CONNECTIONS and (is_local(peer) or self._held[peer] <= MAX_PER_PEER)

    def leave(self, address: tuple[str, int]) -> None:
        """One less."""
        if self.by_address.pop(address, None) is not None:
            peer = peer_of({"client": address})
            self._held[peer] -= 1
            if not self._held[peer]:
                del self._held[peer]

    def protocol(self) -> type[H11Protocol]:
        """uvicorn's HTTP protocol that enters its connections here."""
        connections = self

        class Known(_Watched):
            book = connections

        return Known


class _Watched(H11Protocol):
    """uvicorn's HTTP protocol with the bounds above."""

    book: Connections
    _head: asyncio.TimerHandle | None = None
    _stall: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._wait_for_head()
        if self.client and not self.book.enter(self.client, transport):
            transport.write(_REFUSAL)
            transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        for timer in (self._head, self._stall):
            if timer is not None:
                timer.cancel()
        super().connection_lost(exc)
        if self.client:
            self.book.leave(self.client)

    def data_received(self, data: bytes) -> None:
        if self.transport.is_closing():
            return
        super().data_received(data)
        self._wait_for_head()

    def pause_writing(self) -> None:
        """The client does not keep up."""
        super().pause_writing()
        self._stall = self.loop.call_later(self.book.stall_s, cut, self.transport)

    def resume_writing(self) -> None:
        """It has caught up."""
        super().resume_writing()
        if self._stall is not None:
            self._stall.cancel()
            self._stall = None

    def _is_answering(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _wait_for_head(self) -> None:
        """Further bytes of the same head do not lengthen its time."""
        if self._is_answering():
            if self._head is not None:
                self._head.cancel()
                self._head = None
        elif self._head is None:
            self._head = self.loop.call_later(self.book.head_s, self._on_late_head)

    def _on_late_head(self) -> None:
        self._head = None
        if not self._is_answering():
            self.transport.close()


def cut(transport: asyncio.Transport) -> None:
    """End a connection at once; what was not sent is thrown away."""
    sock: socket.socket = transport.get_extra_info("socket")
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
    transport.abort()
