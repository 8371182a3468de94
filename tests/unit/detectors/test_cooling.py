"""`cooling_degraded` on heatsinks of two poles with drawn parameters and fresh seeds. Physics: `loadlog.sim.thermal.Heatsink`, held against
the closed form of the first-order step response in tests of the simulator."""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Callable
from dataclasses import replace

import pytest

from loadlog.detectors import Context
from loadlog.detectors.base import Peer
from loadlog.detectors.cooling import LEARN_BLOCKS, CoolingDegraded
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Finding
from loadlog.model.learned import Knowledge
from loadlog.model.sample import Quality, Sample, Stamp
from loadlog.sim.thermal import Heatsink, HeatsinkForm
from tests.checklists.traces import T0_NS, fresh_random, load_spec, number

PERIOD_S = 2.0
LOAD = load_spec(period_s=PERIOD_S, slow=1, group="g")
ROOM = DeviceSpec("room", "thermometer", "bus", PERIOD_S, (number("ambient_c", "°C", "0.1", None, possible_low=-270.0),), group="g")


def heatsink(rnd: random.Random) -> Heatsink:
    """Slow time constants from one to five minutes, 15 to 40 K over the air at 150 W."""
    rise = rnd.uniform(15.0, 40.0) / 150.0
    slow_s, share = math.exp(rnd.uniform(math.log(60), math.log(300))), rnd.uniform(0.1, 0.35)
    return Heatsink(HeatsinkForm(share * rise, slow_s / rnd.uniform(8, 25), (1 - share) * rise, slow_s))


class Desk:
    """A detector, the heatsink that it watches, and the room."""

    def __init__(self, rnd: random.Random, *, measures_air: bool = True, device: DeviceSpec = LOAD) -> None:
        self.rnd, self.sink, self.device = rnd, heatsink(rnd), device
        self.detector = CoolingDegraded(device)
        self.air_c, self.power_w, self.n, self.measures_air = 23.0, 150.0, 0, measures_air
        self.room = Peer(ROOM, deque(maxlen=24))
        self.context = Context(device, peers={"room": self.room} if measures_air else {})
        self.found: list[tuple[float, Finding]] = []

    def again(self) -> None:
        """The service was started again."""
        known = {one.name: one for one in self.detector.learned()}
        self.detector = CoolingDegraded(self.device)
        self.detector.recall(known)

    def run(self, for_s: float, each: Callable[[float], None] = lambda t_s: None) -> list[tuple[float, Finding]]:
        """What is found meanwhile, with the time since the beginning of this stretch."""
        found = []
        for k in range(int(for_s / PERIOD_S)):
            each(k * PERIOD_S)
            self.n += 1
            self.sink.step(self.power_w, PERIOD_S)
            stamp = Stamp(T0_NS + round(self.n * PERIOD_S * 1e9), 1_000_000)
            air = round(self.air_c + self.rnd.gauss(0, 0.05), 1)
            if self.measures_air:
                self.room.take(Sample(self.n, "room", stamp, Quality.GOOD, {}, {"ambient_c": air}, {}))
            reading = round(self.air_c + self.sink.rise_k + self.rnd.gauss(0, 0.05), 1)
            values = {"temperature_c": reading, "power_w": self.power_w + self.rnd.gauss(0, 0.05)}
            sample = Sample(self.n, self.device.name, stamp, Quality.GOOD, {}, values, {})
            found += [(k * PERIOD_S, f) for f in self.detector.update(sample, self.context)]
        self.found += found
        return found


def test_a_fan_that_stops_is_told_and_its_return_too() -> None:
    for _ in range(8):
        desk = Desk(fresh_random())
        assert desk.run(3600.0) == []
        desk.sink.fan_runs = False
        ((t_s, told),) = desk.run(3600.0)
        slow_s = desk.sink._slow.tau_s
        assert told.kind == "cooling_degraded"
        assert t_s < 2.0 * slow_s, "long before it has settled"
        assert told.onset.latest_utc_ns >= T0_NS + 3600 * 10**9 > told.onset.earliest_utc_ns - 60 * 10**9
        desk.sink.fan_runs = True
        ((_, ended),) = desk.run(3600.0)
        assert ended.clear


def test_days_of_load_steps_and_a_changing_room_are_quiet() -> None:
    """Powers from idle to full, a room that jumps by up to 16 K; 100 device-hours."""
    for _ in range(10):
        rnd = fresh_random()
        desk = Desk(rnd)
        levels = [rnd.uniform(10.0, 300.0) for _ in range(4)]

        def each(t_s: float, desk: Desk = desk, rnd: random.Random = rnd, levels: list[float] = levels) -> None:
            if rnd.random() < PERIOD_S / 1500.0:
                desk.power_w = rnd.choice([0.0, *levels])
            if rnd.random() < PERIOD_S / 1500.0:
                desk.air_c = rnd.uniform(15.0, 31.0)

        assert desk.run(10 * 3600.0, each) == [], "nothing got worse"


def test_warmer_air_that_nobody_measures_is_not_called_bad_cooling() -> None:
    desk = Desk(fresh_random(), measures_air=False)
    desk.run(3600.0)
    desk.air_c += 10.0
    assert desk.run(7200.0) == []


def test_without_the_airs_temperature_a_great_excess_is_told_with_its_alternative() -> None:
    desk = Desk(fresh_random(), measures_air=False)
    desk.power_w = 250.0
    desk.run(3600.0)
    desk.sink.fan_runs = False
    ((_, told),) = desk.run(3600.0)
    assert told.confidence < 0.9
    assert "warmer_air" in told.alternatives
    assert "air" in told.message


@pytest.mark.parametrize("factor", [1.4, 2.0])
def test_dust_is_told_at_the_growth_that_it_makes(factor: float) -> None:
    desk = Desk(fresh_random())
    desk.run(3600.0)

    def each(t_s: float) -> None:
        desk.sink.blocked_factor = 1.0 + (factor - 1.0) * min(t_s / 1200.0, 1.0)

    ((_, told),) = desk.run(7200.0, each)
    evidence = told.evidence
    before = (desk.sink._fast.r_k_per_w + desk.sink._form.slow_k_per_w) * desk.power_w
    assert evidence["expected_rise_k"] == pytest.approx(before, rel=0.03)
    assert evidence["excess_k"] >= 0.15 * before


def test_what_was_learned_is_said_taken_up_again_and_can_be_fixed() -> None:
    desk = Desk(fresh_random())
    desk.run(500.0)  # to have settled and to learn takes 600 s at least, whatever the body
    (waiting, *_) = desk.detector.learned()
    assert waiting.waits
    desk.run(3600.0)
    known = {one.name: one for one in desk.detector.learned()}
    fact = known["thermal_resistance_k_per_w"]
    assert fact.state is Knowledge.LEARNED
    assert fact.n >= LEARN_BLOCKS
    truth = desk.sink._fast.r_k_per_w + desk.sink._form.slow_k_per_w
    assert fact.value == pytest.approx(truth, rel=0.02)
    desk.again()
    desk.sink.fan_runs = False
    assert [f.kind for _, f in desk.run(1800.0)] == ["cooling_degraded"], "nothing had to be learned again"

    given = Desk(fresh_random(), device=replace(LOAD, fixed={"thermal_resistance_k_per_w": 0.1}))
    given.sink = Heatsink(HeatsinkForm(0.02, 4.0, 0.13, 90.0))
    assert [f.kind for _, f in given.run(1800.0)] == ["cooling_degraded"], "0.15 K/W instead of the 0.1 that was promised"


def test_a_gap_is_no_cooling_and_no_heating() -> None:
    desk = Desk(fresh_random())
    desk.run(3600.0)
    desk.n += 5000
    assert desk.run(3600.0) == []
