"""Scales are exact, and an accuracy specification becomes a standard uncertainty as the GUM says."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadlog.model.quantity import Accuracy, Scale, standard_uncertainty, unit_of

SCALES = st.sampled_from(["1", "0.1", "0.01", "0.001", "0.0001", "2.5", "0.00025", "10", "-0.1", "1e-6"])


@given(st.integers(-(2**63), 2**63 - 1), SCALES, st.sampled_from(["0", "-273.15", "0.5", "-40"]))
def test_value_is_the_nearest_double_of_the_exact_product(count: int, factor: str, offset: str) -> None:
    exact = count * Fraction(factor) + Fraction(offset)
    assert Scale.of(factor, offset).value(count) == float(exact)


@given(st.integers(-(10**9), 10**9), SCALES, st.sampled_from(["0", "-273.15", "-40"]))
def test_count_of_value_is_the_count(count: int, factor: str, offset: str) -> None:
    scale = Scale.of(factor, offset)
    assert scale.count(scale.value(count)) == count


def test_a_thousandth_is_a_thousandth() -> None:
    assert Scale.of("0.001").value(24_012) == 24.012
    assert Scale.of(0.001).value(24_012) == 24.012


def test_specification_to_standard_uncertainty() -> None:
    """± (0.05 % + 5 counts of 1 mV) at 12 V is 11 mV; /√3 = 6.351 mV; resolution 1/√12 = 0.2887 (JCGM 100:2008 4.3.7, F.2.2.1)."""
    accuracy = Accuracy(0.05, 0.005)
    assert accuracy.half_width(12.0) == pytest.approx(0.011, rel=1e-12)
    assert standard_uncertainty(12.0, accuracy, 0.0) == pytest.approx(0.006351, abs=5e-7)
    assert standard_uncertainty(12.0, None, 1.0) == pytest.approx(0.2887, abs=5e-5)
    assert standard_uncertainty(-12.0, accuracy, 0.001) == pytest.approx(math.hypot(0.011 / math.sqrt(3), 0.001 / math.sqrt(12)))


@pytest.mark.parametrize(
    ("channel", "unit"),
    [
        ("voltage_v", "V"),
        ("charge_ah", "A·h"),
        ("temperature_c", "°C"),
        ("fan_rpm", "rpm"),
        ("setpoint", ""),
        ("input_on", ""),
        ("volts", None),
    ],
)
def test_the_last_part_of_a_name_is_its_unit(channel: str, unit: str | None) -> None:
    assert unit_of(channel) == unit
