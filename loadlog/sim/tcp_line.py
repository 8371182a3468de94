"""A TCP endpoint served by one thread: Modbus TCP, RTU over TCP or SCPI, as the conversation made for each connection decides.

A serial server (RTU over TCP) has one line behind it, so it takes one client at a time; the others wait to be accepted.
"""

from __future__ import annotations

import contextlib
import select
import socket
import time
from collections.abc import Callable

from loadlog.model.errors import BusError
from loadlog.sim.line_thread import LineThread
from loadlog.sim.serial_line import Conversation

HOST = "127.0.0.1"


class TcpLine(LineThread):
    """Serves ``make()`` to each client on ``host``:``tcp_port`` (0: any free port). `plug` and `unplug` may be called from any thread."""

    def __init__(
        self, name: str, make: Callable[[], Conversation], *, host: str = HOST, tcp_port: int = 0, one_client: bool = False
    ) -> None:
        super().__init__(name)
        self.host = host
        self._make = make
        self._most = 1 if one_client else 64
        self._listener: socket.socket | None = self._listen(tcp_port)
        self.tcp_port: int = self._listener.getsockname()[1]
        self._clients: dict[socket.socket, Conversation] = {}

    def _listen(self, tcp_port: int) -> socket.socket:
        try:
            listener = socket.create_server((self.host, tcp_port), backlog=16)
        except OSError as exc:
            raise BusError(
                f"cannot listen: {exc.strerror}", where=f"{self.host}:{tcp_port}", hint="give another tcp_port, 0 for any"
            ) from exc
        listener.setblocking(False)
        return listener

    def _is_open(self) -> bool:
        return self._listener is not None

    def _open_port(self) -> None:
        self._listener = self._listen(self.tcp_port)

    def _turn(self) -> None:
        dues = [due for conversation in self._clients.values() if (due := conversation.due_ns()) is not None]
        wait_s = max(0.0, (min(dues) - time.monotonic_ns()) / 1e9) if dues else None
        waiting: list[socket.socket | int] = [self._wake_read, *self._clients]
        if self._listener is not None and len(self._clients) < self._most:
            waiting.append(self._listener)
        readable, _, _ = select.select(waiting, [], [], wait_s)
        if self._wake_read in readable:
            self._woken()
        if self._listener in readable:
            self._accept()
        for client in [c for c in self._clients if c in readable]:
            self._read(client)
        for client, conversation in list(self._clients.items()):
            out = conversation.take(time.monotonic_ns())
            if out:
                self._send(client, out)

    def _accept(self) -> None:
        assert self._listener is not None
        with contextlib.suppress(OSError):
            client, _ = self._listener.accept()
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._clients[client] = self._make()

    def _read(self, client: socket.socket) -> None:
        try:
            data = client.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(client)
            return
        conversation = self._clients[client]
        conversation.receive(data, time.monotonic_ns())
        if getattr(conversation, "broken", False):
            self._drop(client)

    def _send(self, client: socket.socket, out: bytes) -> None:
        try:
            client.sendall(out)
        except OSError:
            self._drop(client)

    def _drop(self, client: socket.socket) -> None:
        self._clients.pop(client).forget()
        client.close()

    def _close_port(self) -> None:
        for client in list(self._clients):
            self._drop(client)
        if self._listener is not None:
            self._listener.close()
            self._listener = None
