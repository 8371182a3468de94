"""The shortest mean delay that any rule can have for a known step at a given false-alarm rate: the CUSUM's.

A one-sided CUSUM of the log-likelihood ratio is optimal in Lorden's sense (G. Lorden, Ann. Math. Stat. 42 (1971) 1897; G. V. Moustakides,
Ann. Stat. 14 (1986) 1379). Its run lengths solve a linear integral equation, here by a Markov chain (D. Brook, D. A. Evans, Biometrika 59
(1972) 539). Lorden's criterion is the worst case, a chart at zero when the step comes; `optimum` gives mean and median of it.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from scipy.stats import norm

STATES = 201
Matrix = np.ndarray[tuple[int, ...], np.dtype[np.float64]]


def _chain(k: float, h: float, mean: float) -> Matrix:
    """Transitions among ``STATES`` states of S' = max(0, S + X - k), X normal with that mean and deviation 1, absorbed above ``h``."""
    width = h / (STATES - 0.5)
    centres = width * np.arange(STATES)
    upper = centres[None, :] + 0.5 * width - centres[:, None] + k - mean
    lower = upper - width
    matrix = norm.cdf(upper) - norm.cdf(lower)
    matrix[:, 0] = norm.cdf(upper[:, 0])
    return np.asarray(matrix, dtype=np.float64)


def run_length(k: float, h: float, mean: float) -> float:
    """Average run length from zero of a one-sided CUSUM; infinite where it is beyond 1e15 and more."""
    matrix = _chain(k, h, mean)
    try:
        return float(np.linalg.solve(np.eye(STATES) - matrix, np.ones(STATES))[0])
    except np.linalg.LinAlgError:  # it leaves less often than doubles can say
        return math.inf


@functools.cache
def threshold(shift: float, arl0: float) -> float:
    """``h`` of the CUSUM with reference value ``shift``/2 whose run length without a step is ``arl0``."""
    low, high = 0.01, 40.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        arl = run_length(0.5 * shift, middle, 0.0)
        low, high = (middle, high) if 0 < arl < arl0 else (low, middle)
    return 0.5 * (low + high)


@functools.cache
def optimum(shift: float, arl0: float) -> tuple[float, int]:
    """Mean and median delay in samples, the first sample after the step counting 1."""
    h = threshold(shift, arl0)
    matrix = _chain(0.5 * shift, h, shift)
    alive = np.zeros(STATES)
    alive[0] = 1.0
    mean, median, n = 0.0, 0, 0
    while alive.sum() > 1e-9 and n < 10_000:
        mean += alive.sum()
        alive = alive @ matrix
        n += 1
        if not median and alive.sum() <= 0.5:
            median = n
    return float(mean), median
