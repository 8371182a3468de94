"""`loadlog accuracy` as a user meets it: by hand, from a table, against a second meter; live, and beside a service that polls."""

from __future__ import annotations

import contextlib
import io
import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from loadlog.bus import SystemClock
from loadlog.cli.main import run
from loadlog.config import StoreConfig
from loadlog.loading import load_bench
from loadlog.model.sample import Reading, Stamp
from loadlog.pipeline import Pipeline
from loadlog.sim.run import SimulatedBench, load_scenario
from loadlog.store import Journal

BENCH = """
[bench]
name = "t"
[[bus]]
name = "rack"
kind = "modbus-rtu"
port = "{port}"
baudrate = {baudrate}
[[bus]]
name = "meter"
kind = "scpi-tcp"
host = "127.0.0.1"
tcp_port = {tcp_port}
[[device]]
name = "load-1"
role = "load"
bus = "rack"
unit_id = 1
profile = "shipped:simulated-load"
[[device]]
name = "dmm"
role = "meter"
bus = "meter"
profile = "shipped:simulated-scpi-meter"
"""


class Done(NamedTuple):
    """What a command line gave."""

    returncode: int
    stdout: str
    stderr: str


def loadlog(*arguments: str, cwd: Path, text: str = "") -> Done:
    """In this process: the command line itself is tested elsewhere, and each new process costs a second."""
    out, err, stdin = io.StringIO(), io.StringIO(), sys.stdin
    sys.stdin = io.StringIO(text)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), contextlib.chdir(cwd):
            status = run([*arguments, "--config", "bench.toml"])
    finally:
        sys.stdin = stdin
    return Done(status, out.getvalue(), err.getvalue())


@pytest.fixture
def nobody(tmp_path: Path) -> Path:
    """A bench whose instruments do not answer."""
    (tmp_path / "bench.toml").write_text(BENCH.format(port="/dev/absent", baudrate=9600, tcp_port=1))
    return tmp_path


@pytest.fixture(scope="module")
def workshop() -> Iterator[SimulatedBench]:
    with SimulatedBench.start(load_scenario("workshop"), faults=False) as bench:
        yield bench


@pytest.fixture
def live(workshop: SimulatedBench, tmp_path: Path) -> Path:
    rack, meter = workshop.ports["rack"], next(p for p in workshop.ports.values() if p.kind == "scpi-tcp")
    (tmp_path / "bench.toml").write_text(BENCH.format(port=rack.address, baudrate=rack.baudrate, tcp_port=meter.tcp_port))
    return tmp_path


def test_by_hand_without_touching_the_instrument(nobody: Path) -> None:
    """± (0.05 % + 10 mV) at 24 V is 22 mV; the reference ± (0.005 % + 1 mV) is 1.27 mV in u, U = 2.6 mV."""
    points = ["--point", "voltage_v=24.000/24.010 V", "--point", "voltage=12000 mV/12.030"]
    done = loadlog("accuracy", "load-1", *points, "--reference-accuracy", "0.005%+0.001", "--condition", "cold", cwd=nobody)
    assert done.returncode == 1, done.stderr
    assert "fail: 1 point passes, 1 fails" in done.stdout
    shown = loadlog("accuracy", "load-1", "--report", "--json", cwd=nobody)
    assert shown.returncode == 1
    data = json.loads(shown.stdout)
    first, second = data["points"]
    assert first["limit"] == pytest.approx(0.022, rel=0.001)
    assert first["share_of_limit"] == pytest.approx(10 / 22, rel=0.001)
    assert first["guard_band"] == pytest.approx(2 * ((0.0022 / 3**0.5) ** 2 + 0.001**2 / 12) ** 0.5, rel=1e-6)
    assert (first["decision"], second["decision"], data["decision"]) == ("pass", "fail", "fail")


def test_cold_and_hot(nobody: Path) -> None:
    """A hot instrument whose error doubles from 2 to 4 mV stays inside (common practice, no source)."""
    for condition, reading in (("cold", "12.002"), ("hot", "12.004")):
        done = loadlog(
            "accuracy", "load-1", "--point", f"voltage_v=12/{reading}", "--u-reference", "0.0005", "--condition", condition, cwd=nobody
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    assert "error +0.002 cold, +0.004 hot V" in done.stdout
    assert "both inside" in done.stdout


def test_a_table_on_standard_input(nobody: Path) -> None:
    table = "channel,reference,unit,reading,u_reference\nvoltage_v,24000,mV,24002,1\ncurrent_a,5,A,5.003,0.001\n"
    done = loadlog("accuracy", "load-1", "--csv", "-", "--json", "--no-store", cwd=nobody, text=table)
    assert done.returncode == 0, done.stderr
    assert [p["channel"] for p in json.loads(done.stdout)["points"]] == ["voltage_v", "current_a"]
    assert "no reference reading of load-1 was kept" in loadlog("accuracy", "load-1", "--report", cwd=nobody).stderr


@pytest.mark.parametrize(
    ("arguments", "text", "status", "line"),
    [
        (["--point", "voltage_v=24 A"], "", 2, "the unit must be V, not 'A'"),
        (["--point", "voltage_v=high"], "", 2, "'high' is no number"),
        (["--point", "voltge_v=24"], "", 2, "nearest known: voltage_v"),
        (["--point", "voltage_v=24/24", "--u-reference", "-1"], "", 2, "must not be negative"),
        (["--point", "voltage_v=24/24", "--u-reference", "1", "--reference-accuracy", "1%"], "", 2, "not both"),
        (["--point", "voltage_v=24/24", "--point", "current_a=1/1", "--u-reference", "1"], "", 2, "different units"),
        (["--point", "mode=1"], "", 2, "channel 'mode'"),
        (["--point", "voltage_v=1e999/24"], "", 2, "'1e999' is no number"),
        (["--point", "voltage_v=1e308 kV/24"], "", 2, "'1e308 kV' is no number"),
        (["--point", "voltage_v=24,01/24"], "", 2, "'24,01' is no number such as 24.01 or '24.01 V' (write a decimal point, not a comma)"),
        (["--u-reference", "nan", "--point", "voltage_v=24/24"], "", 2, "'nan' is no number"),
        (["--csv", "-"], "channel;reference\nvoltage_v;24,01\n", 2, "reference '24,01' is no number (write a decimal point, not a comma)"),
        (["--csv", "-"], "channel;reference\nvoltage_v;24.01 V\n", 2, "'24.01 V' is no number (the unit stands in its own column)"),
        (["--csv", "-"], "channel,reference\nvoltage_v,24,01\n", 2, "line 2: 3 cells, but the header has 2 (write a decimal point"),
        (["--csv", "-"], "channel,reference\nvoltage_v,1e999\n", 2, "line 2: reference '1e999' is no number"),
        (["--csv", "-"], f"channel,reference\nvoltage_v,{'9' * 200_000}\n", 2, "is no table: field larger than field limit"),
        (["--csv", "-"], "channel,reference,time\nvoltage_v,24,0001-01-01T00:00:00+01:00\n", 2, "line 2: time '0001-01-01"),
        (["--csv", "absent.csv"], "", 2, "absent.csv: there is no such reference readings file"),
        (["--csv", "-"], "channel,reference\nvoltage_v,x\n", 2, "standard input, line 2: reference 'x' is no number"),
        (["--against", "load-1"], "", 2, "its own reference"),
        (["--against", "dmmm"], "", 2, "nearest known: dmm"),
        (["--point", "voltage_v=24"], "", 3, "/dev/absent"),
        (["--against", "dmm", "--point", "voltage_v=24"], "", 2, "--against takes its reference readings"),
        ([], "", 2, "no reference reading of load-1 was kept"),
        (["--ask"], "\n\n\n\n\n", 2, "no reference reading was entered"),
    ],
)
def test_wrong_input_is_one_line(nobody: Path, arguments: list[str], text: str, status: int, line: str) -> None:
    done = loadlog("accuracy", "load-1", *arguments, cwd=nobody, text=text)
    assert done.returncode == status, done.stderr
    assert line in done.stderr
    assert "Traceback" not in done.stderr
    assert not (nobody / "data" / "accuracy.jsonl").exists()


def test_live_against_entered_and_asked(live: Path) -> None:
    """The workshop's supply holds 24 V at 5 A: 23.98 V at the remote sense."""
    done = loadlog("accuracy", "load-1", "--point", "voltage_v=23.98", "--u-reference", "0.001", "--json", cwd=live)
    (point,) = json.loads(done.stdout)["points"]
    assert point["readings"] == 5
    assert point["reading"] == pytest.approx(23.98, abs=0.05)
    assert point["temperature_c"] is not None
    asked = loadlog("accuracy", "load-1", "--ask", "--channel", "current_a", "--u-reference", "0.001", cwd=live, text="5.000\n")
    assert "current_a: reference in A" in asked.stderr
    assert asked.returncode in (0, 1), asked.stderr
    assert "current_a" in asked.stdout


def test_live_against_a_second_meter(live: Path) -> None:
    done = loadlog("accuracy", "load-1", "--against", "dmm", "--json", cwd=live)
    assert done.returncode in (0, 1), done.stderr
    data = json.loads(done.stdout)
    (point,) = data["points"]
    assert point["channel"] == "voltage_v"
    assert point["source"].startswith("dmm (")
    assert 0 < point["u_reference"] < 0.01
    assert abs(point["error"]) < 0.1


def test_beside_a_service_that_polls(nobody: Path) -> None:
    """The recorder holds the port: its latest samples are the reading. A reading of an hour ago is found by its time."""
    bench, clock = load_bench(nobody / "bench.toml"), SystemClock()
    bench.data_dir.mkdir()
    spec = bench.devices["load-1"]
    pipeline = Pipeline([spec], next_seq=1, next_event_id=1)
    journal = Journal.open(
        bench.data_dir, clock, StoreConfig(), devices=bench.devices, snapshot=lambda: bench.snapshot({})
    )  # fmt: skip
    journal.start()
    now_ns = time.time_ns()
    for age_s, volts in [(3600 + k, 24500 + k) for k in (2, 1, 0)] + [(k, 24000 + k) for k in (3, 2, 1)]:
        stamp = Stamp(now_ns - age_s * 10**9, 1_000_000)
        counts = {c.name: 0 for c in spec.channels if c.kind != "number"}
        counts |= {"voltage_v": volts, "current_a": 5000, "power_w": 1200, "temperature_c": 400, "setpoint": 5000}
        sample, _ = pipeline.feed(Reading("load-1", stamp, counts))
        journal.put_sample(sample)
    journal.flush().result(20)
    try:
        done = loadlog("accuracy", "load-1", "--point", "voltage_v=24.002", "--u-reference", "0.001", "--json", cwd=nobody)
        (point,) = json.loads(done.stdout)["points"]
        assert point["reading"] == pytest.approx(24.002)
        assert point["readings"] == 3
        assert point["scatter"] == pytest.approx(0.001)
        when = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime((now_ns - 3601 * 10**9) / 1e9))
        table = f"channel,reference,u_reference,time\nvoltage_v,24.500,0.001,{when}\n"
        old = loadlog("accuracy", "load-1", "--csv", "-", "--json", cwd=nobody, text=table)
        assert json.loads(old.stdout)["points"][0]["reading"] == pytest.approx(24.501, abs=0.0011)
        never = loadlog("accuracy", "load-1", "--csv", "-", cwd=nobody, text=table.replace(when, "2020-01-01T00:00:00Z"))
        assert never.returncode == 2
        assert "no good reading of voltage_v was recorded" in never.stderr
    finally:
        journal.close()
