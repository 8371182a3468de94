"""What a thermal model is fitted to, kept for all time constants at once: features of the past powers, and their sums of products.

For each time constant of a grid (`TAUS_S`) two features: x, the power through a first-order lag, and e = exp(-t/τ), the remainder of what
was stored before anybody looked. Responses are smooth in the logarithm of the time constant, so the features of any other are a cubic
through four neighbours, and the normal equations of any pair of time constants follow from one Gram matrix of fixed size. Its lower
triangle is kept in one piece, row after row; the rows, which take half as much again, are there while systems are asked for. The doubt
about the instant of a step (`thermal_step`) is taken from them.
Source: least squares by normal equations (any text); interpolation of Lagrange.
"""

from __future__ import annotations

import functools
import math
from array import array
from collections.abc import Iterator, Sequence
from itertools import pairwise

from loadlog.detectors.thermal_step import StepTime

RATIO = 1.5
TAUS_S = tuple(1.5 * RATIO**k for k in range(18))  # 1.5 s to 1,480 s
FORGET_S = 7200.0
GONE = 1e-9  # of what was stored; less costs time and moves nothing
_N = len(TAUS_S)
_SIZE = 2 * _N + 2  # 1, x.., e.., y
_Y = _SIZE - 1

_Weights = tuple[float, float, float, float]
_NO_SLOW: tuple[float, int, _Weights, tuple[float, ...], tuple[float, float]] = (0.0, 0, (0.0, 0.0, 0.0, 0.0), (), (0.0, 0.0))


class Gram:
    """``power``: the present one, in units of the caller, to which the x follow. ``weight``: of all readings. ``square``: of all readings,
    as of the systems that are asked for."""

    __slots__ = ("_before", "_e", "_gram", "_last", "_rows", "_slow", "_step", "_x", "power", "square", "weight")

    def __init__(self) -> None:
        self._x = array("d", [0.0] * _N)
        self._e = array("d", [1.0] * _N)
        self._gram = array("d", bytes(4 * _SIZE * (_SIZE + 1)))
        self.power = self.weight = self.square = 0.0
        self._last = self._before = 0.0  # the last reading, and that before the last step
        self._step = StepTime(_SIZE)
        self.rest()

    def rest(self) -> None:
        """No system is asked for until the next reading: what is kept for that goes."""
        self._rows: list[array[float]] = []
        self._slow = _NO_SLOW

    def settle(self, power: float) -> None:
        """The past is taken as one at this power."""
        self.power = power
        self._x = array("d", [power] * _N)

    def forget(self) -> None:
        """The readings; the powers of the past still count."""
        self._e = array("d", [1.0] * _N)
        self._gram = array("d", bytes(4 * _SIZE * (_SIZE + 1)))
        self.weight = self._last = self._before = 0.0
        self._step.forget()
        self.rest()

    def stepped(self, within_s: float, variance: float) -> None:
        """Power is another one from here on, or was already at most so long ago; ``variance``: of one reading. What the last step's doubt
        takes from the readings until here is taken for good."""
        for lost in self._step.lost(variance):
            self._gram = array("d", [g - p for g, p in zip(self._gram, _products(lost), strict=True)])
        self._step.stepped(within_s)
        self._before = self._last
        self.rest()

    def advance(self, dt_s: float, power: float) -> None:
        """Time goes by at this mean power."""
        self.power = power
        x, e = self._x, self._e
        for k, tau_s in enumerate(TAUS_S):
            keep = math.exp(-dt_s / tau_s)
            x[k] = power + (x[k] - power) * keep
            e[k] = e[k] * keep if e[k] > GONE else 0.0
        keep = math.exp(-dt_s / FORGET_S)
        if keep >= 0.999:
            self._step.advance(dt_s)
        else:
            self._step.advance(dt_s, keep)
            self._gram = array("d", [g * keep for g in self._gram])
            self.weight *= keep
            self.rest()

    def observe(self, y: float, weight: float) -> None:
        """A reading at the present instant."""
        gram, features = self._gram, [1.0, *self._x, *self._e, y]
        begin = 0
        for n, one in enumerate(features, 1):
            end = begin + n
            if one != 0.0:
                part = weight * one
                gram[begin:end] = array("d", [g + part * f for g, f in zip(gram[begin:end], features, strict=False)])
            begin = end
        self.weight += weight
        self._step.observe(features, weight, y - self._before)
        self._last = y
        self.rest()

    def open(self, variance: float) -> None:
        """Systems will be asked for: the rows of the lower triangle, without what the doubt about the last step takes from them;
        ``variance``: of one reading."""
        gram = self._gram
        for lost in self._step.lost(variance):
            gram = array("d", [g - p for g, p in zip(gram, _products(lost), strict=True)])
        begins = [n * (n + 1) // 2 for n in range(_SIZE + 1)]
        self._rows = [gram[begin:end] for begin, end in pairwise(begins)]
        self._slow = _NO_SLOW
        self.square = gram[-1]

    def features(self, fast_s: float, slow_s: float) -> tuple[float, float, float, float, float]:
        """1, x_f, x_s, e_f, e_s at this instant."""
        nf, wf = _between(fast_s)
        ns, ws = _between(slow_s)
        return (1.0, _along(self._x, nf, wf), _along(self._x, ns, ws), _along(self._e, nf, wf), _along(self._e, ns, ws))

    def system(self, fast_s: float, slow_s: float) -> tuple[list[list[float]], list[float]]:
        """Lower triangle of the normal equations of one pair, parameters in the order of `features`, and its right side."""
        g = self._rows
        y = g[_Y]
        nf, f = _between(fast_s)
        x, e = 1 + nf, 1 + _N + nf
        if slow_s != self._slow[0]:  # a row of the grid shares it
            self._slow = (slow_s, *self._slow_terms(slow_s))
        _, ns, s, (s0, ss, e0, es, ee), right = self._slow
        xs, es_at = 1 + ns, 1 + _N + ns
        matrix = [
            [g[0][0]],
            [_first(g, x, f), _own(g, x, f)],
            [s0, _across(g, xs, s, x, f), ss],
            [_first(g, e, f), _across(g, e, f, x, f), _across(g, e, f, xs, s), _own(g, e, f)],
            [e0, _across(g, es_at, s, x, f), es, _across(g, es_at, s, e, f), ee],
        ]
        return matrix, [y[0], _along(y, x, f), right[0], _along(y, e, f), right[1]]

    def _slow_terms(self, slow_s: float) -> tuple[int, _Weights, tuple[float, ...], tuple[float, float]]:
        """First node and weights of a slow time constant, and what of the system depends on it alone."""
        g = self._rows
        ns, s = _between(slow_s)
        x, e = 1 + ns, 1 + _N + ns
        terms = (_first(g, x, s), _own(g, x, s), _first(g, e, s), _across(g, e, s, x, s), _own(g, e, s))
        return ns, s, terms, (_along(g[_Y], x, s), _along(g[_Y], e, s))


def _products(vector: Sequence[float]) -> Iterator[float]:
    """The lower triangle of a vector's outer product, row after row."""
    return (one * other for n, one in enumerate(vector, 1) for other in vector[:n])


def _along(row: Sequence[float], begin: int, w: _Weights) -> float:
    """The weighted sum of four neighbours."""
    return w[0] * row[begin] + w[1] * row[begin + 1] + w[2] * row[begin + 2] + w[3] * row[begin + 3]


def _first(g: list[array[float]], a: int, w: _Weights) -> float:
    """Of the first column of four rows."""
    return w[0] * g[a][0] + w[1] * g[a + 1][0] + w[2] * g[a + 2][0] + w[3] * g[a + 3][0]


def _own(g: list[array[float]], a: int, w: _Weights) -> float:
    """Of four rows and the same four columns of a symmetric matrix, whose lower triangle is kept."""
    p, q, r, t = w
    rows = g[a : a + 4]
    square = p * p * rows[0][a] + q * q * rows[1][a + 1] + r * r * rows[2][a + 2] + t * t * rows[3][a + 3]
    beside = q * p * rows[1][a] + r * (p * rows[2][a] + q * rows[2][a + 1])
    return square + 2.0 * (beside + t * (p * rows[3][a] + q * rows[3][a + 1] + r * rows[3][a + 2]))


def _across(g: list[array[float]], a: int, v: _Weights, b: int, w: _Weights) -> float:
    """Of four rows and four other columns; a >= b."""
    if a - b >= 3:
        p, q, r, t = w
        c, d, e = b + 1, b + 2, b + 3
        total = 0.0
        for weight, row in zip(v, g[a : a + 4], strict=True):
            total += weight * (p * row[b] + q * row[c] + r * row[d] + t * row[e])
        return total
    total = 0.0
    for k, weight in enumerate(v):
        for m, other in enumerate(w):
            i, j = a + k, b + m
            total += weight * other * (g[i][j] if j <= i else g[j][i])
    return total


@functools.lru_cache(maxsize=512)  # the banks of all devices ask for the same ones
def _between(tau_s: float) -> tuple[int, _Weights]:
    """First node and weights of the cubic through four nodes of the grid: responses are smooth in the logarithm of the time constant."""
    place = math.log(max(tau_s, TAUS_S[0]) / TAUS_S[0]) / math.log(RATIO)
    first = min(max(int(place) - 1, 0), _N - 4)
    d = place - first
    a, b, c, e = d, d - 1.0, d - 2.0, d - 3.0
    return first, (-b * c * e / 6.0, a * c * e / 2.0, -a * b * e / 2.0, a * b * c / 6.0)
