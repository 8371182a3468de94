"""What a client can do to the server with a bare socket: hold connections, be slow on purpose, and say what is no HTTP."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from loadlog.web import security, serve
from loadlog.web.connections import MAX_CONNECTIONS, MAX_PER_PEER, Connections
from loadlog.web.serve import TOLD_A_MINUTE, Seldom
from tests.serving import PATIENCE_S, serving
from tests.unit.web.stand_in import StandIn
from tests.unit.web.test_web_stream import drain, reading

GET = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n"
TRICKLE_S = 0.02


@contextlib.contextmanager
def dialled(base: str, receive_buffer: int = 0) -> Iterator[socket.socket]:
    with socket.socket() as sock:
        if receive_buffer:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
        sock.settimeout(PATIENCE_S)
        sock.connect(("127.0.0.1", int(base.rpartition(":")[2])))
        yield sock


def answer(sock: socket.socket) -> bytes:
    """Everything until the server closes."""
    data = b""
    with contextlib.suppress(ConnectionError):
        while more := sock.recv(65536):
            data += more
    return data


def trickle(sock: socket.socket, data: bytes) -> bytes:
    """Sends byte by byte until the server has had enough; returns what it said."""
    end_s = time.monotonic() + PATIENCE_S
    sock.setblocking(False)
    said = b""
    with contextlib.suppress(ConnectionError):
        while time.monotonic() < end_s:
            sock.send(data[:1])
            data = data[1:] or b"a"
            time.sleep(TRICKLE_S)
            with contextlib.suppress(BlockingIOError):
                more = sock.recv(65536)
                if not more:
                    return said
                said += more
    assert time.monotonic() < end_s, "the server was patient without end"
    return said


@pytest.fixture
def hasty(bench: StandIn, tmp_path: Path) -> Iterator[str]:
    """A page that waits for nobody long."""
    with serving(tmp_path / "data", connections=Connections(head_s=0.3, stall_s=0.3)) as base:
        yield base


def test_a_connection_without_a_word_is_closed(hasty: str) -> None:
    with dialled(hasty) as sock:
        assert sock.recv(1) == b""


@pytest.mark.parametrize("before", [b"", GET + b"\r\n"])
def test_a_head_that_comes_byte_by_byte_is_not_waited_for(hasty: str, before: bytes) -> None:
    """Each byte on its own would keep an idle time-out from ever running out; also after a request that was answered."""
    with dialled(hasty) as sock:
        sock.sendall(before)
        if before:
            assert sock.recv(65536).startswith(b"HTTP/1.1 200")
        assert b"HTTP/1.1 200" not in trickle(sock, GET + b"X-Slow: ")


def test_a_body_that_comes_byte_by_byte_is_not_waited_for(bench: StandIn, address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(security, "BODY_S", 0.3)
    head = b"POST /api/runs HTTP/1.1\r\nHost: localhost\r\nX-Loadlog: 1\r\nContent-Type: application/json\r\nContent-Length: 60000\r\n\r\n"
    with dialled(address) as sock:
        sock.sendall(head)
        said = trickle(sock, b'{"name": "')
    assert said.startswith(b"HTTP/1.1 408 ")
    assert b'"field":"body"' in said


def test_an_answer_that_is_not_taken_is_not_kept_for_ever(hasty: str) -> None:
    with dialled(hasty, receive_buffer=4096) as sock:
        ask = b"GET /assets/uplot.min.js HTTP/1.1\r\nHost: localhost\r\n\r\n"
        sock.sendall(ask * 60)  # 3 MB, asked for at once
        time.sleep(1.0)
        with pytest.raises(ConnectionResetError):
            drain(sock)
    with httpx.Client(base_url=hasty) as http:
        assert http.get("/healthz").status_code == 200


def test_a_reader_of_the_stream_may_be_silent_for_long(hasty: str, bench: StandIn) -> None:
    """It asks once and then only listens: none of the bounds is for it."""
    with reading(hasty) as stream:
        assert [next(stream)[0] for _ in range(4)] == ["hello", "service", "service", "service"]
        seq = bench.sample("load-1", {"voltage_v": 24.0})
        assert next(m[2] for m in stream if m[0] == "samples")[0]["seq"] == seq


def test_many_connections_at_once_are_refused_beyond_the_limit_and_cost_the_others_nothing(bench: StandIn, tmp_path: Path) -> None:
    with (
        serving(tmp_path / "data", connections=Connections(head_s=3.0)) as base,
        reading(base) as stream,
        contextlib.ExitStack() as stack,
    ):  # fmt: skip
        next(stream)
        socks = [stack.enter_context(dialled(base)) for _ in range(MAX_CONNECTIONS + 50)]
        for sock in socks:
            with contextlib.suppress(ConnectionError):
                sock.sendall(GET)
        refused = 0
        for sock in socks[-50:]:
            said = answer(sock)
            refused += said.startswith(b"HTTP/1.1 503 ") or said == b""
        assert refused == 50
        seq = bench.sample("load-1", {"voltage_v": 24.0})
        assert next(m[2] for m in stream if m[0] == "samples")[0]["seq"] == seq
        for sock in socks[:50]:
            assert answer(sock) == b""  # their heads did not come in time
        with httpx.Client(base_url=base) as http:
            assert http.get("/healthz").status_code == 200


def test_one_peer_cannot_take_all_connections() -> None:
    transport: Any = asyncio.Transport()
    book = Connections()
    assert [book.enter(("192.0.2.1", port), transport) for port in range(MAX_PER_PEER + 5)].count(True) == MAX_PER_PEER
    assert book.enter(("192.0.2.2", 1), transport)
    assert all(book.enter(("127.0.0.1", port), transport) for port in range(MAX_PER_PEER + 5))
    for port in range(MAX_PER_PEER + 5):
        book.leave(("192.0.2.1", port))
    assert book.enter(("192.0.2.1", 1), transport)
    assert [book.enter((f"198.51.100.{n}", 1), transport) for n in range(MAX_CONNECTIONS)].count(True) < MAX_CONNECTIONS
    for address in list(book.by_address):
        book.leave(address)
        book.leave(address)
    assert not book._held


@pytest.mark.parametrize(
    "request_",
    [
        b"GET / HTTP/1.1\r\n\r\n",  # RFC 9112, 3.2: a request without Host is refused with 400
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost : localhost\r\n\r\n",  # RFC 9112, 5.1: no blank before the colon
        b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * 600_000 + b"\r\n\r\n",
        b"GET /" + b"a" * 600_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\n" + b"".join(b"X-%d: a\r\n" % n for n in range(60_000)) + b"\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nX: a\0b\r\n\r\n",
        b"GET / HTTP/9.9\r\nHost: localhost\r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(200),  # TLS to a port without
        b"POST /api/runs HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
        b"POST /api/runs HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n",
        b"POST /api/runs HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: gzip\r\n\r\n",
        b"POST /api/runs HTTP/1.1\r\nHost: localhost\r\nX-Loadlog: 1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
        b"\r\n" * 5000,
    ],
)
def test_what_is_no_http_is_refused_and_the_connection_closed(still_address: str, request_: bytes) -> None:
    with dialled(still_address) as sock:
        with contextlib.suppress(OSError):  # refused and closed before all of it was sent
            sock.sendall(request_)
            sock.shutdown(socket.SHUT_WR)
        said = answer(sock)
    assert said == b"" or int(said.split(b" ", 2)[1]) in (400, 405, 421, 501), said[:100]
    with httpx.Client(base_url=still_address) as http:
        assert http.get("/healthz").status_code == 200


@pytest.mark.parametrize(
    "target",
    [
        b"/assets/../security.py", b"/assets/%2e%2e/security.py", b"/assets/..%2fsecurity.py", b"/assets/..%5csecurity.py",
        b"/assets//etc/passwd", b"/assets/%2fetc/passwd", b"/assets/..%252f..%252fetc/passwd", b"/assets/....//security.py",
        b"/assets/%00", b"/assets/app.js%00.css", b"/assets/", b"/assets", b"/assets/" + b"a" * 5000, b"//etc/passwd", b"/../etc/passwd",
        b"http://localhost/api/../../etc/passwd", b"/assets/%ff%fe", b"*",
    ],
)  # fmt: skip
def test_no_path_leads_out_of_the_assets(still_address: str, target: bytes) -> None:
    with dialled(still_address) as sock:
        sock.sendall(b"GET " + target + b" HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
        said = answer(sock)
    assert int(said.split(b" ", 2)[1]) in (400, 404, 307), said[:200]
    assert b"root:" not in said
    assert b"import" not in said


def test_a_request_cannot_be_smuggled_behind_another(bench: StandIn, address: str) -> None:
    """RFC 9112, 6.3: with both lengths given a proxy in front may see one request where there are two. The connection ends there."""
    inner = b"POST /api/runs HTTP/1.1\r\nHost: localhost\r\nX-Loadlog: 1\r\nContent-Type: application/json\r\nContent-Length: 13\r\n\r\n"
    inner += b'{"name": "x"}'
    outer = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nContent-Length: %d\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" % len(inner)
    with dialled(address) as sock:
        sock.sendall(outer + inner)
        said = answer(sock)
    assert said.startswith(b"HTTP/1.1 400 ")
    assert said.count(b"HTTP/1.1 ") == 1
    assert bench.running() == []


def test_what_anybody_can_cause_is_told_to_the_log_but_not_without_end(address: str, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("WARNING", "uvicorn.error")
    serve._seldom._told.clear()  # of other tests within this minute
    for _ in range(3 * TOLD_A_MINUTE):
        with dialled(address) as sock:
            sock.sendall(b"no HTTP\r\n\r\n")
            answer(sock)
    told = [record.getMessage() for record in caplog.records if "Invalid HTTP request" in record.getMessage()]
    assert 1 <= len(told) <= TOLD_A_MINUTE


def test_entries_are_told_again_in_the_next_minute() -> None:
    seldom = Seldom()

    def told(count: int, at_s: float, words: str) -> int:
        made = [logging.LogRecord("x", logging.WARNING, "", 1, words, None, None) for _ in range(count)]
        for record in made:
            record.created = at_s
        return [seldom.filter(record) for record in made].count(True)

    assert told(50, 100.0, "a") == TOLD_A_MINUTE
    assert told(5, 100.0, "b") == 5
    assert told(50, 159.0, "a") == 0
    assert told(50, 160.0, "a") == TOLD_A_MINUTE
