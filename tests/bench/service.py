"""The whole service on the paced device: recorder, store, detectors, viewer, and one reader of the live stream."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path

import psutil

from loadlog.control.client import ControlClient
from loadlog.model.errors import LoadlogError
from tests.bench.programs import BenchError, Device

PROFILE = Path(__file__).with_name("device.toml")
START_S = 20.0
MIB = 1 << 20


@dataclass(frozen=True)
class Whole:
    """Transactions a second as the device saw them, and what both processes took."""

    per_s: float
    too_early: int
    recorder_cpu_ms: float
    recorder_mib: float
    viewer_mib: float


def measure(device: Device, baud: int, units: int, seconds: float, rate_hz: float) -> Whole:
    """Serve the device's line, each unit at ``rate_hz``, with a reader on the stream for that long.

    Raises:
        BenchError: the service did not start.
    """
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "bench.toml"
        config.write_text(_configuration(folder, device.port, baud, units, rate_hz))
        process = subprocess.Popen(
            [sys.executable, "-m", "loadlog", "serve", "--config", str(config)], stderr=subprocess.PIPE, text=True, bufsize=1
        )
        try:
            address = _address(process)
            _wait_until_recording(Path(folder))
            threading.Thread(target=_read_stream, args=(address,), daemon=True).start()
            time.sleep(2.0)
            return _measure(process, device, seconds)
        finally:
            process.terminate()
            process.wait(30)


def _configuration(folder: str, port: str, baud: int, units: int, rate_hz: float) -> str:
    text = f'[bench]\nname = "bench"\ndata_dir = {json.dumps(folder)}\n[web]\ntcp_port = 0\n'
    text += f'[[bus]]\nname = "line"\nkind = "modbus-rtu"\nport = "{port}"\nbaudrate = {baud}\n'
    for unit in range(1, units + 1):
        text += f'[[device]]\nname = "unit-{unit}"\nrole = "load"\nbus = "line"\nunit_id = {unit}\nprofile = {json.dumps(str(PROFILE))}\n'
        text += f"rate_hz = {rate_hz:.4f}\n"
    return text


def _address(process: subprocess.Popen[str]) -> str:
    """The page's address from the log, which is read on so that the pipe never fills."""
    assert process.stderr is not None
    found: list[str] = []
    ready = threading.Event()

    def drain() -> None:
        assert process.stderr is not None
        for line in process.stderr:
            if match := re.search(r"address=(http://\S+)", line):
                found.append(match.group(1))
                ready.set()

    threading.Thread(target=drain, daemon=True).start()
    if not ready.wait(START_S):
        raise BenchError("the service's page did not start")
    return found[0]


def _wait_until_recording(folder: Path) -> None:
    end_s = time.monotonic() + START_S
    while time.monotonic() < end_s:
        try:
            if ControlClient(folder).call("status")["samples"] > 0:
                return
        except LoadlogError:
            pass
        time.sleep(0.1)
    raise BenchError("the recorder did not start")


def _read_stream(address: str) -> None:
    try:
        with urllib.request.urlopen(address + "api/stream") as stream:
            while stream.read(4096):
                pass
    except OSError:
        return  # the service ended


def _measure(process: subprocess.Popen[str], device: Device, seconds: float) -> Whole:
    parts = psutil.Process(process.pid).children()
    recorder = next(p for p in parts if "recorder" in p.cmdline())
    viewer = next(p for p in parts if "viewer" in p.cmdline())
    before, cpu = device.report(), sum(recorder.cpu_times()[:2])
    time.sleep(seconds)
    seen = device.between(before, device.report())
    cpu = sum(recorder.cpu_times()[:2]) - cpu
    return Whole(
        seen.per_s, seen.too_early, 1e3 * cpu / max(1, seen.requests), recorder.memory_info().rss / MIB, viewer.memory_info().rss / MIB
    )
