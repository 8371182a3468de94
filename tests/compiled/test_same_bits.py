"""Compiled detectors tell the same as their sources, bit for bit: events with onsets, probabilities and evidence, and what is learned."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest

from loadlog.detectors import COMPILED, DECLARED_KINDS
from tests.checklists import traces
from tests.checklists.traces import Bench, Load, fresh_random, load_spec
from tests.compiled import told
from tests.compiled.build import build, environment, lacking
from tests.compiled.recorded import record

pytestmark = pytest.mark.timeout(1800)  # two minutes of a processor that has nothing else to do
TRIES = 8  # seeds, until a scenario has what it is here for
SCENES = {
    "sense off, CC, group of two": {"sense_fallback", "sense_restored"},
    "sense intermittent": {"sense_intermittent"},
    "hiccup, group of two": {"supply_trip"},
    "load trip, protection bits": {"load_trip", "protection"},
    "power lead off, remote": {"open_circuit"},
    "knob, no status": {"setpoint_changed"},
    "mode by hand": {"mode_changed"},
    "input by hand": {"input_switched"},
    "supply drifts": {"drift"},
    "noise grows": {"noise_changed"},
    "contact heats up, meter": {"contact_heating"},
    "fan stops": {"cooling_degraded"},
    "sharing parts": {"sharing_imbalance"},
    "temperature limit": {"temperature_rising", "over_temperature"},
    "battery at its end": {"cutoff_reached"},
    "supply limits an order": {"current_limit_entered"},
    "beyond a limit": {"limit"},
    "another instrument": {"device_changed"},
    "polls late as a habit": {"late_polls"},
    "no reply": {"communication_lost", "communication_restored"},
    "reading frozen": {"reading_frozen"},
    "reading contradicts the power": {"reading_implausible"},
}


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built once; in CI a lacking compiler is a failure."""
    if reason := lacking():
        pytest.fail(f"CI needs a compiler: {reason}") if os.environ.get("CI") == "true" else pytest.skip(reason)
    return build(tmp_path_factory.mktemp("compiled"))


def without_names(path: Path) -> None:
    """A hand at a load whose profile names neither modes nor protections: their numbers are shown."""
    named = load_spec(slow=1)
    spec = replace(named, channels=tuple(replace(channel, names={}) for channel in named.channels))
    load = Load(spec)
    bench = Bench(fresh_random(), loads=[load])
    bench.at(10.0, lambda: setattr(load, "mode", "CR"))
    bench.at(20.0, lambda: setattr(load, "level", 4.0))
    bench.at(30.0, lambda: setattr(load, "protection", 1 << 5))
    bench.at(40.0, lambda: setattr(load, "input_on", False))
    out = traces.record(bench, 50.0)
    assert "mode_changed" in {event.kind for event in out.events}
    told.save(path, bench.specs, out.samples, [])


def in_python(scenario: str, seed: int, folder: Path) -> dict[str, list[str]]:
    """File -> what the sources tell of it: of so many seeds that everything is told which the scenario is here for."""
    found: dict[str, list[str]] = {}
    wanted = set(SCENES[scenario])
    for number in count(seed):
        path = folder / f"{scenario} {number}.json"
        record(scenario, number, path)
        lines = found[str(path)] = list(told.told(path))
        wanted -= {json.loads(line)["kind"] for line in lines if line.startswith("{")}
        if not wanted:
            return found
        assert number < seed + TRIES, f"{scenario}, seeds {seed} to {number}: {wanted} never told"
    raise AssertionError


def test_all_kinds_are_compared() -> None:
    assert set().union(*SCENES.values()) == set(DECLARED_KINDS)


def test_compiled_detectors_tell_the_same_bit_for_bit(package: Path, tmp_path: Path) -> None:
    assert not COMPILED, "this process must use the sources"
    seed = fresh_random().randrange(10**9)
    expected = {path: lines for scenario in SCENES for path, lines in in_python(scenario, seed, tmp_path).items()}
    without_names(nameless := tmp_path / "without names.json")
    expected[str(nameless)] = list(told.told(nameless))
    command = [sys.executable, "-m", "tests.compiled.told", str(seed), *expected]
    done = subprocess.run(command, env=environment(package), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    found = done.stdout.splitlines()
    wanted = ["compiled", *told.counted(seed), *(line for path, lines in expected.items() for line in (path, *lines))]
    different = [n for n, pair in enumerate(zip(found, wanted, strict=False)) if pair[0] != pair[1]]
    about = f"seed {seed}: {len(different)} of {len(wanted)} lines differ"
    assert not different, f"{about}, first:\n{found[different[0]]}\ninstead of\n{wanted[different[0]]}"
    assert len(found) == len(wanted)


def test_the_command_says_which_it_is(package: Path) -> None:
    command = [sys.executable, "-m", "loadlog", "--version"]
    says = [subprocess.run(command, env=env, capture_output=True, text=True, check=True).stdout for env in (environment(package), None)]
    assert ["compiled detectors" in text for text in says] == [True, False]
