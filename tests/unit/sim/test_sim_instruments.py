"""Readings stay within the accuracy that the manual states; settings and protections behave as it says."""

from __future__ import annotations

import itertools

import pytest

from loadlog.sim import noise
from loadlog.sim.circuit import Mode
from loadlog.sim.instruments import (
    CURRENT,
    HEATSINK,
    METER,
    POWER,
    THERMOCOUPLE,
    VOLTAGE,
    Channel,
    LoadFront,
    Precision,
    Ratings,
)

# from MANUAL.md: percent of reading, counts, size of a count, range to try
SPECIFIED = {
    "voltage": (VOLTAGE, 0.05, 10, 1e-3, 150.0),
    "current": (CURRENT, 0.1, 10, 1e-3, 40.0),
    "power": (POWER, 0.2, 10, 1e-2, 400.0),
    "temperature": (HEATSINK, 0.0, 20, 0.1, 90.0),
    "thermocouple": (THERMOCOUPLE, 0.1, 10, 0.1, 400.0),
    "meter": (METER, 0.005, 5, 1e-4, 100.0),
}


@pytest.mark.parametrize("name", SPECIFIED)
def test_readings_stay_within_the_specified_accuracy(name: str) -> None:
    """400 instruments, five values each over the range, 40 conversions each; rounding adds at most half a count."""
    precision, percent, counts, count, top = SPECIFIED[name]
    for seed in range(400):
        channel = Channel(precision, noise.key_of(seed, name))
        for part in range(5):
            true = top * part / 4
            allowed = abs(true) * percent / 100 + counts * count + 0.5 * count
            errors = [abs(channel.read(true, seed * 1000 + k) * count - true) for k in range(40)]
            assert max(errors) <= allowed


@pytest.mark.parametrize("name", SPECIFIED)
def test_instruments_differ_and_use_a_good_part_of_their_specification(name: str) -> None:
    precision = SPECIFIED[name][0]
    offsets = [Channel(precision, noise.key_of(seed, name)).offset for seed in range(200)]
    assert max(offsets) > 0.4 * precision.counts * precision.count
    assert min(offsets) < -0.4 * precision.counts * precision.count


def test_noise_is_white_and_of_the_stated_size() -> None:
    channel = Channel(Precision(0.0, 0.0, 1.0, 20.0), noise.key_of(1, "n"))
    values = [channel.read(0.0, k) for k in range(20_000)]
    mean = sum(values) / len(values)
    variance = sum((v - mean) ** 2 for v in values) / len(values)
    lag_one = sum((a - mean) * (b - mean) for a, b in itertools.pairwise(values)) / len(values) / variance
    assert mean == pytest.approx(0.0, abs=0.6)
    assert variance**0.5 == pytest.approx(20.0, rel=0.03)
    assert abs(lag_one) < 0.03


def test_uniform_draws_are_even_and_independent_of_order() -> None:
    key = noise.key_of(9, "x")
    forward = [noise.uniform(key, k) for k in range(5000)]
    assert [noise.uniform(key, k) for k in reversed(range(5000))] == forward[::-1]
    assert all(0.0 < u < 1.0 for u in forward)
    assert sum(forward) / 5000 == pytest.approx(0.5, abs=0.02)
    assert sum(u < 0.1 for u in forward) / 5000 == pytest.approx(0.1, abs=0.02)


def _front(**more: float) -> LoadFront:
    return LoadFront(Mode.CC, 5.0, True, False, more.get("undervoltage_v", 0.0), noise.key_of(1, "f"), Ratings())


@pytest.mark.parametrize(
    ("mode", "level", "percent", "counts"), [("CC", 5.0, 0.1, 1e-2), ("CV", 24.0, 0.05, 1e-2), ("CP", 100.0, 0.2, 0.1)]
)
def test_set_points_are_kept_within_the_accuracy_of_the_reading(mode: str, level: float, percent: float, counts: float) -> None:
    for seed in range(200):
        front = LoadFront(Mode(mode), level, True, False, 0.0, noise.key_of(seed, "f"), Ratings())
        assert abs(front.real_level - level) <= level * percent / 100 + counts


def test_zero_is_zero() -> None:
    front = _front()
    front.order_level(0.0)
    assert front.real_level == 0.0


@pytest.mark.parametrize(
    ("volts", "amperes", "celsius", "bit"),
    [
        (151.0, 1.0, 30.0, "over_voltage"),
        (5.0, 43.0, 30.0, "over_current"),
        (100.0, 4.5, 30.0, "over_power"),
        (24.0, 1.0, 86.0, "over_temperature"),
        (-5.0, 0.0, 30.0, "reverse_polarity"),
    ],
)
def test_each_rating_trips_its_own_bit_and_switches_the_input_off(volts: float, amperes: float, celsius: float, bit: str) -> None:
    front = _front()
    tripped = [name for _ in range(5) for name in front.watch(volts, amperes, celsius)]
    assert tripped == [bit]
    assert front.latched == {bit}
    assert not front.input_on
    front.switch(True)
    assert front.latched == set()


def test_undervoltage_stop_ends_the_current_and_leaves_the_input_on() -> None:
    front = _front(undervoltage_v=30.0)
    assert [name for _ in range(5) for name in front.watch(29.9, 3.0, 30.0)] == ["undervoltage_stop"]
    assert front.input_on
    assert not front.conducts
    front.switch(False)
    front.switch(True)
    assert front.conducts


def test_within_ratings_nothing_trips() -> None:
    front = _front(undervoltage_v=30.0)
    assert [front.watch(36.0, 10.0, 60.0) for _ in range(100)] == [[]] * 100


def test_each_mode_keeps_its_own_set_point() -> None:
    front = _front()
    front.order_mode(Mode.CP)
    assert front.level == 0.0
    front.order_level(50.0)
    front.order_mode(Mode.CC)
    assert front.level == 5.0
    front.order_mode(Mode.CP)
    assert front.level == 50.0
