"""Whether a step of the power explains a rise: drawn bodies by the simulator's physics, disturbed by a fan that stands, or not."""

from __future__ import annotations

import random

import pytest

from loadlog.detectors.thermal_watch import Watch
from loadlog.model.sample import Quality, Sample, Stamp
from loadlog.sim.thermal import Heatsink, HeatsinkForm
from tests.checklists.traces import T0_NS, fresh_random, load_spec

POWER_W, AIR_C = 200.0, 23.0


def drawn(rnd: random.Random) -> HeatsinkForm:
    """A body that settles 24 to 50 K above the air."""
    return HeatsinkForm(rnd.uniform(0.02, 0.05), rnd.uniform(3.0, 10.0), rnd.uniform(0.1, 0.2), rnd.uniform(100.0, 300.0))


def watched(rnd: random.Random, form: HeatsinkForm, until_s: float, stops_s: float, warmer_k: float = 0.0) -> Watch:
    """Switched on at the first reading; at ``stops_s`` the fan stops, or the air is warmer."""
    device, sink, seq = load_spec(period_s=1.0, slow=1), Heatsink(form), 0
    channel = next(c for c in device.channels if c.name == "temperature_c")
    watch = Watch(channel, device, {"high": 60.0}, 400.0)
    while seq < until_s:
        sink.fan_runs = seq < stops_s or bool(warmer_k)
        sink.step(POWER_W, 1.0)
        reading = round((AIR_C + sink.rise_k + (warmer_k if seq >= stops_s else 0.0) + rnd.gauss(0.0, 0.04)) / 0.1) * 0.1
        seq += 1
        sample = Sample(seq, device.name, Stamp(T0_NS + seq * 10**9, 1_000_000), Quality.GOOD, {}, {}, {})
        if watch.take(sample, reading, POWER_W) and watch.is_due():
            watch.solve()
    return watch


def test_step_of_the_power_explains_an_undisturbed_climb() -> None:
    rnd = fresh_random()
    forms = [drawn(rnd) for _ in range(20)]
    explained = [watched(rnd, form, 2.0 * form.slow_tau_s, float("inf")).explained for form in forms]
    assert sum(explained) >= 15


@pytest.mark.parametrize("warmer_k", [0.0, 3.0])
def test_fan_that_stops_or_air_that_is_warmer_in_the_midst_of_a_climb_is_not_explained_by_the_power(warmer_k: float) -> None:
    rnd = fresh_random()
    forms = [drawn(rnd) for _ in range(20)]
    explained = [watched(rnd, form, 0.75 * form.slow_tau_s, 0.5 * form.slow_tau_s, warmer_k).explained for form in forms]
    assert sum(explained) <= 4


def test_next_step_of_the_power_explains_again() -> None:
    rnd = fresh_random()
    watch = watched(rnd, drawn(rnd), 200.0, 80.0, 8.0)
    assert not watch.explained
    stamp = Stamp(watch.last_ns + 2 * 10**9, 1_000_000)
    watch.take(Sample(1000, "load-1", stamp, Quality.GOOD, {}, {}, {}), 50.0, 0.0)
    assert watch.explained
