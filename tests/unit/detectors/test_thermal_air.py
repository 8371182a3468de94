"""The air's temperature without its readings' noise: what is read scatters and rounds as a thermometer's does, the air itself is drawn."""

from __future__ import annotations

import math
import random
import statistics
from collections.abc import Callable
from dataclasses import replace

import pytest

from loadlog.detectors import Context, Peer
from loadlog.detectors.heating import TemperatureRising
from loadlog.detectors.thermal_air import Air
from loadlog.model.device import DeviceSpec, LimitSpec
from loadlog.model.sample import Quality, Sample, Stamp
from loadlog.sim.thermal import Heatsink, HeatsinkForm
from tests.checklists.traces import T0_NS, fresh_random, load_spec, number

COUNT_K, NOISE_K, PERIOD_S = 0.1, 0.04, 2.0
ROOM = DeviceSpec("room", "thermometer", "bus", PERIOD_S, (number("ambient_c", "°C", "0.1"),), group="g")
OWN_AIR = number("ambient_c", "°C", "0.1")


def read(rnd: random.Random, air_c: float, noise_k: float = NOISE_K) -> float:
    """One reading."""
    return round((air_c + rnd.gauss(0.0, noise_k)) / COUNT_K) * COUNT_K


def at_ns(t_s: float) -> int:
    return T0_NS + round(t_s * 1e9)


def followed(
    rnd: random.Random, one: Air, air_c: Callable[[float], float], until_s: float, noise_k: float = NOISE_K, from_s: float = 0.0
) -> list[tuple[float, float]]:
    """What was read, and what was taken for the air's temperature, from ``from_s`` on."""
    out = []
    for n in range(int((until_s - from_s) / PERIOD_S)):
        t_s = from_s + n * PERIOD_S
        reading = read(rnd, air_c(t_s), noise_k)
        out.append((reading, one.take(reading, at_ns(t_s))))
    return out


@pytest.mark.parametrize("noise_k", [0.05, 0.5])  # as the resolution lets expect, and far more
def test_noise_falls_and_its_size_is_learned(noise_k: float) -> None:
    rnd = fresh_random()
    ratios, learned = [], []
    for _ in range(20):
        one, true_c = Air(COUNT_K), rnd.uniform(15.0, 30.0)
        seen = followed(rnd, one, lambda _, c=true_c: c, 600.0, noise_k)[150:]  # type: ignore[misc]
        of_reading = statistics.pstdev(r for r, _ in seen)
        ratios.append(statistics.pstdev(c for _, c in seen) / of_reading)
        learned.append(one.deviation_k / of_reading)
    assert statistics.median(ratios) < 0.1
    assert statistics.median(learned) == pytest.approx(1.0, rel=0.3)


def test_first_reading_is_kept_while_the_average_does_not_contradict_it() -> None:
    one = Air(COUNT_K)
    assert {one.take(reading_c, at_ns(PERIOD_S * n)) for n, reading_c in enumerate((23.1, 23.0, 23.2, 23.0, 23.1))} == {23.1}


@pytest.mark.parametrize("step_k", [-3.0, 0.6, 8.0])
def test_step_of_the_air_comes_through_with_its_first_reading(step_k: float) -> None:
    rnd = fresh_random()
    one = Air(COUNT_K)
    after = followed(rnd, one, lambda t: 23.0 + (step_k if t >= 200.0 else 0.0), 300.0)[100:]
    assert all(abs(taken - 23.0 - step_k) < 0.3 for _, taken in after)


def test_single_strange_reading_leaves_the_level_where_it_was() -> None:
    rnd = fresh_random()
    one = Air(COUNT_K)
    before = followed(rnd, one, lambda _: 23.0, 200.0)[-1][1]
    assert one.take(26.0, at_ns(200.0)) == 26.0
    assert one.take(20.0, at_ns(202.0)) == 20.0  # strange to the other side: no step either
    assert one.take(23.0, at_ns(204.0)) == pytest.approx(before, abs=0.06)


def test_drift_comes_through_and_lags_by_little() -> None:
    """0.1 K a minute for half an hour."""
    rnd = fresh_random()
    lags = []
    for _ in range(10):
        seen = followed(rnd, Air(COUNT_K), lambda t: 20.0 + t / 600.0, 1800.0)
        lags += [20.0 + n * PERIOD_S / 600.0 - taken for n, (_, taken) in enumerate(seen)][100:]
    assert statistics.fmean(lags) < 0.32
    assert max(map(abs, lags)) < 0.5


def test_readings_after_a_gap_count_for_more() -> None:
    """0.14 K warmer, no step: believed at once after an hour, not within ten seconds."""
    taken = []
    for gap_s in (PERIOD_S, 3600.0):
        one = Air(COUNT_K)
        for n in range(200):
            one.take(23.0, at_ns(PERIOD_S * n))
        for n in range(5):
            last_c = one.take(23.14, at_ns(PERIOD_S * (199 + n) + gap_s))
        taken.append(last_c)
    assert taken[0] == 23.0
    assert 23.01 < taken[1] < 23.14


def test_clock_that_went_back_begins_anew() -> None:
    one = Air(COUNT_K)
    one.take(23.0, at_ns(100.0))
    one.take(23.1, at_ns(102.0))
    assert one.take(23.4, at_ns(50.0)) == 23.4


def sample_of(seq: int, t_s: float, device: str, values: dict[str, float], held: frozenset[str] = frozenset()) -> Sample:
    return Sample(seq, device, Stamp(at_ns(t_s), 1_000_000), Quality.GOOD, {}, dict(values), {}, held=held)


def test_reading_that_is_held_counts_once_and_air_that_vanishes_is_not_known() -> None:
    room, device = Peer(ROOM), load_spec(slow=1)
    context, one, only_once = Context(device, peers={"room": room}), Air(COUNT_K), Air(COUNT_K)
    assert one.at(sample_of(1, 0.0, device.name, {}), context) is None
    for n, reading_c in enumerate((23.0, 23.2, 23.1)):
        room.take(sample_of(n + 1, PERIOD_S * n, "room", {"ambient_c": reading_c}))
        expected_c = only_once.take(reading_c, at_ns(PERIOD_S * n))
        for part_s in (0.0, 0.5, 1.5):
            assert one.at(sample_of(10 * n, PERIOD_S * n + part_s, device.name, {}), context) == expected_c
            assert one.deviation_k == only_once.deviation_k
    for n in range(30):
        room.take(sample_of(10 + n, 10.0 + PERIOD_S * n, "room", {}))
    assert one.at(sample_of(100, 80.0, device.name, {}), context) is None
    room.take(sample_of(50, 90.0, "room", {"ambient_c": 23.1}))
    assert one.at(sample_of(101, 90.0, device.name, {}), context) == pytest.approx(23.1, abs=0.25)


def test_own_reading_that_is_held_counts_once() -> None:
    """Samples need not be numbered yet."""
    device = load_spec(slow=1)
    context, one, name = Context(device), Air(COUNT_K), device.name
    held = frozenset({"ambient_c"})
    assert one.at(sample_of(0, 0.0, name, {"ambient_c": 23.0}, held), context) == 23.0  # better than none
    before = one.deviation_k
    assert one.at(sample_of(0, 2.0, name, {"ambient_c": 23.2}), context) is not None
    learned = one.deviation_k
    assert learned != before
    one.at(sample_of(0, 4.0, name, {"ambient_c": 23.2}, held), context)
    assert one.deviation_k == learned


def deviation_k(
    rnd: random.Random, form: HeatsinkForm, power_w: float, until_s: float, limit_c: float, noise_k: float | None, first_s: int = 0
) -> float:
    """Where it settles, after a first climb for ``until_s``: the forecast's deviation. Read at 1 Hz, the air every second time; exactly
    where there is no ``noise_k``; from ``first_s`` on."""
    made = load_spec(period_s=1.0, slow=1)
    channels = tuple(replace(c, high=None) if c.name == "temperature_c" else c for c in made.channels)
    device = replace(made, channels=channels, limits={"temperature_c": LimitSpec(high=limit_c)})
    room, one, sink = Peer(ROOM), TemperatureRising(device), Heatsink(form)
    context = Context(device, peers={"room": room})
    for n in range(int(until_s)):
        sink.step(power_w, 1.0)
        if n % 2 == 0 and n >= first_s:
            room.take(sample_of(n, n, "room", {"ambient_c": 23.0 if noise_k is None else read(rnd, 23.0, noise_k)}))
        one.update(sample_of(n + 1, n, device.name, {"temperature_c": read(rnd, 23.0 + sink.rise_k), "power_w": power_w}), context)
    return one.forecasts()["temperature_c.high"].final_deviation_k


def test_forecast_knows_as_much_where_the_air_is_read_with_noise_as_where_it_is_known() -> None:
    rnd = fresh_random()
    ratios = []
    for _ in range(24):
        form = HeatsinkForm(rnd.uniform(0.02, 0.06), rnd.uniform(3.0, 15.0), rnd.uniform(0.1, 0.3), rnd.uniform(80.0, 400.0))
        power_w = rnd.uniform(20.0, 45.0) / (form.fast_k_per_w + form.slow_k_per_w)
        limit_c = 23.0 + power_w * (form.fast_k_per_w + form.slow_k_per_w) - 5.0
        known, noisy = (deviation_k(rnd, form, power_w, 0.6 * form.slow_tau_s, limit_c, noise) for noise in (None, 0.06))
        ratios.append(math.log(noisy / known))
    ratio = math.exp(statistics.median(ratios))
    print(f"median ratio {ratio:.3f}")
    assert ratio < 1.15


def test_what_was_read_before_the_air_counts_from_its_first_reading_on() -> None:
    form, seed = HeatsinkForm(0.04, 8.0, 0.2, 150.0), fresh_random().random()
    at_once, later = (deviation_k(random.Random(seed), form, 150.0, 60.0, 55.0, None, first_s) for first_s in (0, 4))
    assert later == pytest.approx(at_once, rel=1e-9)
