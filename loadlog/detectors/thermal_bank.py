"""A bank of two-pole thermal models, learned recursively from temperature and power; its forecast of the time to a limit.

Physics: the rise over ambient of a heated body is a sum of first-order responses to the power (Foster form), here two of them:
T = b + R_f·x_f + R_s·x_s + a_f·e_f + a_s·e_s, with x the power through a first-order lag of its time constant and e = exp(-t/τ), which
carries what was stored before anybody looked. Time constants stand on a grid (`TAUS_S`); b, R and a follow by linear least squares.
Invariants: all models share one Gram matrix of the features, updated once for each block of readings; any model is a part of it. So memory
is fixed, an update costs the square of the grid, and a model is solved only when a forecast is wanted. Models are weighed by their marginal
likelihood (Gaussian, weak priors) and by how likely their resistances are positive. The time to the limit is the mixture over models and
their parameters, widened by `MODEL_ERROR` of the rise that is still to come: a heatsink is not quite two poles.
Sources: first-order step response (any text on heat transfer, lumped capacitance); Bayesian linear regression (Bishop, Pattern Recognition
and Machine Learning, 3.3 to 3.5, from memory).
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass

RATIO = 1.5
TAUS_S = tuple(1.5 * RATIO**k for k in range(18))  # 1.5 s to 1,480 s
SLOW = (math.log(6.0), math.log(1400.0))  # logarithm of the slow time constant
APART = (math.log(1 / 30), math.log(1 / 3))  # of fast over slow
_STEPS = (9, 5)  # models in either direction
PRIOR_K = 20.0  # deviation of b and a
PRIOR_RISE_K = 80.0  # deviation of R at the power's scale
MODEL_ERROR = 0.03  # of the rise that is still to come
CORRELATED = 3.0  # readings rounded to counts are not independent: so many carry what one would
FORGET_S = 7200.0
_N = len(TAUS_S)
_SIZE = 2 * _N + 2  # 1, x.., e.., y
_Y = _SIZE - 1
_MOST_MODELS = 12
_Z = (-1.6449, -0.9674, -0.5244, -0.1257, 0.1257, 0.5244, 0.9674, 1.6449)  # mid-points of eight equal shares, the outer ones at 5 %


_Weights = tuple[float, float, float, float]
_NO_SLOW: tuple[float, int, _Weights, tuple[float, ...], tuple[float, float]] = (0.0, 0, (0.0, 0.0, 0.0, 0.0), (), (0.0, 0.0))


@dataclass(frozen=True, slots=True)
class Solved:
    """One model: parameters (b, R_f, R_s, a_f, a_s), lower Cholesky factor of their information row by row, log of its evidence."""

    fast_s: float
    slow_s: float
    theta: array[float]
    factor: array[float]
    rss: float
    log_det: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """``probability``: of reaching the limit at the present power. Times from now in s: median and 90 % interval of those that reach it.
    ``final_c``: where it would settle, with deviation."""

    probability: float
    time_s: float
    earliest_s: float
    latest_s: float
    final_c: float
    final_deviation_k: float


class Bank:
    """``scale_w``: the rated power; ``deviation_k``: of one block's reading; ``fast_s``, ``slow_s``: time constants when they are given."""

    __slots__ = (
        "_apart", "_e", "_gram", "_slow", "_slow_known", "_weights", "_window", "_x", "deviation_k", "n", "origin_c", "power",
        "scale_w", "variance",
    )  # fmt: skip

    def __init__(self, scale_w: float, deviation_k: float, fast_s: float | None = None, slow_s: float | None = None) -> None:
        self._slow = SLOW if slow_s is None else (math.log(slow_s), math.log(slow_s))
        self._apart = APART if fast_s is None or slow_s is None else (math.log(fast_s / slow_s), math.log(fast_s / slow_s))
        self.scale_w = scale_w
        self.deviation_k = deviation_k
        self._x = [0.0] * _N
        self._e = [1.0] * _N
        self._gram = [array("d", bytes(8 * (k + 1))) for k in range(_SIZE)]
        self._window = (*self._slow, *self._apart)
        self.variance = deviation_k**2
        self.n = 0.0
        self.origin_c = 0.0
        self.power = 0.0
        self._weights: list[tuple[float, Solved]] = []
        self._slow_known = _NO_SLOW

    def restart(self, temperature_c: float, power_w: float) -> None:
        """Nothing is known but the present state, taken as settled at this power."""
        self.power = power_w / self.scale_w
        self._x = [self.power] * _N
        self.relearn(temperature_c)

    def relearn(self, temperature_c: float) -> None:
        """The body is another one from here on (its cooling changed); the powers of the past still count."""
        self._e = [1.0] * _N
        for k, row in enumerate(self._gram):
            row[:] = array("d", bytes(8 * (k + 1)))
        self._window = (*self._slow, *self._apart)
        self.n = 0.0
        self.origin_c = temperature_c
        self._weights = []

    def advance(self, dt_s: float, power_w: float) -> None:
        """Time goes by at this mean power."""
        power = self.power = power_w / self.scale_w
        x, e = self._x, self._e
        for k, tau_s in enumerate(TAUS_S):
            keep = math.exp(-dt_s / tau_s)
            x[k] = power + (x[k] - power) * keep
            e[k] *= keep
        keep = math.exp(-dt_s / FORGET_S)
        if keep < 0.999:
            for row in self._gram:
                row[:] = array("d", [g * keep for g in row])
            self.n *= keep

    def observe(self, temperature_c: float, weight: float = 1.0) -> None:
        """A reading (mean of a block) at the present instant."""
        features = [1.0, *self._x, *self._e, temperature_c - self.origin_c]
        for row, one in zip(self._gram, features, strict=True):
            if one != 0.0:
                part = weight * one
                row[:] = array("d", [g + part * f for g, f in zip(row, features, strict=False)])
        self.n += weight

    def solve(self, times: int = 1) -> bool:
        """Weigh the models anew: on a grid over the window where the last ones were, which moves and widens until they lie inside; at most
        ``times`` now, it goes on where it stopped. True when they do."""
        return any((cells := self._weigh()) and self._focus(cells) for _ in range(times))

    def _weigh(self) -> list[tuple[int, int, float]]:
        """Place on the grid and weight of each model; the likeliest are kept."""
        low_u, high_u, low_r, high_r = self._window
        nu = _STEPS[0] if high_u > low_u else 1
        nr = _STEPS[1] if high_r > low_r else 1
        solved: list[tuple[int, int, Solved]] = []
        self._slow_known = _NO_SLOW
        for i in range(nu):
            u = low_u + (high_u - low_u) * i / max(nu - 1, 1)
            slow_s = math.exp(u)
            for j in range(nr):
                r = low_r + (high_r - low_r) * j / max(nr - 1, 1)
                one = self._solve(math.exp(u + r), slow_s)
                if one is not None:
                    solved.append((i, j, one))
        self._weights = []
        if not solved:
            return []
        best = min(s.rss for _, _, s in solved)
        variance = self.variance = CORRELATED * max(self.deviation_k**2, best / max(self.n - 5.0, 1.0))
        logs = [-0.5 * s.rss / variance - 0.5 * s.log_det + self._log_positive(s, variance) for _, _, s in solved]
        top = max(logs)
        weights = [math.exp(g - top) for g in logs]
        total = sum(weights)
        cells = [(i, j, w / total) for (i, j, _), w in zip(solved, weights, strict=True)]
        weighed = sorted(((w, s) for (_, _, s), w in zip(solved, weights, strict=True)), key=lambda w: -w[0])[:_MOST_MODELS]
        total = sum(w for w, _ in weighed)
        self._weights = [(w / total, s) for w, s in weighed if w > 1e-3 * total]
        return cells

    def _focus(self, cells: list[tuple[int, int, float]]) -> bool:
        """Fit the window to where the weights are; True when it was good enough to use what was solved."""
        good = True
        window: list[float] = []
        for axis, n, bounds, span in (
            (0, _STEPS[0], self._slow, self._window[:2]),
            (1, _STEPS[1], self._apart, self._window[2:]),
        ):
            low, high = span
            step = (high - low) / (n - 1)
            mean = sum(cell[axis] * cell[2] for cell in cells)
            variance = sum((cell[axis] - mean) ** 2 * cell[2] for cell in cells)
            edge_low = sum(c[2] for c in cells if c[axis] == 0)
            edge_high = sum(c[2] for c in cells if c[axis] == n - 1)
            outside = (edge_low > 0.05 and low > bounds[0] + 1e-9) or (edge_high > 0.05 and high < bounds[1] - 1e-9)
            deviation = step * math.sqrt(variance + (2.0 if outside else 0.1))
            half = max(2.5 * deviation, 0.02 * (n - 1))
            narrow = math.sqrt(variance) < 0.55 and step > 0.05
            good = good and not outside and not narrow
            centre = low + step * mean
            window += [max(bounds[0], centre - half), min(bounds[1], centre + half)]
        self._window = (window[0], window[1], window[2], window[3])
        return good

    def _solve(self, fast: float, slow: float) -> Solved | None:
        matrix, right_side = self._system(fast, slow)
        floor = self.deviation_k**2
        b, r = floor / PRIOR_K**2, floor / PRIOR_RISE_K**2
        ridge = (b, r, r, b, b)
        rows: list[list[float]] = []
        half: list[float] = []
        log_det = 0.0
        for i in range(5):
            given = matrix[i]
            row: list[float] = []
            for j in range(i):
                other = rows[j]
                value = given[j]
                for m in range(j):
                    value -= row[m] * other[m]
                row.append(value / other[j])
            pivot = given[i] + ridge[i]
            right = right_side[i]
            for m in range(i):
                pivot -= row[m] * row[m]
                right -= row[m] * half[m]
            if pivot <= 0.0:
                return None
            root = math.sqrt(pivot)
            row.append(root)
            rows.append(row)
            half.append(right / root)
            log_det += 2.0 * math.log(root)
        rss = max(self._gram[_Y][_Y] - sum(h * h for h in half), 0.0)
        theta = [0.0] * 5
        for i in range(4, -1, -1):
            theta[i] = (half[i] - sum(rows[m][i] * theta[m] for m in range(i + 1, 5))) / rows[i][i]
        return Solved(fast, slow, array("d", theta), array("d", [v for row in rows for v in row]), rss, log_det)

    def _system(self, fast_s: float, slow_s: float) -> tuple[list[list[float]], list[float]]:
        """Lower triangle of the normal equations of one pair, and its right side."""
        g, y = self._gram, self._gram[_Y]
        nf, f = _between(fast_s)
        x, e = 1 + nf, 1 + _N + nf
        if slow_s != self._slow_known[0]:  # a row of the grid shares it
            self._slow_known = (slow_s, *self._slow_terms(slow_s))
        _, ns, s, (s0, ss, e0, es, ee), right = self._slow_known
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
        g = self._gram
        ns, s = _between(slow_s)
        x, e = 1 + ns, 1 + _N + ns
        terms = (_first(g, x, s), _own(g, x, s), _first(g, e, s), _across(g, e, s, x, s), _own(g, e, s))
        return ns, s, terms, (_along(g[_Y], x, s), _along(g[_Y], e, s))

    @staticmethod
    def _deviation(s: Solved, gradient: Sequence[float], variance: float) -> float:
        """Of a linear function of the parameters."""
        return math.sqrt(variance * sum(v * v for v in _whitened(s, gradient)))

    def _log_positive(self, s: Solved, variance: float) -> float:
        total = 0.0
        for k in (1, 2):
            gradient = [0.0] * 5
            gradient[k] = 1.0
            z = s.theta[k] / max(self._deviation(s, gradient, variance), 1e-9)
            total += math.log(max(0.5 * math.erfc(-z / math.sqrt(2.0)), 1e-12))
        return total - math.log(max(abs(s.theta[1] + s.theta[2]), 1.0))

    def now_c(self) -> float | None:
        """The models' temperature at this instant."""
        if not self._weights:
            return None
        return self.origin_c + sum(w * _dot(s.theta, self._features(s)) for w, s in self._weights)

    def _features(self, s: Solved) -> tuple[float, ...]:
        """At this instant."""
        nf, wf = _between(s.fast_s)
        ns, ws = _between(s.slow_s)
        xf, xs = sum(w * v for w, v in zip(wf, self._x[nf:], strict=False)), sum(w * v for w, v in zip(ws, self._x[ns:], strict=False))
        ef, es = sum(w * v for w, v in zip(wf, self._e[nf:], strict=False)), sum(w * v for w, v in zip(ws, self._e[ns:], strict=False))
        return (1.0, xf, xs, ef, es)

    def resistance(self) -> tuple[float, float]:
        """Thermal resistance, K/W, with deviation (of the models' mixture)."""
        mean = square = 0.0
        for w, s in self._weights:
            value = s.theta[1] + s.theta[2]
            own = self._deviation(s, (0.0, 1.0, 1.0, 0.0, 0.0), self.variance)
            mean += w * value
            square += w * (value * value + own * own)
        return mean / self.scale_w, math.sqrt(max(square - mean * mean, 0.0)) / self.scale_w

    def time_constants(self) -> tuple[float, float, float] | None:
        """Fast and slow time constant, s, and the relative deviation of the slow one."""
        if not self._weights:
            return None
        logs = [(w, math.log(s.fast_s), math.log(s.slow_s)) for w, s in self._weights]
        fast, slow = sum(w * f for w, f, _ in logs), sum(w * u for w, _, u in logs)
        spread = math.sqrt(sum(w * (u - slow) ** 2 for w, _, u in logs))
        return math.exp(fast), math.exp(slow), math.hypot(spread, 0.02)

    def forecast(self, limit_c: float) -> Forecast | None:
        """Time until the temperature reaches ``limit_c`` if the power stays."""
        if not self._weights:
            return None
        now_c = self.now_c() or 0.0
        reached: list[tuple[float, float]] = []
        mean = square = 0.0
        for w, s in self._weights:
            course = _Course(s, self._features(s), self.power, self.origin_c, self.variance, now_c)
            final_c, own = course.settled()
            mean += w * final_c
            square += w * (final_c * final_c + own * own)
            reached += [(t_s, w / len(_Z)) for t_s in course.crossings(limit_c)]
        deviation = math.sqrt(max(square - mean * mean, 0.0))
        probability = sum(w for _, w in reached)
        if probability <= 0.0:
            return Forecast(0.0, math.inf, math.inf, math.inf, mean, deviation)
        reached.sort()
        lo, mid, hi = (_quantile(reached, q * probability) for q in (0.05, 0.5, 0.95))
        return Forecast(min(probability, 1.0), mid, lo, hi, mean, deviation)


class _Course:
    """One model's temperature from now on at the present power. It and its parameters' uncertainty are made of 1, exp(-t/fast) and
    exp(-t/slow) and their products, so their coefficients are counted once and any instant costs two exponentials."""

    __slots__ = ("_fast_s", "_now_c", "_slow_s", "_squares", "_terms")

    def __init__(self, s: Solved, now: Sequence[float], power: float, origin_c: float, variance: float, now_c: float) -> None:
        self._fast_s, self._slow_s, self._now_c = s.fast_s, s.slow_s, now_c
        settled = (1.0, power, power, 0.0, 0.0)
        fast, slow = (0.0, now[1] - power, 0.0, now[3], 0.0), (0.0, 0.0, now[2] - power, 0.0, now[4])
        self._terms = (origin_c + _dot(s.theta, settled), _dot(s.theta, fast), _dot(s.theta, slow))
        a, b, c = (_whitened(s, part) for part in (settled, fast, slow))
        self._squares = tuple(variance * _dot(p, q) for p, q in ((a, a), (a, b), (a, c), (b, b), (b, c), (c, c)))

    def settled(self) -> tuple[float, float]:
        """Where it ends, °C, and the deviation of that, K."""
        return self._terms[0], math.hypot(math.sqrt(self._squares[0]), MODEL_ERROR * (self._terms[0] - self._now_c))

    def at(self, t_s: float) -> tuple[float, float]:
        """Temperature then, °C, and its deviation, K."""
        f, s = math.exp(-t_s / self._fast_s), math.exp(-t_s / self._slow_s)
        one, by_f, by_s = self._terms
        aa, ab, ac, bb, bc, cc = self._squares
        value = one + f * by_f + s * by_s
        square = aa + f * (2.0 * (ab + s * bc) + f * bb) + s * (2.0 * ac + s * cc)
        more = MODEL_ERROR * (value - self._now_c)
        return value, math.sqrt(max(square, 0.0) + more * more)

    def crossings(self, limit_c: float) -> list[float]:
        """When the curve, shifted by each of `_Z` deviations, crosses the limit, where it does: bisection on a curve that is taken as
        rising."""
        at = self.at
        times, t_s, longest_s = [0.0], 0.3 * self._fast_s, 8.0 * self._slow_s
        while t_s <= longest_s or len(times) == 1:
            times.append(t_s)
            t_s *= 1.6
        steps = [at(t_s) for t_s in times]
        found: list[float] = []
        if max(value + _Z[-1] * own for value, own in steps) < limit_c:
            return found
        for z in _Z:
            k = next((k for k, (value, own) in enumerate(steps) if value + z * own >= limit_c), None)
            if k is None:
                continue
            low_s, high_s = times[max(k - 1, 0)], times[k]
            for _ in range(8 if k else 0):
                middle = 0.5 * (low_s + high_s)
                value, own = at(middle)
                if value + z * own >= limit_c:
                    high_s = middle
                else:
                    low_s = middle
            found.append(0.5 * (low_s + high_s))
        return found


def _whitened(s: Solved, gradient: Sequence[float]) -> list[float]:
    """The gradient over the Cholesky factor: its square, times the variance, is that of the linear function."""
    z: list[float] = []
    factor, begin = s.factor, 0
    for i, given in enumerate(gradient):
        value = given
        for m in range(i):
            value -= factor[begin + m] * z[m]
        z.append(value / factor[begin + i])
        begin += i + 1
    return z


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


def _between(tau_s: float) -> tuple[int, _Weights]:
    """First node and weights of the cubic through four nodes of the grid: responses are smooth in the logarithm of the time constant."""
    place = math.log(max(tau_s, TAUS_S[0]) / TAUS_S[0]) / math.log(RATIO)
    first = min(max(int(place) - 1, 0), _N - 4)
    d = place - first
    a, b, c, e = d, d - 1.0, d - 2.0, d - 3.0
    return first, (-b * c * e / 6.0, a * c * e / 2.0, -a * b * e / 2.0, a * b * c / 6.0)


def _dot(a: Sequence[float], b: Sequence[float]) -> float:
    return sum(p * q for p, q in zip(a, b, strict=True))


def _quantile(weighed: Sequence[tuple[float, float]], share: float) -> float:
    total = 0.0
    for value, weight in weighed:
        total += weight
        if total >= share:
            return value
    return weighed[-1][0]
