"""Load effect, output resistance, drift, temperature coefficient, warm-up: closed forms, and whether the uncertainty said holds."""

from __future__ import annotations

import numpy as np
import pytest

from loadlog.analysis import Bins, LoadEffect, chunk_of_arrays, drift, temperature_coefficient, warm_up
from tests.unit.analysis.instruments_of_tests import CURRENT, EXACT_A, EXACT_V, TEMPERATURE, VOLTAGE, channel, split, with_bad

FINE_T = channel("temperature_c", "°C", "0.001", None)


def bins_of(bin_s: float = 60.0, **columns: np.ndarray):
    t = columns.pop("t")
    bins = Bins(tuple(columns), bin_s)
    for part in split(chunk_of_arrays(t, **columns), len(t) // 3, len(t) // 2):
        bins.add(part)
    return bins.table()


def load_effect_of(i: np.ndarray, v: np.ndarray, voltage=VOLTAGE, current=CURRENT) -> LoadEffect:
    effect = LoadEffect(voltage, current)
    for part in split(chunk_of_arrays(np.arange(float(len(i))), voltage_v=v, current_a=i), len(i) // 2):
        effect.add(part)
    return effect


def test_two_levels() -> None:
    """12.000 V at 1 A, 11.900 V at 5 A: load effect 100 mV or 0.833 %, output resistance 25.0 mΩ (arithmetic)."""
    i = np.repeat([1.0, 5.0, 1.0, 5.0], 50)
    effect = load_effect_of(i, 12.025 - 0.025 * i)
    assert effect.output_resistance().value == pytest.approx(0.025, rel=1e-9)
    assert effect.load_effect().value == pytest.approx(0.1, rel=1e-9)
    assert effect.load_effect().details["load_effect_percent"] == pytest.approx(100 * 0.1 / 12.0, rel=1e-9)
    # the difference of two readings, each ± 5 counts of 1 mV beside 0.05 % of the change: √2 · 5 mV/√3 over 4 A
    assert effect.output_resistance().uncertainty == pytest.approx(0.0041 / 4, rel=0.02)


def test_regression_as_scipy_with_noise() -> None:
    from scipy.stats import linregress

    rng = np.random.default_rng(4)
    i = rng.uniform(0, 20, 3000)
    v = 24 - 0.013 * i + 0.002 * rng.standard_normal(3000)
    oracle = linregress(i, v)
    figure = load_effect_of(i, v, EXACT_V, EXACT_A).output_resistance()
    assert figure.value == pytest.approx(-oracle.slope, rel=1e-10)
    assert figure.details["u_scatter_ohm"] == pytest.approx(oracle.stderr, rel=1e-8)
    assert abs(figure.value - 0.013) < 4 * figure.uncertainty


def test_a_constant_current_has_no_load_effect() -> None:
    rng = np.random.default_rng(4)
    figure = load_effect_of(5 + 0.001 * rng.standard_normal(1000), np.full(1000, 12.0)).output_resistance()
    assert figure.value is None
    assert "varied by" in figure.why_not


def test_drift_after_warm_up() -> None:
    """1 mV/h over 8 h after half an hour of warm-up by 50 mV: 7.5 mV in the 7.5 h that count."""
    t = np.arange(0.0, 8 * 3600.0, 5.0)
    v = 24 + 1e-3 * t / 3600 + np.where(t < 1800, 0.05 * (1 - t / 1800), 0)
    figure = drift(bins_of(t=t, voltage_v=v), EXACT_V, 1800.0)
    assert figure.value == pytest.approx(7.5e-3, rel=0.005)
    assert figure.details["slope_per_h"] == pytest.approx(1e-3, rel=1e-6)
    assert any("1800 s" in n for n in figure.notes)


def test_the_slope_uncertainty_holds_for_correlated_noise() -> None:
    """Noise that wanders (first-order autoregressive, 0.8): the true slope lies within twice the uncertainty said about as often as it
    should; the plain regression would claim three times too much."""
    rng = np.random.default_rng(9)
    inside = naive = 0
    t = np.arange(0.0, 400 * 60.0, 60.0)
    for _ in range(200):
        noise = np.zeros(len(t))
        shocks = rng.standard_normal(len(t))
        for k in range(1, len(t)):
            noise[k] = 0.8 * noise[k - 1] + shocks[k]
        figure = drift(bins_of(t=t, voltage_v=24 + 1e-3 * noise), EXACT_V, 0.0)
        inside += abs(figure.details["slope_per_h"]) < 2 * figure.details["u_slope_per_h"]
        naive += abs(figure.details["slope_per_h"]) < 2 * figure.details["u_slope_per_h"] / 3
    assert inside >= 0.88 * 200
    assert naive < 0.8 * 200


@pytest.mark.parametrize("hours", [0.1, 0.5, 0.6])
def test_too_short_for_drift(hours: float) -> None:
    t = np.arange(0.0, hours * 3600, 5.0)
    figure = drift(bins_of(t=t, voltage_v=np.full(len(t), 24.0)), VOLTAGE, 1800.0)
    assert figure.value is None
    assert "warm-up" in figure.why_not


def test_temperature_coefficient() -> None:
    """−1 mV/K at 24 V (−41.7 ppm/K), the load current varying beside it."""
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 6 * 3600.0, 10.0)
    temperature = 40 + 10 * np.sin(2 * np.pi * t / 7200)
    i = np.where((t // 900) % 2 == 0, 2.0, 6.0)
    v = 24 - 1e-3 * (temperature - 40) - 0.01 * i + 2e-4 * rng.standard_normal(len(t))
    figure = temperature_coefficient(bins_of(t=t, voltage_v=v, temperature_c=temperature, current_a=i), EXACT_V, FINE_T, [EXACT_A])
    assert figure.value == pytest.approx(-1e-3, abs=3 * figure.uncertainty)
    assert figure.value == pytest.approx(-1e-3, rel=0.02)
    assert figure.details["ppm_per_k"] == pytest.approx(-41.7, abs=1)
    without = temperature_coefficient(bins_of(t=t, voltage_v=v, temperature_c=temperature), EXACT_V, FINE_T)
    assert without.uncertainty > 3 * figure.uncertainty  # the current is then scatter


def test_temperature_that_does_not_vary() -> None:
    t = np.arange(0.0, 7200.0, 10.0)
    rows = bins_of(t=t, voltage_v=np.full(len(t), 24.0), temperature_c=np.full(len(t), 40.0))
    assert "varied by" in temperature_coefficient(rows, VOLTAGE, TEMPERATURE).why_not


@pytest.mark.parametrize(("tau_s", "noise_k"), [(600.0, 0.0), (1500.0, 0.1), (3000.0, 0.2)])
def test_warm_up_time_constant(tau_s: float, noise_k: float) -> None:
    rng = np.random.default_rng(13)
    t = np.arange(0.0, 4 * 3600.0, 10.0)
    y = 60 - 35 * np.exp(-t / tau_s) + noise_k * rng.standard_normal(len(t))
    figure = warm_up(bins_of(t=t, temperature_c=y), TEMPERATURE)
    assert figure.value == pytest.approx(tau_s, rel=0.01)
    assert figure.details["settled_c"] == pytest.approx(60, abs=0.1)
    if noise_k:
        assert abs(figure.value - tau_s) < 3.5 * figure.uncertainty
        assert figure.uncertainty < 0.01 * tau_s


@pytest.mark.parametrize("shape", ["flat", "ramp", "short"])
def test_no_time_constant_where_there_is_none(shape: str) -> None:
    rng = np.random.default_rng(14)
    t = np.arange(0.0, 4 * 3600.0, 10.0)
    y = {"flat": 40 + 0 * t, "ramp": 40 + t / 3600, "short": 60 - 35 * np.exp(-t / 60000)}[shape]
    figure = warm_up(bins_of(t=t, temperature_c=y + 0.05 * rng.standard_normal(len(t))), TEMPERATURE)
    assert figure.value is None
    assert figure.why_not


def test_bins_take_only_good_samples_and_join_across_chunks() -> None:
    t = np.arange(0.0, 300.0)
    chunk = with_bad(chunk_of_arrays(t, voltage_v=np.where(t % 2 == 0, 24.0, 99.0)), "voltage_v", t % 2 == 1)
    bins = Bins(("voltage_v", "current_a"), 60.0)
    for part in split(chunk, 7, 61, 200):
        bins.add(part)
    rows = bins.table()
    assert rows.means["voltage_v"].tolist() == [24.0] * 5
    assert rows.counts["voltage_v"].tolist() == [30] * 5
    assert np.isnan(rows.means["current_a"]).all()
    assert len(rows.with_all("voltage_v", "current_a")) == 0
