"""Capacity, internal resistance and Peukert against closed forms, measured pulses and an independent cell model."""

from __future__ import annotations

import numpy as np
import pytest

from loadlog.analysis import chunk_of_arrays
from loadlog.analysis.battery import Discharge, TwoCurrent, against_rated, peukert_exponent, peukert_hours
from loadlog.model.errors import UsageError
from tests.unit.analysis.instruments_of_tests import CURRENT, EXACT_A, EXACT_V, VOLTAGE, split, table, with_bad


def linear_discharge(n: int = 7201) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rest of 10 s, then 5 A while the voltage falls from 4.2 V by 1 V an hour."""
    t = np.arange(-10.0, n - 10)
    i = np.where(t > 0, 5.0, 0.0)
    return t, 4.2 - np.maximum(t, 0) / 3600, i


@pytest.mark.parametrize("cuts", [(), (5,), (10,), (11,), (500, 4330, 4331, 4332)])
def test_capacity_and_energy_to_the_cutoff(cuts: tuple[int, ...]) -> None:
    """3.0 V is reached after 1.2 h: 6 A·h less half a sample at the start, and 6 · 3.6 W·h."""
    t, v, i = linear_discharge()
    discharge = Discharge(EXACT_V, EXACT_A, 2.5, cutoff_v=3.0 - 1e-4)
    for part in split(chunk_of_arrays(t, voltage_v=v, current_a=i), *cuts):
        discharge.add(part)
    capacity, energy, mean = discharge.capacity(), discharge.energy(), discharge.mean_voltage()
    true = 5 * (1.2 * 3600 + 0.36 - 0.5) / 3600
    assert capacity.value == pytest.approx(true, abs=1e-9)
    assert capacity.low <= true <= capacity.high
    assert capacity.high - capacity.low == pytest.approx(5 / 3600, rel=1e-6)
    assert energy.value == pytest.approx(true * 3.6, rel=2e-4)
    assert mean.value == pytest.approx(3.6, rel=2e-4)
    assert mean.uncertainty < 0.001


def test_the_discharge_ends_at_the_first_crossing() -> None:
    """The voltage recovers when the load is off; what is drawn later does not count."""
    t, v, i = linear_discharge()
    v = np.where(t > 5000, 3.5, v)
    discharge = Discharge(EXACT_V, EXACT_A, 2.5, cutoff_v=3.0)
    discharge.add(chunk_of_arrays(t, voltage_v=v, current_a=i))
    assert discharge.capacity().value == pytest.approx(6.0, rel=2e-4)
    assert discharge.ended_utc_ns == pytest.approx(4320e9, abs=1.1e9)


def test_a_low_voltage_at_rest_is_no_cutoff() -> None:
    discharge = Discharge(EXACT_V, EXACT_A, 2.5, cutoff_v=3.0)
    t = np.arange(100.0)
    discharge.add(chunk_of_arrays(t, voltage_v=np.where(t < 10, 0.0, 4.0), current_a=np.where(t < 12, 0.0, 5.0)))
    assert discharge.ended_utc_ns is None
    assert any("not reached" in note for note in discharge.capacity().notes)


def test_a_gap_before_the_cutoff_is_bounded() -> None:
    t, v, i = linear_discharge()
    hole = (t > 1000) & (t < 1720)
    discharge = Discharge(EXACT_V, EXACT_A, 2.5, cutoff_v=3.0)
    discharge.add(chunk_of_arrays(t[~hole], voltage_v=v[~hole], current_a=i[~hole]))
    capacity = discharge.capacity()
    assert capacity.value == pytest.approx(5.0, rel=2e-4)
    assert capacity.details["bridged_ah"] == pytest.approx(6.0, rel=2e-4)
    assert capacity.low <= 5.0
    assert capacity.high >= 6.0 - 1e-3


def test_no_discharge() -> None:
    discharge = Discharge(VOLTAGE, CURRENT, 2.5, cutoff_v=3.0)
    discharge.add(chunk_of_arrays(np.arange(10.0), voltage_v=np.full(10, 4.0), current_a=np.zeros(10)))
    for figure in (discharge.capacity(), discharge.energy(), discharge.mean_voltage()):
        assert figure.value is None
        assert "no sample with at least" in figure.why_not


def test_against_rated() -> None:
    t, v, i = linear_discharge()
    discharge = Discharge(EXACT_V, EXACT_A, 2.5, cutoff_v=3.0)
    discharge.add(chunk_of_arrays(t, voltage_v=v, current_a=i))
    assert against_rated(discharge.capacity(), 8.0).value == pytest.approx(75.0, rel=2e-4)
    with pytest.raises(UsageError, match="positive"):
        against_rated(discharge.capacity(), 0.0)


# -- internal resistance


@pytest.mark.parametrize(("read_s", "milliohm"), [(1.0, 21.874), (0.9, 21.703), (1.1, 22.042)])
def test_two_current_method_closed_form(read_s: float, milliohm: float) -> None:
    """R0 20 mΩ, R1 10 mΩ with τ 5 s, 0.4 A for 10 s from rest, then 2 A: after 1 s 21.874 mΩ; 0.1 s early or late 21.703 and 22.042."""
    fine = 0.01
    t = np.arange(0, 13, fine)
    i = np.where(t < 10 - 1e-9, 0.4, 2.0)
    before = 0.4 * 10e-3 * (1 - np.exp(-np.minimum(t, 10) / 5))
    after = np.where(t > 10, 2.0 * 10e-3 * (1 - np.exp(-(t - 10) / 5)) + before * (np.exp(-np.maximum(t - 10, 0) / 5) - 1), 0.0)
    v = 3.7 - 20e-3 * i - before - after
    # The voltage polled last before the step and `read_s` after it.
    keep = (np.abs(t - (10 - fine)) < 1e-6) | (np.abs(t - (10 + read_s)) < 1e-6) | (np.abs(t - 10.005) < 0.006)
    two = TwoCurrent(EXACT_V, EXACT_A, 2.0, after_s=(read_s,), min_step_a=0.5)
    two.add(chunk_of_arrays(t[keep], voltage_v=v[keep], current_a=i[keep]))
    (step,) = two.steps()
    assert step.resistance.value * 1000 == pytest.approx(milliohm, abs=0.003)
    assert step.after_s[0] <= read_s <= step.after_s[1]


PULSES = {1: (1.77, 2.60, 3.33), 4: (1.53, 2.00, 2.47), 6: (1.57, 2.03, 2.53)}


@pytest.mark.parametrize("cuts", [(), (3,), (4, 24, 63), tuple(range(1, 80))])
@pytest.mark.parametrize("number", PULSES)
def test_measured_pulses(number: int, cuts: tuple[int, ...]) -> None:
    """30 A pulses of a 33.1 Ah cell at 25 °C (ORNL 2019, doi 10.5281/zenodo.2580327), mΩ after 0.5, 10 and 30 s."""
    rows = [r for r in table("pouch33Ah_pulse_25C.csv") if r["pulse_no"] == str(number)]
    t, v, i = (np.array([float(r[k]) for r in rows]) for k in ("time_s", "voltage_V", "current_A"))
    two = TwoCurrent(VOLTAGE, CURRENT, 90.0, after_s=(0.5, 10.0, 30.0), min_step_a=5.0)
    for part in split(chunk_of_arrays(t, voltage_v=v, current_a=-i), *(c for c in cuts if c < len(t))):
        two.add(part)
    found = [s for s in two.steps() if abs(s.i1_a) < 0.1 and s.i2_a > 29]
    assert [round(s.resistance.value * 1000, 2) for s in found] == list(PULSES[number])
    assert [s.after_s for s in found] == [(0.0, 0.5), (9.5, 10.0), (29.5, 30.0)]
    assert all("after the step from" in s.resistance.notes[0] for s in found)


def test_a_step_that_takes_two_samples_is_one_step() -> None:
    t = np.arange(0.0, 20.0)
    i = np.concatenate((np.full(8, 1.0), [3.0], np.full(11, 5.0)))
    two = TwoCurrent(EXACT_V, EXACT_A, 2.5, after_s=(3.0,), min_step_a=1.0)
    two.add(chunk_of_arrays(t, voltage_v=12 - 0.02 * i, current_a=i))
    (step,) = two.steps()
    assert (step.i1_a, step.i2_a) == (1.0, 5.0)
    assert step.resistance.value == pytest.approx(0.02)
    assert step.held_s == 7.0
    assert step.after_s == (1.0, 3.0)


def test_a_step_not_held_or_with_a_gap_gives_nothing() -> None:
    t = np.arange(0.0, 20.0)
    i = np.where((t > 5) & (t < 8), 5.0, 1.0)
    two = TwoCurrent(EXACT_V, EXACT_A, 2.5, after_s=(4.0,), min_step_a=1.0)
    two.add(chunk_of_arrays(t, voltage_v=12 - 0.02 * i, current_a=i))
    assert [(s.i1_a, s.i2_a) for s in two.steps()] == [(5.0, 1.0)]
    steps = TwoCurrent(EXACT_V, EXACT_A, 2.5, after_s=(4.0,), min_step_a=1.0)
    chunk = chunk_of_arrays(t, voltage_v=12 - 0.02 * i, current_a=np.where(t > 5, 5.0, 1.0))
    steps.add(with_bad(chunk, "voltage_v", (t > 6) & (t < 10)))
    assert steps.steps() == ()


def test_noise_is_no_step() -> None:
    rng = np.random.default_rng(2)
    two = TwoCurrent(VOLTAGE, CURRENT, 2.5)
    for k in range(5):
        t = np.arange(k * 1000.0, (k + 1) * 1000.0)
        two.add(chunk_of_arrays(t, voltage_v=np.full(1000, 12.0), current_a=5 + 0.003 * rng.standard_normal(1000)))
    assert two.steps() == ()


def test_memory_of_the_step_finder_is_bounded() -> None:
    two = TwoCurrent(VOLTAGE, CURRENT, 2.5)
    for k in range(20):
        t = np.arange(k * 1000.0, (k + 1) * 1000.0)
        two.add(chunk_of_arrays(t, voltage_v=np.full(1000, 12.0), current_a=np.full(1000, 5.0)))
    assert len(two._t) < 50


def test_a_load_that_pulses_all_night_keeps_so_many_steps() -> None:
    two = TwoCurrent(EXACT_V, EXACT_A, 2.5, after_s=(1.0,), min_step_a=1.0)
    for k in range(20):
        t = np.arange(k * 1000.0, (k + 1) * 1000.0)
        i = np.where((t // 5) % 2 == 0, 5.0, 1.0)
        two.add(chunk_of_arrays(t, voltage_v=12 - 0.02 * i, current_a=i))
    assert len(two.steps()) == 1000
    figure = two.resistance()
    assert figure.value == pytest.approx(0.02)
    assert figure.details["lowest_ohm"] == pytest.approx(figure.details["highest_ohm"])


def test_no_step_no_resistance() -> None:
    two = TwoCurrent(VOLTAGE, CURRENT, 2.5)
    assert "no step of the current" in two.resistance().why_not


# -- Peukert


def test_peukert_formula() -> None:
    """100 A·h at 20 h, n = 1.2, 10 A: 8.7055 h (formula from memory)."""
    assert peukert_hours(100, 20, 1.2, 10) == pytest.approx(8.7055, abs=5e-5)
    assert peukert_hours(100, 20, 1.2, 5) == pytest.approx(20.0)


@pytest.mark.parametrize(("rate", "n"), [("2C", 1.0177), ("3C", 1.0500)])
def test_peukert_of_the_measured_cell(rate: str, n: float) -> None:
    """Exponent against 1C from the durations; from the test system's own counters (30.34, 29.97, 28.72 A·h; ORNL 2019) it is
    1 + ln(Q1/Q2)/ln(I2/I1) = 1.0177 and 1.0500."""

    def discharge(name: str) -> tuple[float, float, float]:
        rows = [r for r in table(f"pouch33Ah_discharge_{name}.csv") if r["phase"] == "discharge"]
        return abs(float(rows[5]["current_A"])), float(rows[-1]["time_s"]) / 3600, abs(float(rows[-1]["counter_Ah"]))

    (i1, t1, q1), (i2, t2, q2) = discharge("1C"), discharge(rate)
    assert peukert_exponent(i1, t1, i2, t2) == pytest.approx(n, abs=2e-4)
    assert peukert_exponent(i1, t1, i2, t2) == pytest.approx(1 + np.log(q1 / q2) / np.log(i2 / i1), abs=4e-4)


@pytest.mark.parametrize("arguments", [(0, 1, 2, 3), (1, 1, 1, 2), (1, -1, 2, 3)])
def test_peukert_refuses(arguments: tuple[float, float, float, float]) -> None:
    with pytest.raises(UsageError):
        peukert_exponent(*arguments)
