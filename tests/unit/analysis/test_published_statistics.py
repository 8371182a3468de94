"""Moments and regressions against the certified values of the NIST Statistical Reference Datasets (univariate and linear regression)."""

from __future__ import annotations

import numpy as np
import pytest

from loadlog.analysis import ChannelStatistics, LeastSquares, LineFit, Moments, chunk_of_arrays
from tests.unit.analysis.instruments_of_tests import certified, channel, correct_digits, split, table

SETS = ["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4", "Michelso", "Mavro"]


def univariate(name: str) -> np.ndarray:
    """The data, made by rule where the certified file gives one."""
    if name == "NumAcc1":
        return np.array([10000001.0, 10000003.0, 10000002.0])
    if name.startswith("NumAcc"):
        low, middle, high = {"NumAcc2": (1.1, 1.2, 1.3), "NumAcc3": (1000000.1, 1000000.2, 1000000.3),
                             "NumAcc4": (10000000.1, 10000000.2, 10000000.3)}[name]  # fmt: skip
        return np.array([middle, *([low, high] * 500)])
    return np.array([float(r["value"]) for r in table("nist_strd_univariate.csv") if r["dataset"] == name])


@pytest.mark.parametrize("pieces", [1, 2, 7, "single"])
@pytest.mark.parametrize("name", SETS)
def test_mean_and_deviation_keep_eight_digits(name: str, pieces: int | str) -> None:
    values, true = univariate(name), certified(name)
    moments = Moments()
    for part in np.array_split(values, len(values) if pieces == "single" else min(int(pieces), len(values))):
        moments.add(part)
    assert correct_digits(moments.mean, true["mean"]) >= 14
    assert moments.deviation is not None
    # The inputs of NumAcc4 are not doubles: 8.3 digits is what any algorithm on doubles can give.
    assert correct_digits(moments.deviation, true["standard_deviation"]) >= 8


def test_raw_sums_would_fail_where_this_does_not() -> None:
    """The trap is real: with sums of squares NumAcc4 loses its deviation altogether."""
    values = univariate("NumAcc4")
    n = len(values)
    variance = (float(np.sum(values**2)) - float(np.sum(values)) ** 2 / n) / (n - 1)
    assert variance <= 0 or correct_digits(np.sqrt(variance), 0.1) < 3


@pytest.mark.parametrize("pieces", [1, 3, 36])
def test_norris_line(pieces: int) -> None:
    rows, true = [r for r in table("nist_strd_regression.csv") if r["dataset"] == "Norris"], certified("Norris")
    x, y = (np.array([float(r[k]) for r in rows]) for k in "xy")
    fit = LineFit()
    for part in np.array_split(np.arange(len(x)), pieces):
        fit.add(x[part], y[part])
    line = fit.line()
    assert line is not None
    assert line.u_slope is not None
    assert line.u_intercept is not None
    assert line.residual is not None
    assert correct_digits(line.slope, true["b1"]) >= 12
    assert correct_digits(line.intercept, true["b0"]) >= 12
    assert correct_digits(line.u_slope, true["sd_b1"]) >= 10
    assert correct_digits(line.u_intercept, true["sd_b0"]) >= 10
    assert correct_digits(line.residual, true["residual_sd"]) >= 10
    assert correct_digits(line.correlation**2, true["r_squared"]) >= 12


@pytest.mark.parametrize("pieces", [1, 3, 40])
def test_pontius_parabola(pieces: int) -> None:
    rows, true = [r for r in table("nist_strd_regression.csv") if r["dataset"] == "Pontius"], certified("Pontius")
    x, y = (np.array([float(r[k]) for r in rows]) for k in "xy")
    scale = 1e6  # loads in N up to 3e6
    squares = LeastSquares(3)
    for part in np.array_split(np.arange(len(x)), pieces):
        u = x[part] / scale
        squares.add(np.column_stack((np.ones(len(u)), u, u * u)), y[part])
    solution = squares.solve()
    assert solution is not None
    b0, b1, b2 = solution.coefficients / np.array([1.0, scale, scale**2])
    assert correct_digits(b0, true["b0"]) >= 10
    assert correct_digits(b1, true["b1"]) >= 12
    assert correct_digits(b2, true["b2"]) >= 10
    assert correct_digits(solution.residual, true["residual_sd"]) >= 9


def test_noint1_line_through_zero() -> None:
    true = certified("NoInt1")
    x, y = np.arange(60.0, 71.0), np.arange(130.0, 141.0)
    squares = LeastSquares(1)
    squares.add(x[:, None], y)
    solution = squares.solve()
    assert solution is not None
    assert correct_digits(float(solution.coefficients[0]), true["b1"]) >= 13
    assert correct_digits(float(solution.uncertainties[0]), true["sd_b1"]) >= 12


def test_a_slope_over_epoch_seconds_is_exact() -> None:
    """1 µV/h over 8 h against seconds since 1970: raw sums are 2.7 ppm off, centred ones are not."""
    t = 1_800_000_000.0 + np.arange(0.0, 8 * 3600.0, 60.0)
    fit = LineFit()
    for part in np.array_split(t, 5):
        fit.add(part, 24.0 + 1e-6 / 3600.0 * (part - t[0]))
    line = fit.line()
    assert line is not None
    assert line.slope == pytest.approx(1e-6 / 3600.0, rel=1e-5)  # 24 V as a double resolves 3.6e-15


def test_regressors_that_depend_on_each_other_are_refused() -> None:
    squares = LeastSquares(3)
    ones = np.ones(20)
    squares.add(np.column_stack((ones, np.arange(20.0), 2 * np.arange(20.0) + 1)), np.arange(20.0))
    assert squares.solve() is None


def test_a_vertical_line_is_none() -> None:
    fit = LineFit()
    fit.add(np.full(5, 3.0), np.arange(5.0))
    assert fit.line() is None


def test_chunks_make_no_difference_to_a_channel() -> None:
    rng = np.random.default_rng(11)
    spec = channel("voltage_v", "V")
    whole = chunk_of_arrays(np.arange(1000.0), voltage_v=24 + 0.01 * rng.standard_normal(1000))
    one, many = ChannelStatistics(spec), ChannelStatistics(spec)
    one.add(whole)
    for part in split(whole, 1, 2, 500, 999):
        many.add(part)
    for name in ChannelStatistics.NAMES:
        assert many.figure(name).value == pytest.approx(one.figure(name).value, rel=1e-12)
        assert many.figure(name).uncertainty == pytest.approx(one.figure(name).uncertainty, rel=1e-9)


def test_no_sample_and_one_sample() -> None:
    spec = channel("voltage_v", "V")
    statistics = ChannelStatistics(spec)
    assert statistics.figure("mean").value is None
    assert "no good sample" in statistics.figure("mean").why_not
    statistics.add(chunk_of_arrays([0.0], voltage_v=[24.0]))
    assert statistics.figure("mean").value == 24.0
    assert statistics.figure("standard_deviation").value is None
    assert "two samples" in statistics.figure("standard_deviation").why_not
