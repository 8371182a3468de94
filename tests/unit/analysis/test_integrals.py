"""Charge and energy against closed forms and scipy's trapezoid; gaps stated, bounded, never filled in silence."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import trapezoid

from loadlog.analysis import Charge, Energy, Span, chunk_of_arrays
from loadlog.model.clock import NS
from loadlog.model.errors import UsageError
from tests.unit.analysis.instruments_of_tests import CURRENT, EXACT_A, EXACT_V, VOLTAGE, split, with_bad


def charge_of(t: np.ndarray, i: np.ndarray, gap_s: float = 10.0, span: Span | None = None, **more: float):
    charge = Charge(EXACT_A, gap_s)
    charge.add(chunk_of_arrays(t, current_a=i, **more))
    return charge.figure(span)


def test_constant_current_is_exact() -> None:
    """5 A for 3600 s are 5 A·h."""
    t = np.arange(3601.0)
    figure = charge_of(t, np.full(3601, 5.0))
    assert figure.value == pytest.approx(5.0, rel=1e-14)
    assert "not seen" not in figure.text()


@pytest.mark.parametrize(("n", "limit"), [(3601, 100e-6), (36001, 2e-6)])
def test_sine_at_uneven_instants(n: int, limit: float) -> None:
    """5 + 2 sin(2πt/60) A over an hour are 5 A·h; uneven samples err by tens of ppm at 1 s, below 1 ppm at 0.1 s."""
    rng = np.random.default_rng(3)
    t = np.sort(np.concatenate(([0.0, 3600.0], rng.uniform(0, 3600, n - 2))))
    figure = charge_of(t, 5 + 2 * np.sin(2 * np.pi * t / 60), gap_s=60)
    assert figure.value == pytest.approx(5.0, rel=limit)
    assert abs(figure.value - 5.0) < 4 * figure.uncertainty  # the stated uncertainty covers the error


def test_capacitor_through_a_resistor() -> None:
    """1 F over 2 Ω from 12 V to 6 V: 6 C and 54 J; with 101 points 6.000024 and 54.00086 by trapezoids."""
    t = np.linspace(0, 2 * np.log(2), 101)
    v = 12 * np.exp(-t / 2)
    charge, energy = Charge(EXACT_A, 1.0), Energy(EXACT_V, EXACT_A, 1.0)
    chunk = chunk_of_arrays(t, voltage_v=v, current_a=v / 2)
    charge.add(chunk)
    energy.add(chunk)
    assert charge.figure().value * 3600 == pytest.approx(6.000024, abs=1e-6)
    assert energy.figure().value * 3600 == pytest.approx(54.00086, abs=1e-5)
    assert abs(charge.figure().value * 3600 - 6) < 2 * charge.figure().uncertainty * 3600


def test_a_step_between_samples_stays_within_its_bound() -> None:
    """A 10 A step somewhere within 1 s: at most ΔI·Δt/2 = 5 A·s."""
    rng = np.random.default_rng(5)
    for when in rng.uniform(5.0, 6.0, 50):
        t = np.arange(0.0, 11.0)
        figure = charge_of(t, np.where(t > when, 10.0, 0.0))
        true = 10.0 * (10.0 - when)
        bound = figure.details["u_shape_ah"] * 3600 * np.sqrt(3)
        assert bound == pytest.approx(5.0)
        assert abs(figure.value * 3600 - true) <= bound + 1e-9


def test_never_simpson_on_uneven_steps() -> None:
    """Uneven instants at which Simpson's rule gives +166,533 A·s: the trapezoid is −100."""
    t = np.array([0, 10, 10.001, 20, 30, 30.001, 40])
    i = np.array([0, 0, -5, -5, -5, 0, 0.0])
    assert charge_of(t, i, gap_s=20).value * 3600 == pytest.approx(-100.0, abs=0.01)


def test_as_scipy_in_any_pieces() -> None:
    rng = np.random.default_rng(8)
    t = np.cumsum(rng.uniform(0.01, 2.0, 5000))
    i, v = rng.normal(5, 3, 5000), rng.normal(24, 1, 5000)
    whole = chunk_of_arrays(t, half_width_s=0.002, voltage_v=v, current_a=i)
    instants = np.rint(t * NS) / NS
    said: list[tuple[float, float]] = []
    for cuts in [(), (1,), (1, 2, 3), tuple(range(7, 5000, 617))]:
        charge, energy = Charge(CURRENT, 10.0), Energy(VOLTAGE, CURRENT, 10.0)
        for part in split(whole, *cuts):
            charge.add(part)
            energy.add(part)
        assert charge.figure().value * 3600 == pytest.approx(trapezoid(i, instants), rel=1e-11)
        assert energy.figure().value * 3600 == pytest.approx(trapezoid(v * i, instants), rel=1e-11)
        said.append((charge.figure().uncertainty, charge.figure().details["u_time_ah"]))
    assert all(one == pytest.approx(said[0], rel=1e-9) for one in said)


def test_the_accuracy_does_not_average_out() -> None:
    """± (0.05 % + 5 mA) at 5 A is ± 7.5 mA, rectangular: 4.34 mA; over an hour 4.34 mA·h however many samples."""
    for n in (61, 3601, 36001):
        charge = Charge(CURRENT, 100.0)
        charge.add(chunk_of_arrays(np.linspace(0, 3600, n), current_a=np.full(n, 5.0)))
        assert charge.figure().uncertainty == pytest.approx(np.hypot(7.5e-3 / np.sqrt(3), 1e-3 / np.sqrt(12)), rel=1e-6)


def test_uncertain_instants_against_chance() -> None:
    """Shaken instants: the spread of the charge is what the figure says of them (a staircase, so that instants matter)."""
    rng = np.random.default_rng(21)
    t = np.arange(0.0, 200.0)
    i = np.where((t // 20) % 2 == 0, 0.0, 8.0)
    half_width = 0.02
    charges = []
    for _ in range(400):
        charges.append(trapezoid(i, t + rng.uniform(-half_width, half_width, len(t))))
    said = charge_of(t, i, half_width_s=half_width).details["u_time_ah"] * 3600
    assert np.std(charges) == pytest.approx(said, rel=0.12)


def test_a_gap_is_stated_bounded_and_not_filled() -> None:
    t = np.concatenate((np.arange(0.0, 100.0), np.arange(300.0, 401.0)))
    figure = charge_of(t, np.full(len(t), 3.6), gap_s=2.5)
    assert figure.value == pytest.approx(0.199)
    assert figure.details["bridged_ah"] == pytest.approx(0.4)
    assert figure.details["gaps_s"] == pytest.approx(201.0)
    assert figure.coverage == pytest.approx(199 / 400)
    assert figure.low == pytest.approx(0.199)  # the current may have been off
    assert f"; with what was not seen {figure.low:.5g} to {figure.high:.5g} A·h" in figure.text()
    assert figure.high == pytest.approx(0.4)
    assert any("1 gap, 201 s" in note for note in figure.notes)


def test_bad_samples_make_a_gap() -> None:
    t = np.arange(0.0, 101.0)
    chunk = with_bad(chunk_of_arrays(t, current_a=np.full(101, 3.6)), "current_a", (t >= 40) & (t <= 59))
    charge = Charge(EXACT_A, 2.5)
    for part in split(chunk, 45, 50):
        charge.add(part)
    assert charge.figure().value == pytest.approx(0.079)
    (gap,) = charge.walk.gaps
    assert gap.length_s == 21.0


def test_edges_of_the_run_count() -> None:
    span = Span(0, 1000 * NS)
    figure = charge_of(np.arange(100.0, 901.0), np.full(801, 3.6), span=span)
    assert figure.coverage == pytest.approx(0.8)
    assert figure.high - figure.low == pytest.approx(0.2)


def test_a_clock_that_steps_back_does_not_take_charge_away() -> None:
    t = np.concatenate((np.arange(0.0, 100.0), np.arange(50.0, 150.0)))
    figure = charge_of(t, np.full(200, 3.6))
    assert figure.value == pytest.approx(0.198)
    assert any("stepped back" in note for note in figure.notes)


@pytest.mark.parametrize("n", [0, 1])
def test_too_few_samples_give_no_number(n: int) -> None:
    figure = charge_of(np.arange(float(n)), np.full(n, 5.0))
    assert figure.value is None
    assert figure.why_not


def test_samples_all_too_far_apart_give_no_number() -> None:
    figure = charge_of(np.arange(0.0, 1000.0, 100.0), np.full(10, 5.0), gap_s=10)
    assert figure.value is None
    assert "close enough" in figure.why_not


def test_gap_must_be_positive() -> None:
    with pytest.raises(UsageError, match="gap_s"):
        Charge(CURRENT, 0.0)
