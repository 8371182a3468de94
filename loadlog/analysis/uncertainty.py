"""Uncertainty by JCGM 100:2008 (GUM) and decisions by JCGM 106:2012, as far as a bench needs them.

Everything is closed form or own quadrature on the standard library and numpy. Clauses of both guides from memory, values checked against
their examples (H.1, H.2, H.3, G.4) and against independent software in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike

from loadlog.analysis.chunk import Floats
from loadlog.model.device import ChannelSpec
from loadlog.model.errors import UsageError


def standard_uncertainties(values: Floats, spec: ChannelSpec) -> Floats:
    """Standard uncertainty of each reading in its unit; the array form of `model.quantity.standard_uncertainty`."""
    from_resolution = spec.resolution / math.sqrt(12.0)
    if spec.accuracy is None:
        return np.full(len(values), from_resolution)
    bound = np.abs(values) * spec.accuracy.percent_of_reading / 100.0 + spec.accuracy.absolute
    return np.asarray(np.hypot(bound / math.sqrt(3.0), from_resolution))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a quantity known to lie within ± half_width (JCGM 100, 4.3.7)."""
    return half_width / math.sqrt(3.0)


def combined(sensitivities: ArrayLike, uncertainties: ArrayLike, correlation: ArrayLike | None = None) -> float:
    """Combined standard uncertainty √(cᵀ V c) with V = u r uᵀ (JCGM 100, 5.1.2 and 5.2.2); ``correlation`` None: independent inputs.

    ``sensitivities`` [n]: ∂f/∂x; ``uncertainties`` [n]; ``correlation`` [n, n].
    """
    parts = np.asarray(sensitivities, dtype=np.float64) * np.asarray(uncertainties, dtype=np.float64)
    matrix = np.eye(len(parts)) if correlation is None else np.asarray(correlation, dtype=np.float64)
    return math.sqrt(max(0.0, float(parts @ matrix @ parts)))


def type_a(observations: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Means [q], standard uncertainties of the means [q] and their correlation [q, q] from ``observations`` [q, n] taken together
    (JCGM 100, 4.2 and 5.2.3).

    Raises:
        UsageError: fewer than two observations.
    """
    data = np.atleast_2d(np.asarray(observations, dtype=np.float64))
    n = data.shape[1]
    if n < 2:
        raise UsageError("a standard uncertainty from observations needs two of them")
    mean = data.mean(axis=1)
    away = data - mean[:, None]
    covariance = away @ away.T / (n * (n - 1))
    u = np.sqrt(np.diag(covariance))
    with np.errstate(invalid="ignore", divide="ignore"):
        correlation = np.where(np.outer(u, u) > 0, covariance / np.outer(u, u), np.eye(len(u)))
    return mean, u, correlation


def effective_degrees(contributions: Sequence[tuple[float, float]]) -> float:
    """Welch–Satterthwaite (JCGM 100, G.4.1): ``contributions`` are (standard uncertainty in the result's unit, degrees of freedom)."""
    total = sum(u * u for u, _ in contributions)
    below = sum(u**4 / nu for u, nu in contributions if math.isfinite(nu))
    return math.inf if below == 0 else total * total / below


def coverage_factor(probability: float, degrees: float = math.inf) -> float:
    """Student's t for a two-sided ``probability``, as JCGM 100 tabulates it in G.2: degrees of freedom truncated to an integer.

    Raises:
        UsageError: not a probability between 0 and 1, or fewer than one degree of freedom.
    """
    if not 0.0 < probability < 1.0 or degrees < 1:
        raise UsageError("a coverage factor needs 0 < probability < 1 and at least 1 degree of freedom")
    nu = math.inf if degrees > 1e7 else math.floor(degrees)
    low, high = 0.0, 1.0
    while _inside_t(high, nu) < probability:
        low, high = high, 2 * high
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _inside_t(middle, nu) < probability else (low, middle)
    return 0.5 * (low + high)


def _inside_t(t: float, degrees: float) -> float:
    """P(|T| <= t). With θ = atan(t/√ν) it is an integral of cos^(ν−1), closed form by recursion (Abramowitz & Stegun 26.7.3, 26.7.4)."""
    if math.isinf(degrees):
        return math.erf(t / math.sqrt(2.0))
    nu = int(degrees)
    theta = math.atan(t / math.sqrt(nu))
    sine, cosine = math.sin(theta), math.cos(theta)
    if nu % 2:
        term = total = cosine if nu > 1 else 0.0
        for k in range(3, nu - 1, 2):
            term *= cosine * cosine * (k - 1) / k
            total += term
        return 2.0 / math.pi * (theta + sine * total)
    term = total = 1.0
    for k in range(2, nu - 1, 2):
        term *= cosine * cosine * (k - 1) / k
        total += term
    return sine * total


def guarded_risk(guard_share: float, k: float = 2.0) -> float:
    """Probability that a quantity lies beyond one limit although its reading lies ``guard_share`` · U inside (U = k u, nothing known
    before): 0.5 without a guard band, 2.275 % at a share of 1 (JCGM 106, 8.3.2; ILAC-G8:09/2019, table 1)."""
    return 0.5 * math.erfc(guard_share * k / math.sqrt(2.0))


def global_risks(test_ratio: float, in_tolerance: float = 0.95, guard_share: float = 0.0) -> tuple[float, float]:
    """(false accept, false reject) over many items, two limits ± T, normal distribution of the items about the middle with ``in_tolerance``
    of them inside, U (k = 2) = T / ``test_ratio``, acceptance inside ± (T − guard_share · U) (JCGM 106, 9.5).

    Raises:
        UsageError: a ratio that is not positive, or a share not between 0 and 1.
    """
    if test_ratio <= 0 or not 0 < in_tolerance < 1:
        raise UsageError("the test-uncertainty ratio must be positive and the share in tolerance between 0 and 1")
    spread = 1.0 / coverage_factor(in_tolerance)  # T = 1
    u = 1.0 / (2.0 * test_ratio)
    accept = 1.0 - guard_share * 2.0 * u

    def accepted(item: Floats) -> Floats:
        return np.asarray(_normal((accept - item) / u) - _normal((-accept - item) / u))

    def density(item: Floats) -> Floats:
        return np.asarray(np.exp(-0.5 * (item / spread) ** 2) / (spread * math.sqrt(2 * math.pi)))

    false_accept = 2.0 * _quadrature(lambda y: density(y) * accepted(y), 1.0, 1.0 + 12.0 * spread)
    false_reject = 2.0 * _quadrature(lambda y: density(y) * (1.0 - accepted(y)), 0.0, 1.0)
    return false_accept, false_reject


def _normal(z: Floats) -> Floats:
    return np.array([0.5 * math.erfc(-x / math.sqrt(2.0)) for x in z])


def _quadrature(f: Callable[[Floats], Floats], low: float, high: float, panels: int = 64) -> float:
    """Gauss–Legendre, 16 points in each panel."""
    nodes, weights = np.polynomial.legendre.leggauss(16)
    edges = np.linspace(low, high, panels + 1)
    half = 0.5 * np.diff(edges)
    middles = 0.5 * (edges[:-1] + edges[1:])
    points = (middles[:, None] + half[:, None] * nodes).ravel()
    return float(np.dot((half[:, None] * weights).ravel(), f(points)))
