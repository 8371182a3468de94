"""Examples of the GUM (JCGM 100:2008, H.1 to H.3 and G.4), figures of JCGM 106 and ILAC-G8, and the package uncertainties as oracle."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from uncertainties import correlated_values, umath

from loadlog.analysis import LineFit
from loadlog.analysis.uncertainty import (
    combined,
    coverage_factor,
    effective_degrees,
    global_risks,
    guarded_risk,
    rectangular,
    standard_uncertainties,
    type_a,
)
from loadlog.model.errors import UsageError
from loadlog.model.quantity import standard_uncertainty
from tests.unit.analysis.instruments_of_tests import channel

# JCGM 100, table H.2: five simultaneous observations of V (V), I (mA) and the phase (rad); values from memory.
V = [5.007, 4.994, 5.005, 4.990, 4.999]
CURRENT = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
PHI = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def test_h1_end_gauge() -> None:
    """H.1: uc 32 nm, 16 effective degrees of freedom, t 2.92, U99 93 nm."""
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    uc = math.hypot(*(u for u, _ in parts))
    degrees = effective_degrees(parts)
    assert round(uc) == 32
    assert math.floor(degrees) == 16
    assert coverage_factor(0.99, degrees) == pytest.approx(2.92, abs=0.005)
    # The guide multiplies its rounded 32 nm.
    assert round(32 * 2.92) == 93
    assert coverage_factor(0.99, degrees) * uc == pytest.approx(93, abs=0.7)


def test_h2_resistance_and_reactance() -> None:
    """H.2: R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236) Ω, correlations −0.588, −0.485, 0.993."""
    mean, u, r = type_a([V, CURRENT, PHI])
    v, i, phi = mean
    c = np.array(
        [
            [math.cos(phi) / i, -v * math.cos(phi) / i**2, -v * math.sin(phi) / i],
            [math.sin(phi) / i, -v * math.sin(phi) / i**2, v * math.cos(phi) / i],
            [1 / i, -v / i**2, 0.0],
        ]
    )
    values = v * math.cos(phi) / i, v * math.sin(phi) / i, v / i
    assert values == pytest.approx((127.732, 219.847, 254.260), abs=5e-4)
    said = [combined(row, u, r) for row in c]
    # The guide prints 0.295 for X; from the unrounded observations it is 0.296 (so do independent programs).
    assert said == pytest.approx([0.071, 0.2955, 0.236], abs=6e-4)
    covariance = np.outer(u, u) * r
    outputs = c @ covariance @ c.T
    sizes = np.sqrt(np.diag(outputs))
    correlations = outputs / np.outer(sizes, sizes)
    assert (correlations[0, 1], correlations[0, 2], correlations[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=5e-4)


def test_h2_as_the_package_uncertainties_has_it() -> None:
    mean, u, r = type_a([V, CURRENT, PHI])
    v, i, phi = correlated_values(mean, np.outer(u, u) * r)
    oracle = v / i * umath.cos(phi)
    c = [math.cos(mean[2]) / mean[1], -mean[0] * math.cos(mean[2]) / mean[1] ** 2, -mean[0] * math.sin(mean[2]) / mean[1]]
    assert combined(c, u, r) == pytest.approx(oracle.s, rel=1e-9)


def test_h3_calibration_line() -> None:
    """H.3: intercept −0.1712 (0.0029), slope 0.00218 (0.00067), r −0.930; at 30 °C −0.1494 (0.0041)."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    fit = LineFit()
    fit.add(t - 20.0, b)
    line = fit.line()
    assert line is not None
    assert (line.intercept, line.slope) == pytest.approx((-0.1712, 0.00218), abs=5e-5)
    assert line.u_intercept == pytest.approx(0.0029, abs=5e-5)
    assert line.u_slope == pytest.approx(0.00067, abs=5e-6)
    assert line.r == pytest.approx(-0.930, abs=5e-4)
    y, u = line.at(10.0)
    assert y == pytest.approx(-0.1494, abs=5e-5)
    assert u == pytest.approx(0.0041, abs=5e-5)


def test_g4_degrees_of_freedom() -> None:
    """G.4.1, example: relative u 0.25, 0.57, 0.82 % with n 10, 5, 15: 19 degrees of freedom, t 2.09 for 95 %."""
    degrees = effective_degrees([(0.25, 9), (0.57, 4), (0.82, 14)])
    # The guide rounds uc to 1.03 % before it divides and so gets 19.0; unrounded it is 18.9987.
    assert degrees == pytest.approx(19.0, abs=0.05)
    assert coverage_factor(0.95, 19) == pytest.approx(2.09, abs=0.005)


@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 5, 10, 17, 50, 1000])
@pytest.mark.parametrize("p", [0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973])
def test_student_as_scipy(p: float, degrees: int) -> None:
    assert coverage_factor(p, degrees) == pytest.approx(stats.t.ppf(0.5 + p / 2, degrees), rel=1e-9)


def test_student_without_end() -> None:
    assert coverage_factor(0.95) == pytest.approx(1.959964, abs=1e-6)
    with pytest.raises(UsageError):
        coverage_factor(1.0)


def test_specification_to_standard_uncertainty() -> None:
    """± (0.05 % + 5 counts of 1 mV) at 12 V: 11 mV, /√3 = 6.351 mV (JCGM 100, 4.3.7); resolution 1/√12 = 0.2887 counts (F.2.2.1)."""
    assert rectangular(0.011) == pytest.approx(6.351e-3, abs=1e-6)
    assert 1 / math.sqrt(12) == pytest.approx(0.2887, abs=5e-5)
    spec = channel("voltage_v", "V")
    values = np.array([-12.0, 0.0, 12.0, 24.123])
    assert standard_uncertainties(values, spec) == pytest.approx(
        [standard_uncertainty(v, spec.accuracy, spec.resolution) for v in values], rel=1e-15
    )
    assert standard_uncertainties(values, spec)[2] == pytest.approx(math.hypot(6.351e-3, 0.2887e-3), abs=1e-6)


@pytest.mark.parametrize(("share", "percent"), [(1.0, 2.275), (0.83, 4.85), (0.0, 50.0)])
def test_guard_band_risk(share: float, percent: float) -> None:
    """At the limit less U (k = 2) 2.275 %, less 0.83 U 4.85 %, at the limit 50 % (JCGM 106; ILAC-G8:09/2019)."""
    assert 100 * guarded_risk(share) == pytest.approx(percent, abs=0.005)


@pytest.mark.parametrize(("ratio", "accept", "reject"), [(1, 1.801, 12.957), (2, 1.337, 4.178), (4, 0.858, 1.554), (10, 0.406, 0.516)])
def test_risks_by_test_uncertainty_ratio(ratio: float, accept: float, reject: float) -> None:
    """95 % of the items in tolerance, no guard band; own quadrature, the figures from an independent risk calculator."""
    false_accept, false_reject = global_risks(ratio)
    assert 100 * false_accept == pytest.approx(accept, abs=6e-4)
    assert 100 * false_reject == pytest.approx(reject, abs=6e-4)


def test_risks_as_a_double_integral() -> None:
    """The same by scipy's bivariate normal, with a guard band."""
    ratio, share = 3.0, 1.0
    spread, u = 1 / stats.norm.ppf(0.975), 1 / (2 * ratio)
    accept = 1 - share * 2 * u
    joint = stats.multivariate_normal([0, 0], [[spread**2, spread**2], [spread**2, spread**2 + u**2]])

    def box(y1: float, y2: float) -> float:
        def c(a: float, b: float) -> float:
            return float(joint.cdf([a, b]))

        return c(y2, accept) - c(y1, accept) - c(y2, -accept) + c(y1, -accept)

    false_accept, _ = global_risks(ratio, guard_share=share)
    assert false_accept == pytest.approx(2 * box(1.0, 20.0), abs=2e-5)
