"""What else than a step the residuals around it may be: a burst of noise, or a ramp. `steps` says what each is.

Everything is a likelihood over that of the step, so 1 is as good an explanation. Pure functions of residuals, which lie beside the level
and its slope, newest last; ``sigma`` is the deviation of one of them.
Source: ratio of marginal likelihoods, as cited in `steps`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from operator import mul

BURST_FACTORS = tuple(1.5 * 1.4**n for n in range(10))  # 1.5 to 31
BURST_LEADS = (0, 3, 5, 8, 12)  # samples before the edge from which the burst may go
RAMP_LENGTHS = (5, 6, 8, 10, 12)  # samples until a ramp that ends is there; with 3, one step of six deviations in fourteen was doubted
RAMP_SHAPES = tuple(
    (length, tuple(k / length for k in range(1, length)), sum((k / length) ** 2 for k in range(1, length))) for length in RAMP_LENGTHS
)
NO_LIKELIHOOD = -750.0  # a logarithm whose exponential is 0 in double precision


@dataclass(frozen=True, slots=True)
class Residuals:
    """Those around a step, from which its rivals are weighed when somebody asks: ``before`` it, ``since`` it began (with the one in
    transition), and ``after`` it. ``short``: usual deviation of one sample; ``deviation``: usual deviation of the mean of those after."""

    before: list[float]
    since: list[float]
    after: list[float]
    short: float
    deviation: float


def ramp(residuals: list[float], step_square: float, sigma: float) -> float:
    """Likelihood of a kink (zero until a sample, then a straight line; any of them alike), and of a ramp that ends, over that of the step,
    which leaves ``step_square``."""
    square = sum(r * r for r in residuals)
    product = total = kinks = 0.0
    for length in range(1, len(residuals) + 1):
        # sum of r * (1 ... length) over the last ones, kept up as the line grows by one at its beginning
        product += sum(residuals[-length:])
        kink_square = square - product * product / (length * (length + 1) * (2 * length + 1) / 6.0)
        if length >= 2:
            kinks += 1.0
            total += math.exp(min((step_square - kink_square) / (2.0 * sigma * sigma), 300.0))
    return total / kinks + ended_ramp(residuals, step_square - square, sigma)


def ended_ramp(residuals: list[float], excess: float, sigma: float) -> float:
    """Likelihood of a straight line over some samples and a constant from then on, any beginning and length alike, over that of the step,
    which leaves ``excess`` more than nothing at all would."""
    after = [0.0]  # sums of the last ones
    for r in reversed(residuals):
        after.append(after[-1] + r)
    least = NO_LIKELIHOOD * 2.0 * sigma * sigma - excess
    beside = [*accumulate(map(abs, residuals), initial=0.0)]  # sums of magnitudes of the first ones
    total = ramps = 0.0
    for length, shape, shape_square in RAMP_SHAPES:
        for constant in range(1, len(residuals) - length + 1):  # samples after its end, with the one that reaches it
            ramps += 1.0
            end = len(residuals) - constant
            most = abs(after[constant]) + beside[end]
            if most * most < least * (shape_square + constant):
                continue
            product = after[constant] + sum(map(mul, shape, residuals[end - len(shape) : end]))
            gain = excess + product * product / (shape_square + constant)
            total += math.exp(min(gain / (2.0 * sigma * sigma), 300.0))
    return total / ramps if ramps else 0.0


def burst(before: Sequence[float], size: float, samples: int, square: float, short: float, deviation: float) -> float:
    """Density of the data, 1/unit, as a burst over their likelihood as a step of just ``size``.

    ``square``: sum of squares around ``size`` within its ``samples``; ``short``: usual deviation of one sample; ``deviation``: usual
    deviation of their mean.
    """
    leads = []
    for lead in BURST_LEADS:
        part = before[len(before) - lead :] if lead else []
        mean = sum(part) / lead if lead else 0.0
        leads.append((max(lead - 1, 0), sum((r - mean) ** 2 for r in part)))
    total = 0.0
    for factor in BURST_FACTORS:
        excess = factor * factor - 1.0
        variance = deviation * deviation + excess * short * short / samples
        gain = excess / (2.0 * factor * factor * short * short)
        level = -0.5 * size * size / variance - 0.5 * math.log(2.0 * math.pi * variance)
        log_factor = math.log(factor)
        for freedom, around in leads:
            total += math.exp(min(level + (square + around) * gain - (samples - 1 + freedom) * log_factor, 300.0))
    return total / (len(BURST_FACTORS) * len(BURST_LEADS))
