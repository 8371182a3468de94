"""The whole service against the engine alone: recorder, detectors, store and viewer running, a page's stream being read.

The device answers later than its profile says, so that a rate that `check` allows fills the bus: what counts is how many transactions a
second come through, and what recorder and viewer take for it.
"""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from loadlog.profiles.budget import MAX_SHARE
from tests.bench.engine import PROFILE
from tests.bench.figures import Figure
from tests.bench.pace import Say, wire_s
from tests.bench.programs import BenchError, Device, Seen, device, python

SETTLE_S = 4.0
START_S = 30.0
EXTRA = 1.12  # how much longer than its budget a transaction takes
_TICKS = os.sysconf("SC_CLK_TCK")

CONFIG = """
[bench]
name = "bench"
data_dir = "{data}"

[[bus]]
name = "line"
kind = "modbus-rtu"
port = "{port}"
baudrate = {baud}

[web]
tcp_port = {tcp_port}
"""
DEVICE = """
[[device]]
name = "unit-{unit}"
role = "load"
bus = "line"
unit_id = {unit}
profile = "device.toml"
rate_hz = {rate_hz}
"""


@dataclass(frozen=True)
class Cost:
    """Of one process: processor seconds so far, resident memory."""

    cpu_s: float
    resident_mib: float


def cost(pid: int) -> Cost:
    """From the kernel's own books."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return Cost((int(fields[11]) + int(fields[12])) / _TICKS, pages * os.sysconf("SC_PAGE_SIZE") / 2**20)


def parts(pid: int) -> dict[str, int]:
    """The process identifiers of recorder and viewer under the service ``pid``."""
    found = {}
    for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
        with contextlib.suppress(OSError):
            words = Path(f"/proc/{child}/cmdline").read_bytes().split(b"\0")
            for name in ("recorder", "viewer"):
                if name.encode() in words:
                    found[name] = int(child)
    return found


@contextlib.contextmanager
def service(folder: Path, port: str, baud: int, units: int, rate_hz: float, more: str = "") -> Iterator[tuple[int, int]]:
    """`loadlog serve` on a configuration made for it, with ``more`` sections; gives its process identifier and the page's port."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "device.toml").write_text(PROFILE.read_text())
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        tcp_port = probe.getsockname()[1]
    config = folder / "bench.toml"
    config.write_text(
        CONFIG.format(data=folder / "data", port=port, baud=baud, tcp_port=tcp_port)
        + "".join(DEVICE.format(unit=unit, rate_hz=rate_hz) for unit in range(1, units + 1))
        + more
    )
    log = (folder / "service.log").open("w")
    process = subprocess.Popen([sys.executable, "-m", "loadlog", "serve", "--config", str(config)], stdout=log, stderr=log)
    try:
        yield process.pid, tcp_port
    finally:
        process.terminate()
        try:
            process.wait(timeout=30)
        finally:
            process.kill()
            log.close()


def wait_until_polled(paced: Device, folder: Path) -> None:
    """Until the service reads the device.

    Raises:
        BenchError: it does not; with the last line of its log.
    """
    end_s = time.monotonic() + START_S
    while paced.report()["requests"] < 10:
        if time.monotonic() > end_s:
            lines = (folder / "service.log").read_text().strip().splitlines()
            raise BenchError(f"the service does not poll: {lines[-1] if lines else 'nothing in its log'}")
        time.sleep(0.2)


def _read_stream(tcp_port: int, end: threading.Event, read: list[int]) -> None:
    """A page that is open: takes the event stream until the end."""
    while not end.is_set():
        with contextlib.suppress(OSError), urllib.request.urlopen(f"http://127.0.0.1:{tcp_port}/api/stream", timeout=2) as stream:
            while not end.is_set() and (line := stream.readline()):
                read.append(len(line))
        end.wait(0.2)


def beside_engine(programs: Path, folder: Path, baud: int, units: int, seconds: float, say: Say) -> list[Figure]:
    """Engine alone, then the service, at the highest rate that `check` allows."""
    rate_hz = 0.999 * MAX_SHARE / (units * wire_s(baud))
    silence_s = (wire_s(baud) - 33 * 10 / baud) / 2
    processing_us = round((silence_s + (EXTRA - 1) * wire_s(baud)) * 1e6)
    say(f"service: {baud} baud, {units} units, engine alone")
    with device(programs, baud, processing_us) as paced:
        alone = python("engine", paced.port, baud, units, seconds, 1 / rate_hz, seconds=seconds)
    say(f"service: {baud} baud, {units} units, everything running")
    end, read = threading.Event(), [0]
    with device(programs, baud, processing_us) as paced, service(folder, paced.port, baud, units, rate_hz) as (pid, tcp_port):
        wait_until_polled(paced, folder)
        page = threading.Thread(target=_read_stream, args=(tcp_port, end, read), daemon=True)
        page.start()
        time.sleep(SETTLE_S)
        before, pids = paced.report(), parts(pid)
        costs = {name: cost(child) for name, child in pids.items()}
        time.sleep(seconds)
        seen = paced.between(before, paced.report())
        after = {name: cost(child) for name, child in pids.items()}
        end.set()
        page.join(timeout=5)
    return _figures(f"{baud} baud, {units} units", alone["per_s"], seen, costs, after, sum(read))


def _figures(name: str, alone_per_s: float, seen: Seen, before: dict[str, Cost], after: dict[str, Cost], stream_bytes: int) -> list[Figure]:
    if set(after) != {"recorder", "viewer"}:
        raise BenchError(f"{name}: expected a recorder and a viewer, found {sorted(after) or 'neither'}")
    cpu_ms = 1e3 * (after["recorder"].cpu_s - before["recorder"].cpu_s) / max(1, seen.requests)
    return [
        Figure(
            f"{name}: engine in the service / alone",
            seen.per_s / alone_per_s,
            least=0.95,
            beside=f"{seen.per_s:.1f} and {alone_per_s:.1f} transactions/s",
        ),
        Figure(
            f"{name}: requests before 3.5 characters, service", seen.too_early, most=0, beside=f"shortest {seen.least_silence_us:.0f} µs"
        ),
        Figure(f"{name}: recorder's processor time a transaction", cpu_ms, "ms", most=1.0, beside="polls, validation, detectors, store"),
        Figure(f"{name}: recorder, resident", after["recorder"].resident_mib, "MiB", most=80),
        Figure(f"{name}: viewer, resident", after["viewer"].resident_mib, "MiB", most=150, beside=f"{stream_bytes} bytes of stream read"),
    ]
