"""Measures what a bench costs in disk, processor and memory, and prints the table of deploy/README.md from it.

    python -m tests.deploy.sizing [--seconds 60] [--hours 6]

Disk: what a recording of that many hours has more than one of half as many, so that the minutes that are not packed yet do not count; made
as the recorder leaves it (`tests.bench.store`: eight loads of six channels with noise at 10 Hz). Processor: user and system seconds of
recorder and viewer from the kernel's books, at two rates of eight simulated loads on one serial line, everything running; the slope is
the cost of a sample, the rest the cost of being there. Packing older rows comes ten minutes later and is measured apart. Processor
seconds, not time on the clock, so that other work on the machine counts little; caches and clock rate still do.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from loadlog.control.client import ControlClient
from loadlog.model.errors import LoadlogError
from tests.bench.programs import python
from tests.bench.service import CONFIG, Cost, _read_stream, cost, parts
from tests.bench.store import build
from tests.databases import free_port

LOADS = 8
RATES_HZ = (1.0, 5.0)
START_S = 120.0
SETTLE_S = 10.0
SUPPLY = (
    '[bench]\nname = "sizing"\nambient_c = 22.0\n[[supply]]\nname = "psu"\nvoltage_v = 24.0\noutput_ohm = 0.008\ncurrent_limit_a = 200.0\n'
)
LOAD = '[[load]]\nname = "unit-{unit}"\nsource = "psu"\nmode = "CC"\nsetpoint = 5.0\nsense = "remote"\nserial = {unit}\n'
LINE = '[[line]]\nname = "line"\nkind = "modbus-rtu"\nbaudrate = 115200\nunits = {{ {units} }}\n'
DEVICE = (
    '\n[[device]]\nname = "unit-{unit}"\nrole = "load"\nbus = "line"\nunit_id = {unit}\nprofile = "shipped:simulated-load"\n'
    'rate_hz = {rate}\nsense = "remote"\ngroup = "psu"\n'
)
ROWS = ((1, 1, 30), (2, 5, 3), (8, 10, 3), (8, 10, 30), (16, 5, 30), (32, 1, 365))  # loads, Hz, days


@dataclass(frozen=True)
class Part:
    """One process: processor time a sample and a second, and memory."""

    sample_us: float
    rest_ms_per_s: float
    resident_mib: float


@dataclass(frozen=True)
class Measured:
    """All the table is made of."""

    sample_bytes: float
    packing_us: float
    recorder: Part
    viewer: Part
    page_ms_per_s: float


@contextlib.contextmanager
def bench(folder: Path, rate_hz: float, tcp_port: int) -> Iterator[tuple[int, Path]]:
    """Simulator and service; gives the service's process identifier and its data directory."""
    folder.mkdir(parents=True)
    units = range(1, LOADS + 1)
    scenario, links, data = folder / "scenario.toml", folder / "ports", folder / "data"
    scenario.write_text(
        SUPPLY
        + "".join(LOAD.format(unit=unit) for unit in units)
        + LINE.format(units=", ".join(f'{unit} = "unit-{unit}"' for unit in units))
    )
    config = folder / "bench.toml"
    text = CONFIG.format(data=data, port=links / "line", baud=115200, tcp_port=tcp_port)
    config.write_text(text + "".join(DEVICE.format(unit=unit, rate=rate_hz) for unit in units))
    loadlog = [sys.executable, "-m", "loadlog"]
    with contextlib.ExitStack() as stack:
        for command in (["simulate", str(scenario), "--links", str(links)], ["serve", "--config", str(config)]):
            process = subprocess.Popen([*loadlog, *command], stdout=subprocess.DEVNULL, stderr=(folder / "log").open("a"))
            stack.callback(process.wait, 30)
            stack.callback(process.terminate)
            while command[0] == "simulate" and not (links / "line").exists():
                time.sleep(0.1)
        yield process.pid, data


def _wait_until_sampling(client: ControlClient) -> None:
    end_s = time.monotonic() + START_S
    while True:
        with contextlib.suppress(LoadlogError):
            if client.call("status")["samples"] > LOADS:
                return
        if time.monotonic() > end_s:
            raise SystemExit("the service does not sample")
        time.sleep(0.5)


def one_rate(folder: Path, rate_hz: float, seconds: float, page: bool = False) -> tuple[float, dict[str, tuple[float, Cost]]]:
    """Samples a second as counted, and per process its processor seconds a second and its books; with ``page``, a page's stream is read."""
    tcp_port, end = free_port(), threading.Event()
    with bench(folder, rate_hz, tcp_port) as (pid, data):
        client = ControlClient(data)
        _wait_until_sampling(client)
        reader = threading.Thread(target=_read_stream, args=(tcp_port, end, [0]), daemon=True)
        if page:
            reader.start()
        time.sleep(SETTLE_S)
        pids = parts(pid)
        before, counted, begun_s = {name: cost(child) for name, child in pids.items()}, client.call("status")["samples"], time.monotonic()
        time.sleep(seconds)
        after, counted_after, ended_s = (
            {name: cost(child) for name, child in pids.items()},
            client.call("status")["samples"],
            time.monotonic(),
        )
        end.set()
    span_s = ended_s - begun_s
    return (counted_after - counted) / span_s, {
        name: ((after[name].cpu_s - before[name].cpu_s) / span_s, after[name]) for name in ("recorder", "viewer")
    }


def measure(folder: Path, seconds: float, hours: float) -> Measured:
    """Disk, packing, and both processes at two rates."""
    whole, half = (build(folder / f"disk-{part}", hours / part).stat().st_size for part in (1, 2))
    sample_bytes = (whole - half) / (hours / 2 * 36_000 * 8)
    packing = python("store_child", "cpu", folder / "cpu", 160_000, seconds=600)
    slow, fast = (one_rate(folder / f"rate-{rate:g}", rate, seconds) for rate in RATES_HZ)
    found = {}
    for name in ("recorder", "viewer"):
        slope = max(0.0, (fast[1][name][0] - slow[1][name][0]) / (fast[0] - slow[0]))  # of the viewer: not told from nothing
        rest = slow[1][name][0] - slope * slow[0]
        found[name] = Part(1e6 * slope, 1e3 * rest, fast[1][name][1].resident_mib)
        print(f"  {name}: {slow[0]:.1f}/s {100 * slow[1][name][0]:.2f} %, {fast[0]:.1f}/s {100 * fast[1][name][0]:.2f} %", file=sys.stderr)
    looked_at = one_rate(folder / "page", RATES_HZ[1], seconds, page=True)[1]
    page = sum(looked_at[name][0] - fast[1][name][0] for name in found)
    return Measured(sample_bytes, packing["helper_us"], found["recorder"], found["viewer"], 1e3 * page)


# What the guide states: Python 3.11 on one core of an EPYC server from a cloud, much other work beside it.
STATED = Measured(sample_bytes=4.4, packing_us=2, recorder=Part(830, 1.9, 51), viewer=Part(0, 1.5, 87), page_ms_per_s=41)


def table(measured: Measured) -> str:
    """Rows of the guide."""
    lines = ["| loads | rate | days | samples | disk | processor, one core |", "| --- | --- | --- | --- | --- | --- |"]
    for loads, rate, days in ROWS:
        per_s = loads * rate
        samples = per_s * 86_400 * days
        share = sum(1e-4 * part.sample_us * per_s + 0.1 * part.rest_ms_per_s for part in (measured.recorder, measured.viewer))
        share += 1e-4 * measured.packing_us * per_s
        size = samples * measured.sample_bytes / 1e6
        shown = f"{size / 1000:.1f} GB" if size >= 1000 else f"{size:.0f} MB"
        lines.append(f"| {loads} | {rate} Hz | {days} | {samples / 1e6:.1f} million | {shown} | {share:.1f} % |")
    return "\n".join(lines)


def main() -> None:
    """Prints what was measured, then the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--hours", type=float, default=6.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        measured = measure(Path(folder), options.seconds, options.hours)
    model = next((line.partition(":")[2].strip() for line in Path("/proc/cpuinfo").read_text().splitlines() if "model name" in line), "?")
    print(f"{model}, {os.cpu_count()} cores, Python {sys.version.split()[0]}")
    print(measured)
    print(table(measured))


if __name__ == "__main__":
    main()
