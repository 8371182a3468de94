"""What else than a step the residuals around it may be: a burst of noise, or a ramp. `steps` says what each is.

Everything is a likelihood over that of the step, so 1 is as good an explanation. Pure functions of residuals, which lie beside the level
and its slope, newest last; ``sigma`` is the deviation of one of them.
Source: ratio of marginal likelihoods, as cited in `steps`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from operator import mul

BURST_FACTORS = tuple(1.5 * 1.4**n for n in range(10))  # 1.5 to 31
BURST_LEADS = (0, 3, 5, 8, 12)  # samples before the edge from which the burst may go
RAMP_LENGTHS = (5, 6, 8, 10, 12)  # samples until a ramp that ends is there; with 3, one step of six deviations in fourteen was doubted
RAMP_SHAPES = tuple(
    (length, tuple(k / length for k in range(1, length)), 0.5 * (length - 1), math.fsum((k / length) ** 2 for k in range(1, length)))
    for length in RAMP_LENGTHS
)  # with the sums of the shape before its end, and of its squares
ENDED_SHARE = 0.05  # of the ramps end within sight, after one of those lengths; a judgement
NO_LIKELIHOOD = -750.0  # a logarithm whose exponential is 0 in double precision


@dataclass(frozen=True, slots=True)
class Residuals:
    """Those around a step, from which its rivals are weighed when somebody asks: ``before`` it, ``since`` it began (with the one in
    transition), and ``after`` it. ``short``: usual deviation of one sample; ``deviation``: usual deviation of the mean of those after;
    ``level``: variance of the level they lie beside, in variances of one sample."""

    before: list[float]
    since: list[float]
    after: list[float]
    short: float
    deviation: float
    level: float


def ramp(near: list[float], seen: Residuals, sigma: float) -> float:
    """Likelihood of a ramp over that of the step, wherever either began. ``near``: residuals just before the step.

    A ramp may go on (a kink: zero, then a straight line) or end within sight. It is as likely to begin at one sample as a step is, so both
    are summed over their beginnings: the step's best edge, with its sample in transition, and any other edge.

    The level is uncertain for all of them alike: with its variance v among n residuals, scalar products are u·r - w (1·u)(1·r) with w =
    v/(1 + n v), generalised least squares with a normal constant taken out. A level that is off by chance then is no beginning of a ramp.
    """
    residuals, told = [*near, *seen.since], [*near, *seen.after]
    level, total, size = _shared(seen.level, len(residuals)), math.fsum(residuals), len(seen.after)
    by_step = _shared(seen.level, len(told))
    toward = math.fsum(seen.after) - by_step * math.fsum(told) * size
    left = math.fsum(r * r for r in told) - by_step * math.fsum(told) ** 2 - toward * toward / (size - by_step * size * size)
    excess = left - math.fsum(r * r for r in residuals) + level * total * total
    spread, offset = 2.0 * sigma * sigma, level * total
    product = last = kinks = 0.0
    edges = 1.0
    for length in range(1, len(residuals) + 1):
        # sum of r * (1 ... length) over the last ones, kept up as the line grows by one at its beginning
        last += residuals[-length]
        product += last
        if length >= 2:
            shape, square = 0.5 * length * (length + 1), length * (length + 1) * (2 * length + 1) / 6.0
            along = product - offset * shape
            kinks += math.exp(min((excess + along * along / (square - level * shape * shape)) / spread, 300.0))
            if length != size:
                along = last - offset * length
                edges += math.exp(min((excess + along * along / (length - level * length * length)) / spread, 300.0))
    return ((1.0 - ENDED_SHARE) * kinks + ENDED_SHARE * ended_ramps(residuals, excess, sigma, level)) / edges


def _shared(variance: float, samples: int) -> float:
    """What of the product of two sums the uncertainty of a common level takes from a scalar product."""
    return variance / (1.0 + samples * variance)


def ended_ramps(residuals: list[float], excess: float, sigma: float, level: float = 0.0) -> float:
    """Likelihood of a straight line over some samples and a constant from then on, over that of the step, which leaves ``excess`` more than
    nothing at all would: summed over beginnings, the mean over lengths. ``level``: as `_shared` has it."""
    after = [0.0]  # sums of the last ones
    for r in reversed(residuals):
        after.append(after[-1] + r)
    least = NO_LIKELIHOOD * 2.0 * sigma * sigma - excess
    beside = [*accumulate(map(abs, residuals), initial=0.0)]  # sums of magnitudes of the first ones
    offset = level * after[-1]
    total = 0.0
    for length, shape, shape_sum, shape_square in RAMP_SHAPES:
        for constant in range(1, len(residuals) - length + 1):  # samples after its end, with the one that reaches it
            end, whole = len(residuals) - constant, shape_sum + constant
            square = shape_square + constant - level * whole * whole
            most = abs(after[constant]) + beside[end] + abs(offset) * whole
            if most * most < least * square:
                continue
            product = after[constant] + math.fsum(map(mul, shape, residuals[end - len(shape) : end])) - offset * whole
            gain = excess + product * product / square
            total += math.exp(min(gain / (2.0 * sigma * sigma), 300.0))
    return total / len(RAMP_SHAPES)


def burst(seen: Residuals, size: float) -> float:
    """Density of the data, 1/unit, as a burst over their likelihood as a step of just ``size``, the mean of those after it."""
    before, short, samples = seen.before, seen.short, len(seen.after)
    freedom, square = samples - 1, math.fsum((r - size) ** 2 for r in seen.after)
    leads = []
    for lead in BURST_LEADS:
        more, around = _scatter(before[len(before) - lead :]) if lead else (0.0, 0.0)
        leads.append((freedom + more, square + around))
    total = 0.0
    for factor in BURST_FACTORS:
        excess = factor * factor - 1.0
        variance = seen.deviation * seen.deviation + excess * short * short / samples
        gain = excess / (2.0 * factor * factor * short * short)
        level = -0.5 * size * size / variance - 0.5 * math.log(2.0 * math.pi * variance)
        log_factor = math.log(factor)
        for free, around in leads:
            total += math.exp(min(level + around * gain - free * log_factor, 300.0))
    return total / (len(BURST_FACTORS) * len(BURST_LEADS))


def _scatter(residuals: Sequence[float]) -> tuple[float, float]:
    """Degrees of freedom and sum of squares of the short-term deviation before a step, from successive differences as `Residuals.short` is:
    a level that wanders beside its line is no scatter. Of n white residuals n - 1 differences are worth 2 (n - 1)^2 / (3 n - 4) degrees
    (J. von Neumann, Ann. Math. Stat. 12 (1941) 367: the variance of the mean square difference)."""
    differences = len(residuals) - 1
    if differences < 1:
        return 0.0, 0.0
    square = 0.5 * math.fsum((b - a) ** 2 for a, b in pairwise(residuals))
    freedom = 2.0 * differences * differences / (3.0 * differences - 1.0)
    return freedom, square * freedom / differences
