"""Benches for the tests of the simulator."""

from __future__ import annotations

import random

from loadlog.sim.bench import Bench, WireHandler
from loadlog.sim.scenario import Scenario, parse_scenario

ONE_LOAD = """
[bench]
name = "one"
ambient_c = 25.0
[[supply]]
name = "psu"
voltage_v = 24.0
output_ohm = 0.02
slow_noise_v = 0.0
drift_v_per_k = 0.0
[[load]]
name = "load"
source = "psu"
mode = "CC"
setpoint = 5.0
sense = "remote"
path = { lead_ohm = 0.010, contact_ohm = 0.002 }
[[thermocouples]]
name = "tc"
channels = ["psu.case", "load.outlet", "load.connector", "ambient"]
[[meter]]
name = "meter"
probes = "psu.terminals"
[[line]]
name = "rack"
kind = "modbus-rtu"
units = { 1 = "load", 5 = "tc" }
"""


def scenario(text: str = ONE_LOAD, more: str = "") -> Scenario:
    """A scenario of one load, or another, with more text behind it."""
    return parse_scenario(text + more, "test.toml")


def bench(more: str = "", *, seed: int = 1, text: str = ONE_LOAD, on_wire: WireHandler | None = None) -> Bench:
    """A bench whose timetable has begun."""
    out = Bench(scenario(text, more), random.Random(seed), on_wire=on_wire)
    out.start_timetable()
    return out
