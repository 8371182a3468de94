"""A proxy that stands between the forwarder and a real database and does to a request whatever a bad network, proxy or server may do.

Each request is treated by a fault that ``draw`` names, or passed on. Everything is real: bytes on sockets, resets by SO_LINGER.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from collections import Counter
from collections.abc import Callable

FAULTS = (
    "refused", "reset_before", "reset_after", "slow", "html", "partial", "unauthorized", "not_found", "too_large", "too_many",
    "unavailable", "half",
)  # fmt: skip
_JSON = b"Content-Type: application/json\r\n"
_PAGE = b"<html><body>Welcome to the router</body></html>"
_ANSWERS = {
    "html": (b"200 OK", b"Content-Type: text/html\r\n", _PAGE),
    "unauthorized": (b"401 Unauthorized", _JSON, b'{"code":"unauthorized","message":"unauthorized access"}'),
    "not_found": (b"404 Not Found", _JSON, b'{"error":"database not found: \\"bench\\""}'),
    "too_large": (b"413 Request Entity Too Large", _JSON, b'{"error":"Request Entity Too Large"}'),
    "too_many": (b"429 Too Many Requests", b"Retry-After: 1\r\n", b""),
    "unavailable": (b"503 Service Unavailable", b"Content-Type: text/plain\r\n", b"busy"),
    "partial": (b"400 Bad Request", _JSON, b'{"error":"partial write: field type conflict dropped=1"}'),
}  # fmt: skip


def response(status: bytes, headers: bytes, body: bytes) -> bytes:
    """As a server sends it."""
    return b"HTTP/1.1 %s\r\n%sContent-Length: %d\r\nConnection: close\r\n\r\n%s" % (status, headers, len(body), body)


class Request:
    """One request as it came."""

    def __init__(self, head: bytes, body: bytes) -> None:
        self.head, self.body = head, body

    def with_body(self, body: bytes) -> bytes:
        """The same with another body, on a connection of its own."""
        lines = [line for line in self.head.split(b"\r\n") if line.lower().split(b":")[0] not in (b"content-length", b"connection")]
        return b"\r\n".join([*lines, b"Content-Length: %d" % len(body), b"Connection: close", b"", b""]) + body


class FaultProxy:
    """Listens on a port of its own while the block runs. ``draw(lines)``: the fault for a body of so many lines, or None."""

    def __init__(self, upstream_port: int, draw: Callable[[int], str | None], slow_s: float) -> None:
        self._upstream_port, self._draw, self._slow_s = upstream_port, draw, slow_s
        self._listener = self._listen(0)
        self.port: int = self._listener.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"
        self.seen: Counter[str] = Counter()
        self.requests: list[Request] = []
        self.keep_requests = False
        self._ended = False

    @staticmethod
    def _listen(port: int) -> socket.socket:
        sock = socket.socket()
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(("127.0.0.1", port))
        sock.listen(16)
        return sock

    def __enter__(self) -> FaultProxy:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *exc: object) -> None:
        self._ended = True
        self._close_listener()

    def _close_listener(self) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def _accept(self) -> None:
        while not self._ended:
            try:
                client, _ = self._listener.accept()
            except OSError:
                if self._ended:
                    return
                time.sleep(0.3)  # nobody listens for a while
                self._listener = self._listen(self.port)
                continue
            threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        with client, contextlib.suppress(OSError):
            client.settimeout(30.0)
            while (request := read_request(client)) is not None:
                if self.keep_requests:
                    self.requests.append(request)
                fault = self._draw(request.body.count(b"\n") + 1)
                self.seen[fault or "passed"] += 1
                client.sendall(self._treat(client, request, fault))
                if fault is not None:
                    return

    def _treat(self, client: socket.socket, request: Request, fault: str | None) -> bytes:
        """What is sent back; raises OSError when the connection is cut instead."""
        if fault in ("refused", "reset_before"):
            if fault == "refused":
                self._close_listener()
            self._cut(client)
        if fault == "partial":
            lines = request.body.split(b"\n")
            self._pass_on(request.with_body(b"\n".join(lines[::2])))
        if fault in _ANSWERS:
            return response(*_ANSWERS[fault])
        answer = self._pass_on(request.with_body(request.body))
        if fault == "reset_after":
            self._cut(client)
        if fault == "slow":
            time.sleep(self._slow_s)
        return answer[: len(answer) // 3 if fault == "half" else None] if fault else _kept_alive(answer)

    @staticmethod
    def _cut(client: socket.socket) -> None:
        client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        client.close()
        raise ConnectionResetError

    def _pass_on(self, data: bytes) -> bytes:
        with socket.create_connection(("127.0.0.1", self._upstream_port), timeout=30.0) as upstream:
            upstream.sendall(data)
            parts = []
            while part := upstream.recv(65536):
                parts.append(part)
        answer = b"".join(parts)
        if not answer:
            raise ConnectionResetError
        return answer


def _kept_alive(answer: bytes) -> bytes:
    return answer.replace(b"Connection: close\r\n", b"", 1)


def read_request(client: socket.socket) -> Request | None:
    """One whole request; None when the client is done."""
    data = b""
    while b"\r\n\r\n" not in data:
        part = client.recv(65536)
        if not part:
            return None
        data += part
    head, _, body = data.partition(b"\r\n\r\n")
    length = next((int(line.split(b":")[1]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length:")), 0)
    while len(body) < length:
        part = client.recv(min(65536, length - len(body)))
        if not part:
            return None
        body += part
    return Request(head, body)
