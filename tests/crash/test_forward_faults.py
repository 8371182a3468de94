"""Everything that can go wrong between recorder and database at once, against a real InfluxDB: twelve faults of network, proxy and server
in between; recorder, forwarder and server killed (SIGKILL) at random moments. At the end the database holds exactly the samples of the
recordings, and what was set aside is exactly what the database cannot take."""

from __future__ import annotations

import json
import math
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from line_protocol_parser import parse_line

from loadlog.forwarder.lines import SampleLines
from loadlog.forwarder.stamps import Stamps
from loadlog.store import Archive
from loadlog.store.forward_state import read_forward
from tests.databases import Influx1, Points, Victoria
from tests.fault_proxy import FAULTS, FaultProxy

pytestmark = [pytest.mark.server, pytest.mark.timeout(300)]
ROOT = Path(__file__).parents[2]
CHAOS_S = float(os.environ.get("LOADLOG_CHAOS_S", "25"))
FAULTY_SHARE = 0.5
PATIENCE_S = 150.0


class Process:
    """A child that is killed and started again."""

    def __init__(self, script: str, *arguments: str) -> None:
        self._command = [sys.executable, str(Path(__file__).with_name(script)), *arguments]
        self._child: subprocess.Popen[bytes] | None = None
        self.kills = 0

    def start(self) -> None:
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        self._child = subprocess.Popen(self._command, stdout=subprocess.DEVNULL, cwd=ROOT, env=environment)

    def kill(self) -> None:
        if self._child is not None:
            self._child.kill()
            self._child.wait(30.0)
            self._child, self.kills = None, self.kills + 1


Victim = tuple[Callable[[], None], Callable[[], None], float]  # kill, start, mean time between, s


def chaos(chance: random.Random, victims: dict[str, Victim], enough: Callable[[], bool] = lambda: True) -> None:
    """Kill each victim at random moments for `CHAOS_S` and until ``enough``, and start it again a moment later."""
    end_s = time.monotonic() + CHAOS_S
    last_s = end_s + 4 * CHAOS_S
    due = {name: time.monotonic() + chance.expovariate(1 / mean_s) for name, (_, _, mean_s) in victims.items()}
    while time.monotonic() < end_s or (not enough() and time.monotonic() < last_s):
        name = min(due, key=lambda n: due[n])
        time.sleep(max(0.0, due[name] - time.monotonic()))
        kill, start, mean_s = victims[name]
        kill()
        time.sleep(chance.uniform(0.0, 0.5))
        start()
        due[name] = time.monotonic() + chance.expovariate(1 / mean_s)


def stored_lines(folder: Path, mode: str) -> list[str]:
    """The line of every stored sample, made from the recordings alone."""
    lines = SampleLines("bench-a", Stamps(mode))
    return [lines.line(row) for row in Archive(folder).follow(0).poll_rows(10**8)]


def as_points(lines: list[str]) -> Points:
    out: Points = {}
    for line in lines:
        point = parse_line(line)
        key = (point["measurement"], *(point["tags"][tag] for tag in sorted(point["tags"])))
        series = out.setdefault(key, {})
        assert point["time"] not in series, "two samples share a point"
        series[point["time"]] = {name: float(value) for name, value in point["fields"].items()}
    return out


def floats(points: Points) -> Points:
    return {
        key: {t: {n: float(v) for n, v in fields.items()} for t, fields in series.items()}
        for key, series in points.items()
        if "bench-a" in key
    }


def sums(points: Points) -> dict[tuple[str, ...], float]:
    """Per series and channel; `math.fsum`, so that the order does not matter."""
    values: dict[tuple[str, ...], list[float]] = {}
    for key, series in points.items():
        for fields in series.values():
            for name, value in fields.items():
                values.setdefault((*key, name), []).append(value)
    return {key: math.fsum(numbers) for key, numbers in values.items()}


def difference(found: Points, wanted: Points) -> list[str]:
    """The first points that are missing, too many or not equal, in words."""
    out = []
    for key in sorted({*found, *wanted}):
        have, want = found.get(key, {}), wanted.get(key, {})
        for t in sorted({*have, *want}):
            if have.get(t) != want.get(t):
                out.append(f"{'/'.join(key)} at {t}: {have.get(t)} instead of {want.get(t)}")
    return [f"{len(out)} differ", *out[:10]] if out else []


def until_done(folder: Path, holds: Callable[[], Points], wanted: Points) -> Points:
    """What the database holds once it holds as many points as wanted, or after some patience."""
    end_s = time.monotonic() + PATIENCE_S
    total = sum(map(len, wanted.values()))
    while True:
        found = holds()
        if sum(map(len, found.values())) >= total or time.monotonic() > end_s:
            return found
        time.sleep(1.0)


def test_influxdb_holds_exactly_what_was_recorded_after_every_fault_and_kill(tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(2**32)
    print("seed", seed)
    chance, data = random.Random(seed), tmp_path / "data"
    faults, healed = random.Random(seed + 1), False
    deck: list[str] = []

    def draw(lines: int) -> str | None:
        if healed or faults.random() > FAULTY_SHARE:
            return None
        deck.extend(faults.sample(FAULTS, len(FAULTS)) if not deck else ())  # each comes as often as any other
        if lines == 1 and deck[-1] in ("partial", "too_large"):
            return None  # true of a whole body only
        return deck.pop()

    with Influx1(tmp_path / "influx") as server, FaultProxy(server.port, draw, slow_s=1.0) as proxy:
        server.create("bench")
        for ahead_s in (0, 86_400):
            stamp = time.time_ns() + ahead_s * 10**9
            server.get("/write", f'load,bench=other energy_wh="text" {stamp}'.encode(), db="bench", precision="ns")
        target = {
            "name": "lab", "kind": "influxdb1", "url": proxy.url, "database": "bench", "timeout_s": 0.5, "batch_lines": 500,
            "catch_up_lines_per_s": 1e6,
        }  # fmt: skip
        recorder = Process("recorder_child.py", str(data), str(seed % 1000), "0.01", "0.003")
        forwarder = Process("forward_child.py", str(data), json.dumps([target]))
        recorder.start()
        forwarder.start()
        try:
            chaos(
                chance,
                {
                    "recorder": (recorder.kill, recorder.start, 4.0),
                    "forwarder": (forwarder.kill, forwarder.start, 3.0),
                    "server": (server.kill, server.start, 8.0),
                },
                enough=lambda: set(proxy.seen) == {*FAULTS, "passed"},
            )
            recorder.kill()
            healed = True
            forwarder.kill()
            forwarder.start()  # at once, instead of after the back-off
            lines = stored_lines(data, "ns")
            poisoned = {line for line in lines if "energy_wh=" in line}
            wanted = as_points([line for line in lines if line not in poisoned])
            found = until_done(data, lambda: floats(server.points("bench", "load")), wanted)
            time.sleep(2.0)
        finally:
            recorder.kill()
            forwarder.kill()
    print(f"{len(lines)} samples, {len(poisoned)} poisoned, kills {recorder.kills}/{forwarder.kills}, {dict(proxy.seen)}")
    assert set(proxy.seen) == {*FAULTS, "passed"}, "too few requests to say anything"
    assert difference(found, wanted) == []
    assert sums(found) == sums(wanted)
    seen = read_forward(data, ["lab"], limit=10**6)["lab"]
    assert {one.line for one in seen.aside} == poisoned
    assert len(poisoned) > 10
    assert all("field type conflict" in one.reason for one in seen.aside)


def test_victoria_metrics_holds_exactly_what_was_recorded_though_it_forgets_what_it_acknowledged(tmp_path: Path) -> None:
    """Killed, it loses the last seconds of what it acknowledged; the cursor goes back by `rewind_s` when the connection is lost."""
    seed = random.SystemRandom().randrange(2**32)
    print("seed", seed)
    chance, data = random.Random(seed), tmp_path / "data"
    with Victoria(tmp_path / "victoria") as server:
        target = {
            "name": "lab", "kind": "influxdb2", "url": server.url, "bucket": "bench", "timeout_s": 1.0, "batch_lines": 500, "stamps": "ms",
            "rewind_s": 30, "catch_up_lines_per_s": 1e6,
        }  # fmt: skip
        recorder = Process("recorder_child.py", str(data), str(seed % 1000), "0.01", "0.02")
        forwarder = Process("forward_child.py", str(data), json.dumps([target]))
        recorder.start()
        forwarder.start()
        try:
            chaos(chance, {"server": (server.kill, server.start, 5.0), "forwarder": (forwarder.kill, forwarder.start, 6.0)})
            recorder.kill()
            wanted = as_points(stored_lines(data, "ms"))
            found = until_done(data, lambda: server.points("load"), wanted)
        finally:
            recorder.kill()
            forwarder.kill()
    assert sum(map(len, wanted.values())) > 1000
    assert difference(found, wanted) == []
    assert sums(found) == sums(wanted)
