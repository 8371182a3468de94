"""When a temperature reaches its limit if the power stays: the mixture over the models of a bank and over their parameters.

Each model's course and its uncertainty are known in closed form; the time is the first at which the course, shifted by a quantile of its
uncertainty, reaches the limit. That uncertainty is the posterior's own: what two poles do not explain already stands in the variance
learned from the readings, and how far a body is another one than last time in the deviation of its recalled time constants. So only a
little is added for a heatsink that is not quite two poles, `MODEL_ERROR` of the rise that is still to come: 2 % counted that doubt twice.
Source: as cited in `thermal_bank`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from loadlog.detectors.normal_equations import dot, whitened
from loadlog.detectors.thermal_bank import Bank, Solved

MODEL_ERROR = 0.005  # of the rise that is still to come
_Z = (-1.6449, -0.9674, -0.5244, -0.1257, 0.1257, 0.5244, 0.9674, 1.6449)  # mid-points of eight equal shares, the outer ones at 5 %


@dataclass(frozen=True, slots=True)
class Forecast:
    """``probability``: of reaching the limit at the present power; ``near``: of coming within a margin of it. Times from now in s: median
    and 90 % interval of those that reach it. ``final_c``: where it would settle, with deviation."""

    probability: float
    near: float
    time_s: float
    earliest_s: float
    latest_s: float
    final_c: float
    final_deviation_k: float


def forecast(bank: Bank, limit_c: float, margin_k: float = 0.0, worth_from: tuple[float, float] = (0.0, 0.0)) -> Forecast | None:
    """Time until the temperature reaches ``limit_c`` if the power stays; the times are left out (infinite) where the probabilities, of
    that and of coming within ``margin_k`` of it, are below ``worth_from``. None while nothing was solved."""
    if not bank.weights:
        return None
    now_c = bank.now_c() or 0.0
    courses = [(w, _Course(s, bank.features(s), bank.power, bank.origin_c, bank.variance, now_c)) for w, s in bank.weights]
    mean = square = probability = near = 0.0
    for w, course in courses:
        final_c, own = course.settled()
        mean += w * final_c
        square += w * (final_c * final_c + own * own)
        probability += w * _exceeds(final_c, own, limit_c)
        near += w * _exceeds(final_c, own, limit_c - margin_k)
    probability, near = min(probability, 1.0), min(near, 1.0)
    deviation = math.sqrt(max(square - mean * mean, 0.0))
    reached: list[tuple[float, float]] = []
    if probability >= worth_from[0] and near >= worth_from[1]:
        reached = sorted((t_s, w / len(_Z)) for w, course in courses for t_s in course.crossings(limit_c))
    if not reached:
        return Forecast(probability, near, math.inf, math.inf, math.inf, mean, deviation)
    total = math.fsum(w for _, w in reached)
    lo, mid, hi = (_quantile(reached, q * total) for q in (0.05, 0.5, 0.95))
    return Forecast(probability, near, mid, lo, hi, mean, deviation)


def _exceeds(mean: float, deviation: float, bound: float) -> float:
    """Probability, of a normal distribution."""
    return 0.5 * math.erfc((bound - mean) / (math.sqrt(2.0) * max(deviation, 1e-9)))


class _Course:
    """One model's temperature from now on at the present power. It and its parameters' uncertainty are made of 1, exp(-t/fast) and
    exp(-t/slow) and their products, so their coefficients are counted once and any instant costs two exponentials."""

    __slots__ = ("_fast_s", "_now_c", "_slow_s", "_squares", "_terms")

    def __init__(self, s: Solved, now: Sequence[float], power: float, origin_c: float, variance: float, now_c: float) -> None:
        self._fast_s, self._slow_s, self._now_c = s.fast_s, s.slow_s, now_c
        settled = (1.0, power, power, 0.0, 0.0)
        fast, slow = (0.0, now[1] - power, 0.0, now[3], 0.0), (0.0, 0.0, now[2] - power, 0.0, now[4])
        self._terms = (origin_c + dot(s.theta, settled), dot(s.theta, fast), dot(s.theta, slow))
        a, b, c = (whitened(s.factor, part) for part in (settled, fast, slow))
        self._squares = tuple(variance * dot(p, q) for p, q in ((a, a), (a, b), (a, c), (b, b), (b, c), (c, c)))

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


def _quantile(weighed: Sequence[tuple[float, float]], share: float) -> float:
    total = 0.0
    for value, weight in weighed:
        total += weight
        if total >= share:
            return value
    return weighed[-1][0]
