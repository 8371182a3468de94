"""The viewer as a process: start, address, refusals in one line, clean stop, memory. It needs no recorder."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import psutil
import pytest
import uvicorn

from loadlog.web.serve import SEND_BUFFER, Heart, Server
from loadlog.web.stream import MAX_READERS, READER_BYTES, WRITE_BYTES
from tests.serving import PATIENCE_S, TOKEN, configured, refusal, viewer
from tests.unit.web.stand_in import recording


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_serves_without_a_recorder_and_stops_cleanly_with_a_stream_open(tmp_path: Path, number: signal.Signals) -> None:
    with viewer(configured(tmp_path)) as (process, base), httpx.Client(base_url=base, timeout=PATIENCE_S) as http:
        assert http.get("/").status_code == 200
        assert http.get("/api/devices").json()["devices"][0]["latest"] is None
        process.send_signal(signal.SIGHUP)
        with http.stream("GET", "/api/stream") as stream:
            parts = stream.iter_raw()
            assert b"hello" in next(parts)
            process.send_signal(number)
            for _ in parts:
                pass  # ends by itself
        assert process.wait(PATIENCE_S) == 0


def test_it_stays_small_with_pages_open_and_samples_coming(tmp_path: Path) -> None:
    """At most 150 MiB resident."""
    path = configured(tmp_path)
    with recording(tmp_path / "data") as bench, viewer(path) as (process, base), contextlib.ExitStack() as stack:
        for _ in range(5):
            http = stack.enter_context(httpx.Client(base_url=base, timeout=PATIENCE_S))
            stream = stack.enter_context(http.stream("GET", "/api/stream"))
            assert stream.status_code == 200
        end = time.monotonic() + 2
        while time.monotonic() < end:
            for _ in range(20):
                bench.sample("load-1", {"voltage_v": 24.0, "current_a": 5.0})
            time.sleep(0.05)
            http.get("/api/samples", params={"device": "load-1"})
        assert psutil.Process(process.pid).memory_info().rss <= 150 * 1024 * 1024


def test_a_hundred_readers_that_stop_reading_cost_at_most_a_mebibyte_each_and_are_dropped(tmp_path: Path) -> None:
    """Of which the page takes as many as it has places; what the kernel holds for one is bounded by its send buffer, twice (socket(7))."""
    path = configured(tmp_path)
    padding = {f"note{i}": "x" * 200 for i in range(8)}
    with recording(tmp_path / "data") as bench, viewer(path) as (process, base), contextlib.ExitStack() as stack:
        http = stack.enter_context(httpx.Client(base_url=base, timeout=PATIENCE_S))
        bench.sample("load-1", {"voltage_v": 24.0}, uncertain=padding)
        with http.stream("GET", "/api/stream") as warm:
            next(warm.iter_raw())
        stuck = []
        for number in range(100):
            sock = stack.enter_context(socket.socket())
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            sock.bind((f"127.0.1.{number + 1}", 0))
            sock.connect(("127.0.0.1", http.base_url.port))
            sock.sendall(b"GET /api/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
            stuck.append(sock)
        wait_for(lambda: metric(http, "loadlog_stream_readers") == MAX_READERS)
        before = psutil.Process(process.pid).memory_info().rss
        most = before
        while metric(http, "loadlog_stream_dropped_total") < MAX_READERS:
            for _ in range(100):
                bench.sample("load-1", {"voltage_v": 24.0}, uncertain=padding)
            bench.flush()
            most = max(most, psutil.Process(process.pid).memory_info().rss)
        print(f"{(most - before) / MAX_READERS / 1024:.0f} KiB a reader, of the process")
        assert READER_BYTES + WRITE_BYTES + 2 * SEND_BUFFER <= 1024 * 1024
        assert most - before + MAX_READERS * 2 * SEND_BUFFER <= MAX_READERS * 1024 * 1024
        assert metric(http, "loadlog_stream_readers") == 0
        ends = [end_of(sock) for sock in stuck]
        assert ends.count("reset") == MAX_READERS
        assert http.get("/api/devices").status_code == 200


def metric(http: httpx.Client, name: str) -> float:
    return float(next(line for line in http.get("/metrics").text.splitlines() if line.startswith(f"{name} ")).split()[1])


def end_of(sock: socket.socket) -> str:
    """How the server left it: with a reset, or after an answer."""
    sock.settimeout(PATIENCE_S)
    try:
        while (last := sock.recv(65536)) != b"":
            if b"HTTP/1.1 503 " in last:
                return "refused"
    except ConnectionResetError:
        return "reset"
    return "closed"


def wait_for(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.05)


def test_a_busy_port_is_one_clear_line(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        status, line = refusal(configured(tmp_path, f"tcp_port = {taken.getsockname()[1]}"))
    assert status == 3
    assert "in use" in line
    assert "web.tcp_port" in line


def test_an_address_of_another_machine_is_one_clear_line(tmp_path: Path) -> None:
    status, line = refusal(configured(tmp_path, 'host = "192.0.2.1"\ntcp_port = 0\ntoken_file = "token"'))  # RFC 5737, never ours
    assert status == 2
    assert "token" in line
    (tmp_path / "token").write_text(TOKEN)
    status, line = refusal(configured(tmp_path, 'host = "192.0.2.1"\ntcp_port = 0\ntoken_file = "token"'))
    assert status == 3
    assert "web.host" in line
    assert TOKEN not in line


def test_an_address_others_reach_is_served_with_the_token(tmp_path: Path) -> None:
    path = configured(tmp_path, 'host = "0.0.0.0"\ntcp_port = 0\ntoken_env = "LOADLOG_TEST_TOKEN"')
    with viewer(path, LOADLOG_TEST_TOKEN=TOKEN) as (_, base), httpx.Client(base_url=base.replace("0.0.0.0", "127.0.0.1")) as http:
        assert http.get("/api/devices").status_code == 401
        assert http.get("/api/devices", headers={"Authorization": f"Bearer {TOKEN}"}).status_code == 200


def test_it_tells_systemd_that_it_is_ready_and_well_and_what_a_hangup_does(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(PATIENCE_S)
        with viewer(configured(tmp_path), NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="300000") as (process, _):
            assert process.stderr is not None
            assert manager.recv(4096).startswith(b"READY=1\nSTATUS=live page on http://")
            assert [manager.recv(4096) for _ in range(3)] == [b"WATCHDOG=1"] * 3
            process.send_signal(signal.SIGHUP)
            assert any("needs a restart of the viewer" in line for line in process.stderr)
            process.terminate()
            while (told := manager.recv(4096)) == b"WATCHDOG=1":
                pass
            assert told == b"STOPPING=1"


@pytest.mark.parametrize("stuck", [False, True])
def test_a_viewer_whose_threads_are_all_stuck_does_not_feed_the_watchdog(stuck: bool) -> None:
    beats: list[int] = []

    async def live() -> None:
        loop, free = asyncio.get_running_loop(), threading.Event()
        pool = ThreadPoolExecutor(2)
        loop.set_default_executor(pool)
        taken = [loop.run_in_executor(None, free.wait) for _ in range(2 if stuck else 1)]
        server = Server(uvicorn.Config(lambda: None), None, lambda: None, Heart(lambda: beats.append(1), 0.001))  # type: ignore[arg-type]
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(server._beat(), 0.5)
        free.set()
        await asyncio.gather(*taken)

    asyncio.run(live())
    assert bool(beats) is not stuck
