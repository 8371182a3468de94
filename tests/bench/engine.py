"""The whole engine in a process of its own, as the recorder runs it: profile, plan, poller thread, link; its outcomes go to a list.

    python -m tests.bench.engine PORT BAUD UNITS SECONDS PERIOD_S

Prints JSON: transactions and their pace, processor time, lateness, and the median bus time of a transaction (request to reply as stamped,
and the silence before it). The first half second is not counted.
"""

from __future__ import annotations

import json
import sys
import time
from collections import Counter
from pathlib import Path
from statistics import median
from typing import Any

from loadlog.acquisition import BusPoller, PolledDevice
from loadlog.bus import SystemClock, line_of, open_link
from loadlog.config import BusConfig
from loadlog.model.clock import Anchor, ClockStep
from loadlog.model.sample import PollFailure, Reading
from loadlog.profiles import ReadPlan, link_traits, load_profile

WARM_UP_S = 0.5
PROFILE = Path(__file__).with_name("device.toml")


class Outcomes:
    """Counts what a poller delivers, and whether each value belongs to its unit and register (see c_device.c)."""

    def __init__(self) -> None:
        self.kinds: Counter[str] = Counter()
        self.wrong = 0
        self.lateness_s: list[float] = []
        self.t_ns: list[int] = []
        self.took_s: list[float] = []
        self.counting = False

    def take(self, outcome: Reading | PollFailure) -> None:
        if not self.counting:
            return
        if isinstance(outcome, PollFailure):
            self.kinds[str(outcome.cause)] += 1
            return
        self.kinds["reading"] += 1
        self.lateness_s.append(outcome.stamp.lateness_s)
        self.t_ns.append(outcome.stamp.t_mono_ns)
        self.took_s.append(2e-9 * outcome.stamp.half_width_ns)
        unit = int(outcome.device.removeprefix("unit-"))
        if list(outcome.counts.values()) != [unit * 256 + register for register in range(10)]:
            self.wrong += 1


def measure(port: str, baud: int, units: int, seconds: float, period_s: float) -> dict[str, Any]:
    """Poll for that long; see the module."""
    sys.setswitchinterval(0.0002)  # as the recorder
    bus = BusConfig(name="bench", kind="modbus-rtu", port=port, baudrate=baud)
    profile = load_profile(PROFILE.read_text(), str(PROFILE))
    plan = ReadPlan.make(profile, line_of(bus))
    devices = [PolledDevice(f"unit-{unit}", unit, plan, link_traits(profile), period_s) for unit in range(1, units + 1)]
    clock = SystemClock()
    outcomes = Outcomes()

    def fact(_step: ClockStep) -> None:
        outcomes.kinds["clock_step"] += 1

    poller = BusPoller(bus, devices, open_link(bus, clock), clock, Anchor(clock), outcomes.take, fact)
    poller.start()
    time.sleep(WARM_UP_S)
    outcomes.counting = True
    begun_s, cpu_s = time.monotonic(), time.process_time()
    time.sleep(seconds)
    outcomes.counting = False
    span_s, cpu_s = time.monotonic() - begun_s, time.process_time() - cpu_s
    statistics = poller.statistics()
    poller.stop()
    readings = outcomes.kinds["reading"]
    late = sorted(outcomes.lateness_s)
    return {
        "transactions": readings,
        "span_s": span_s,
        "per_s": 1e9 * (readings - 1) / (outcomes.t_ns[-1] - outcomes.t_ns[0]) if readings > 1 else 0.0,
        "wrong": outcomes.wrong,
        "outcomes": dict(outcomes.kinds),
        "cpu_ms": 1e3 * cpu_s / max(1, readings),
        "p99_lateness_s": late[len(late) * 99 // 100] if late else 0.0,
        "measured_s": line_of(bus).silence_s + (median(outcomes.took_s) if outcomes.took_s else 0.0),
        "busy_share": statistics.busy_share,
    }


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4]), float(sys.argv[5]))))
