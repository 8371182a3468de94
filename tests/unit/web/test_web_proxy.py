"""Behind a proxy: which names are the page's, whom a forwarded address is believed from, and that a proxy opens nothing by accident."""

from __future__ import annotations

import socket
from pathlib import Path

import httpx
import pytest

from loadlog.web import Access
from loadlog.web.limits import MAX_FAILURES
from tests.serving import HEADERS, PATIENCE_S, TOKEN, serving
from tests.unit.web.stand_in import StandIn
from tests.unit.web.test_web_stream import drain

BEARER = {"Authorization": f"Bearer {TOKEN}"}
PUBLISHED = Access(True, TOKEN, hosts=("bench.example.org",))
NAMED = {"Host": "bench.example.org"}


@pytest.mark.parametrize("header", ["X-Forwarded-For", "X-Real-IP", "Forwarded", "X-Forwarded-Host"])
@pytest.mark.parametrize("access", [Access(True), Access(True, TOKEN)])
def test_a_proxy_in_front_of_a_page_for_this_machine_alone_is_refused(
    bench: StandIn, tmp_path: Path, header: str, access: Access
) -> None:  # fmt: skip
    """Many proxies ask with the Host of the page behind them, so everybody would be on this machine."""
    with serving(tmp_path / "data", access) as base, httpx.Client(base_url=base, headers=HEADERS) as http:
        answer = http.get("/api/devices", headers={header: "203.0.113.7"})
        assert answer.status_code == 403
        assert "web.hosts" in answer.json()["detail"]
        assert http.post("/api/runs", json={"name": "x"}, headers={header: "203.0.113.7"}).status_code == 403


def test_a_published_page_needs_the_token_although_it_listens_on_loopback(bench: StandIn, tmp_path: Path) -> None:
    with serving(tmp_path / "data", PUBLISHED) as base, httpx.Client(base_url=base) as http:
        for host in ("bench.example.org", "BENCH.example.org:443", "127.0.0.1", "localhost:8437", "192.0.2.7", "[2001:db8::7]:443"):
            assert http.get("/api/devices", headers={"Host": host}).status_code == 401, host
            assert http.get("/api/devices", headers={"Host": host} | BEARER).status_code == 200, host
        for host in ("evil.example", "bench.example.org.evil.example", "evil.example:443", ""):
            assert http.get("/api/devices", headers={"Host": host} | BEARER).status_code == 421, host
            assert http.get("/", headers={"Host": host}).status_code == 421


def test_the_cookie_is_secure_where_the_proxy_says_that_people_use_tls(bench: StandIn, tmp_path: Path) -> None:
    with serving(tmp_path / "data", PUBLISHED, trusted_proxies=("127.0.0.1",)) as base, httpx.Client(base_url=base) as http:
        login = {"json": {"token": TOKEN}}
        tls = HEADERS | NAMED | {"X-Forwarded-Proto": "https", "X-Forwarded-For": "203.0.113.7"}
        cookie = http.post("/api/session", headers=tls, **login).headers["set-cookie"]
        assert cookie.startswith("__Host-loadlog_session_")
        assert "; secure" in cookie.lower()
        assert "domain" not in cookie.lower()
        value = cookie.partition(";")[0]
        assert http.get("/api/devices", headers=tls | {"Cookie": value}).status_code == 200
        plain = http.post("/api/session", headers=HEADERS | NAMED, **login).headers["set-cookie"]
        assert "secure" not in plain.lower()


def test_nobody_else_is_believed(bench: StandIn, tmp_path: Path) -> None:
    """A client that makes up addresses would have as many tries as it likes, or use up those of others."""
    with serving(tmp_path / "data", PUBLISHED, trusted_proxies=("192.0.2.1",)) as base, httpx.Client(base_url=base) as http:
        for number in range(MAX_FAILURES):
            claimed = {"X-Forwarded-For": f"203.0.113.{number}", "X-Forwarded-Proto": "https"}
            answer = http.post("/api/session", json={"token": "wrong"}, headers=HEADERS | claimed)
            assert answer.status_code == 401
        assert http.post("/api/session", json={"token": TOKEN}, headers=HEADERS | {"X-Forwarded-For": "203.0.113.99"}).status_code == 429


def test_what_a_client_puts_before_the_proxys_word_is_not_believed(bench: StandIn, tmp_path: Path) -> None:
    with serving(tmp_path / "data", PUBLISHED, trusted_proxies=("127.0.0.0/8",)) as base, httpx.Client(base_url=base) as http:
        for number in range(MAX_FAILURES):
            forwarded = {"X-Forwarded-For": f"198.51.100.{number}, 203.0.113.7, 127.0.0.1"}
            assert http.post("/api/session", json={"token": "wrong"}, headers=HEADERS | forwarded).status_code == 401
        one, other = HEADERS | {"X-Forwarded-For": "203.0.113.7"}, HEADERS | {"X-Forwarded-For": "203.0.113.8"}
        assert http.post("/api/session", json={"token": TOKEN}, headers=one).status_code == 429
        assert http.post("/api/session", json={"token": TOKEN}, headers=other).status_code == 204


def test_a_reader_behind_a_proxy_that_stops_reading_is_cut_too(bench: StandIn, tmp_path: Path) -> None:
    """The connection is found by its own peer, not by the forwarded one."""
    with serving(tmp_path / "data", PUBLISHED, trusted_proxies=("127.0.0.1",)) as base, socket.socket() as stuck:
        stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        stuck.connect(("127.0.0.1", int(base.rpartition(":")[2])))
        head = (
            f"GET /api/stream HTTP/1.1\r\nHost: bench.example.org\r\nX-Forwarded-For: 203.0.113.7\r\nAuthorization: Bearer {TOKEN}\r\n\r\n"
        )
        stuck.sendall(head.encode())
        padding = {f"note{i}": "x" * 60 for i in range(8)}
        with httpx.Client(base_url=base, headers=BEARER, timeout=PATIENCE_S) as http:
            while "loadlog_stream_dropped_total 1.0" not in http.get("/metrics").text:
                for _ in range(200):
                    bench.sample("load-1", {"voltage_v": 24.0}, uncertain=padding)
                bench.flush()
        stuck.settimeout(PATIENCE_S)
        with pytest.raises(ConnectionResetError):
            drain(stuck)
