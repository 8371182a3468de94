"""`make demo ARGS="--duration 60s"`, whole: three processes, real protocols, and the events of its timetable by kind, device and onset.

What truly happened is read from the simulator's own log (``truth.jsonl``), which the service never sees. The seed is drawn afresh and
printed.
"""

from __future__ import annotations

import json
import os
import random
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from loadlog.model.clock import NS, parse_utc

ROOT = Path(__file__).resolve().parents[2]
# fault of the timetable -> the event that must tell it
EXPECTED = {
    ("sense_lead_off", "begin"): ("sense_fallback", "load-1"),
    ("sense_lead_off", "end"): ("sense_restored", "load-1"),
    ("knob", "begin"): ("setpoint_changed", "load-2"),
    ("silent_unit", "begin"): ("communication_lost", "case"),
    ("silent_unit", "end"): ("communication_restored", "case"),
    ("supply_trip", "begin"): ("supply_trip", "load-1"),
}


def loadlog(*arguments: str) -> str:
    done = subprocess.run([sys.executable, "-m", "loadlog", *arguments], cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """One demo of 60 s; its data directory and what it printed."""
    data = tmp_path_factory.mktemp("demo")
    seed = random.SystemRandom().randrange(1_000_000)
    print(f"seed {seed}")
    command = ["make", "--no-print-directory", "demo", f"ARGS=--duration 60s --data {data} --tcp-port 0 --seed {seed}"]
    done = subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, timeout=110, check=False, env={**os.environ, "LC_ALL": "C.UTF-8"}
    )
    print(done.stdout)
    print(done.stderr, file=sys.stderr)
    assert done.returncode == 0
    return data, done.stdout


def truth(data: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (data / "truth.jsonl").read_text().splitlines()]


def events(data: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in loadlog("events", "--json", "--config", str(data / "bench.toml")).splitlines()]


def contains(onset: dict[str, str], t_utc_ns: int) -> bool:
    """The stated onset interval holds the true instant, widened by 20 ms: the simulator stamps a fault when its physics reach it, which a
    busy machine delays, and its log and the service read the clock at different moments."""
    slack_ns = NS // 50
    return parse_utc(onset["earliest"]) - slack_ns <= t_utc_ns <= parse_utc(onset["latest"]) + slack_ns


@pytest.mark.timeout(180)
def test_every_fault_of_the_timetable_is_told_with_its_device_and_onset(demo: tuple[Path, str]) -> None:
    data, _ = demo
    told = events(data)
    for fault in truth(data):
        expected = EXPECTED.get((fault["what"], fault["phase"]))
        if expected is None:
            continue
        kind, device = expected
        candidates = [e for e in told if (e["kind"], e["device"]) == (kind, device)]
        assert candidates, f"{fault['what']} {fault['phase']} at {fault['t']} was not told as {kind} of {device}"
        assert any(contains(e["onset"], fault["t_utc_ns"]) for e in candidates), (fault, [e["onset"] for e in candidates])


@pytest.mark.timeout(180)
def test_the_stopped_fan_shows_as_a_temperature_limit(demo: tuple[Path, str]) -> None:
    data, _ = demo
    fan = next(f for f in truth(data) if f["what"] == "fan_stop" and f["phase"] == "begin")
    hot = [e for e in events(data) if e["device"] == "load-2" and e["kind"] in ("limit", "over_temperature")]
    assert any(parse_utc(e["onset"]["latest"]) > fan["t_utc_ns"] for e in hot)


@pytest.mark.timeout(180)
def test_nothing_is_told_that_did_not_happen(demo: tuple[Path, str]) -> None:
    """Alarms must each have a fault of the timetable behind them: same device (or its source), not before the fault."""
    data, _ = demo
    begun = [(f["t_utc_ns"], f["target"]) for f in truth(data)]
    of_source = {"psu-24v": {"load-1", "meter"}, "pack-36v": {"load-2"}, "rack": {"load-1", "load-2", "case"}}
    for event in events(data):
        if event["severity"] != "alarm":
            continue
        latest = parse_utc(event["onset"]["latest"]) + NS // 50
        causes = [t for t, target in begun if t <= latest and event["device"] in of_source.get(target, {target})]
        assert causes, event


@pytest.mark.timeout(180)
def test_the_demo_prints_the_review_of_its_run(demo: tuple[Path, str]) -> None:
    _, printed = demo
    assert "Review of run demo-" in printed
    assert re.search(r"^run demo-\d{4} is on; live page: http://127\.0\.0\.1:[1-9]\d*/; ", printed, re.M)
    assert "sense_fallback" in printed
    assert "not a safety device" in printed


@pytest.mark.timeout(180)
def test_nothing_was_lost(demo: tuple[Path, str]) -> None:
    data, _ = demo
    config = str(data / "bench.toml")
    loadlog("store", "verify", "--config", config)
    run = json.loads(loadlog("run", "list", "--json", "--config", config).splitlines()[0])
    shown = json.loads(loadlog("run", "show", run["id"], "--json", "--config", config))
    for device in shown["devices"]:
        # The thermocouple module is silent for 6 s; the others share a line that garbles replies for 2 s.
        assert device["polls"] >= (0.5 if device["device"] == "case" else 0.95) * device["expected"], device


def test_a_replay_of_the_run_tells_the_same_bit_for_bit(demo: tuple[Path, str]) -> None:
    data, _ = demo
    result = json.loads(loadlog("replay", "last", "--as-recorded", "--json", "--config", str(data / "bench.toml")))
    assert result["identical"], (result["missing"], result["extra"], result["changed"])
    assert result["same"] >= 5
