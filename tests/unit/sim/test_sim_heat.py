"""Leads, contacts and heatsinks against tables and closed forms."""

from __future__ import annotations

import math

import pytest

from loadlog.sim.conductors import Path, PathForm, copper_ohm
from loadlog.sim.thermal import Heatsink, HeatsinkForm, Pole


def test_copper_grows_by_the_published_coefficient() -> None:
    """0.393 %/K: 75 °C is 1.216 times the value at 20 °C; 2 × 1 m of 2.5 mm² (IEC 60228, class 5) at 10 A drop 160 mV, 194 mV when hot."""
    assert copper_ohm(1.0, 75.0) == pytest.approx(1.216, abs=5e-4)
    pair_ohm = 2 * 7.98e-3
    assert 10.0 * pair_ohm == pytest.approx(0.160, abs=5e-4)
    assert 10.0 * copper_ohm(pair_ohm, 75.0) == pytest.approx(0.194, abs=5e-4)


def test_five_milliohm_at_twenty_ampere_is_two_watt() -> None:
    """I²R; seen here as the connector's final rise over its thermal resistance."""
    path = Path(PathForm(contact_ohm=0.005, contact_k_per_w=10.0, contact_tau_s=5.0))
    for _ in range(1000):
        path.step(20.0, 20.0, 0.1)
    assert path.contact_rise_k / 10.0 == pytest.approx(2.0, rel=1e-6)


def test_warm_leads_resist_more_under_current() -> None:
    path = Path(PathForm(lead_ohm=0.010, contact_ohm=0.0, lead_k_per_w=20.0, lead_tau_s=10.0))
    cold_ohm = path.ohm(20.0)
    for _ in range(5000):
        path.step(15.0, 20.0, 0.1)
    # fixed point of R = R20·(1 + alpha·Rth·I²·R)
    expected_ohm = 0.010 / (1 - 0.00393 * 20.0 * 15.0**2 * 0.010)
    assert cold_ohm == pytest.approx(0.010)
    assert path.ohm(20.0) == pytest.approx(expected_ohm, rel=1e-6)


@pytest.mark.parametrize("steps", [1, 7, 1000])
def test_a_pole_follows_the_step_response_whatever_the_step(steps: int) -> None:
    """theta = P·R·(1 - exp(-t/RC)), 63.2 % after one time constant."""
    pole = Pole(r_k_per_w=2.0, c_j_per_k=15.0)
    for _ in range(steps):
        pole.step(10.0, 30.0 / steps)
    assert pole.rise_k == pytest.approx(20.0 * (1 - math.exp(-1.0)), rel=1e-9)


def test_a_pole_keeps_the_energy_account() -> None:
    """Heat in = heat stored + heat given off; the last is the integral of theta/R."""
    pole = Pole(2.0, 15.0)
    given_off_j, dt_s = 0.0, 0.001
    for _ in range(20_000):
        before_k = pole.rise_k
        pole.step(10.0, dt_s)
        given_off_j += 0.5 * (before_k + pole.rise_k) / 2.0 * dt_s
    assert given_off_j + 15.0 * pole.rise_k == pytest.approx(10.0 * 20.0, rel=1e-6)


def test_a_heatsink_has_two_time_constants() -> None:
    """Sum of two step responses (Foster form)."""
    form = HeatsinkForm(fast_k_per_w=0.03, fast_tau_s=4.0, slow_k_per_w=0.12, slow_tau_s=90.0)
    sink = Heatsink(form)
    for _ in range(600):
        sink.step(100.0, 0.05)
    expected_k = 3.0 * (1 - math.exp(-30 / 4.0)) + 12.0 * (1 - math.exp(-30 / 90.0))
    assert sink.rise_k == pytest.approx(expected_k, rel=1e-9)


def test_a_stopped_fan_raises_the_thermal_resistance_and_stands_still() -> None:
    sink = Heatsink(HeatsinkForm(slow_tau_s=5.0, still_air_factor=3.0))
    for _ in range(2000):
        sink.step(100.0, 0.1)
    with_fan_k = sink.rise_k
    assert sink.fan_rpm > 1500
    sink.fan_runs = False
    for _ in range(4000):
        sink.step(100.0, 0.1)
    assert with_fan_k == pytest.approx(15.0, rel=1e-6)
    assert sink.rise_k == pytest.approx(3.0 + 36.0, rel=1e-6)
    assert sink.fan_rpm < 1.0
