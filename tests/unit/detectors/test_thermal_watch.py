"""Whether a step of the power explains a rise: drawn bodies by the simulator's physics, disturbed by a fan that stands, or not."""

from __future__ import annotations

import random

import pytest

from loadlog.detectors.thermal_watch import Watch
from loadlog.model.sample import Quality, Sample, Stamp
from loadlog.sim.thermal import Heatsink, HeatsinkForm
from tests.checklists.traces import T0_NS, fresh_random, load_spec

POWER_W, AIR_C = 200.0, 23.0
# 0.1 °C, read every 10 s from 9 s on; 38 W, from 717 s on 145 W; time constants 7.2 s and 239 s
ASTRAY = (
    243, 249, 252, 256, 260, 263, 266, 269, 272, 275, 277, 280, 282, 285, 287, 289, 290, 292, 295, 296, 298, 299, 301, 303, 305,
    305, 307, 308, 310, 310, 313, 313, 314, 315, 316, 316, 318, 318, 319, 319, 321, 321, 323, 323, 322, 324, 324, 324, 326, 326,
    327, 326, 327, 327, 328, 328, 329, 329, 330, 331, 330, 331, 331, 331, 331, 332, 332, 332, 332, 333, 332, 346, 375, 391, 403,
    412, 421, 430, 439, 448, 456, 463, 470, 477, 484, 490, 496, 502, 508, 514, 520, 524, 528, 533, 537, 542, 546, 550, 554, 557,
    561, 565, 566, 570, 573, 575, 578, 580, 583, 586, 588, 590, 592, 594, 596, 598, 600, 601, 603, 605,
)  # fmt: skip


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


def test_models_that_closed_in_on_the_slow_pole_as_the_fast_one_find_the_body_after_the_next_step() -> None:
    """Readings with which they did."""
    device = load_spec(period_s=1.0, slow=1)
    channel = next(c for c in device.channels if c.name == "temperature_c")
    watch = Watch(channel, device, {"high": 67.3}, 400.0)
    for n in range(10 * len(ASTRAY)):
        reading_c = 0.1 * ASTRAY[n // 10] if n % 10 == 9 else None
        sample = Sample(n, device.name, Stamp(T0_NS + n * 10**9, 1_000_000), Quality.GOOD, {}, {}, {})
        if watch.take(sample, reading_c, 38.1 if n < 717 else 145.5) and watch.is_due():
            watch.solve()
    known = watch.bank.time_constants()
    assert known is not None
    assert known[0].tau_s == pytest.approx(7.2, rel=0.1)
    assert known[1].tau_s == pytest.approx(239.0, rel=0.03)
