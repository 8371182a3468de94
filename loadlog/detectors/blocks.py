"""A channel condensed into blocks of some seconds: mean, deviation around the block's own curve, correlation of neighbours, largest jump.

A block is the unit of everything that is slow: drift, noise, the sharing of currents. Its deviation is that around its own parabola, so
neither a level nor a drift nor the knee of a discharge counts as noise, and of a slow noise the part that fits into the block does.
Successive samples give the correlation: von Neumann's ratio, the mean square successive difference over the variance, is 2 (1 - r) for a
correlation r of neighbours.

Rounding to counts of size q: a level that stands in the middle of a count shows no noise, one at the edge up to q/2, whatever the noise is.
So no deviation below `quiet_floor` is told from another. A converter may be coarser than the digits that it shows: ``least``, the smallest
change of a block, is at least its step. About a code that is narrow, or missing, it is up to q: ``span`` is two steps then.

Samples wait in an array of doubles (8 bytes each) until the block is full, so a sample costs one append; memory is bounded by the block.
Source: J. von Neumann, Ann. Math. Stat. 12 (1941) 367; least squares over 0..n-1 by
orthogonal polynomials in closed form.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from operator import mul, sub

BLOCK_S, BLOCK_SAMPLES, MOST_SAMPLES = 10.0, 16, 512
LEAST_SAMPLES = 8  # that `condense` takes


def block_samples(period_s: float) -> int:
    """Samples of a block: of `BLOCK_S`, at least `BLOCK_SAMPLES` and at most `MOST_SAMPLES`."""
    return min(max(BLOCK_SAMPLES, math.ceil(BLOCK_S / period_s)), MOST_SAMPLES)


def quiet_floor(quantum: float) -> float:
    """The largest deviation that rounding alone can show or hide."""
    return 0.5 * quantum


@dataclass(frozen=True, slots=True)
class Block:
    """``jump``: largest change from the mean of one quarter to that of the next; ``begins`` and ``ends``: means of the first and last
    quarter; ``variance`` around the parabola; ``neighbours``: correlation of successive samples, ``least``: their smallest difference (both
    0 where nothing varies); ``span``: from the smallest to the largest."""

    mean: float
    jump: float
    begins: float
    ends: float
    variance: float
    neighbours: float
    least: float
    n: int
    span: float


@lru_cache(maxsize=8)
def _squares(n: int) -> tuple[int, ...]:
    return tuple(k * k for k in range(n))


def condense(values: Sequence[float]) -> Block:
    """The block of at least `LEAST_SAMPLES`. Sums are taken relative to the first value, so a large level costs no digits."""
    n, first = len(values), values[0]
    offsets = array("d", [v - first for v in values])
    total = math.fsum(offsets)
    middle = 0.5 * (n - 1)
    first_moment, squares = math.fsum(map(mul, offsets, range(n))), math.fsum(map(mul, offsets, offsets))
    second_moment = math.fsum(map(mul, offsets, _squares(n)))
    slope = first_moment - middle * total
    bend = second_moment - 2.0 * middle * first_moment + (middle * middle - (n * n - 1.0) / 12.0) * total
    line, parabola = n * (n * n - 1.0) / 12.0, n * (n * n - 1.0) * (n * n - 4.0) / 180.0
    residual = max(squares - total * total / n - slope * slope / line - bend * bend / parabola, 0.0)
    differences = array("d", map(sub, offsets[1:], offsets))
    successive = math.fsum(map(mul, differences, differences)) / (n - 1)
    variance = residual / (n - 3)
    quarter = n // 4
    means = [math.fsum(offsets[k * quarter : (k + 1) * quarter]) / quarter for k in range(4)]
    jump = max(abs(means[k + 1] - means[k]) for k in range(3))
    correlation = 1.0 - 0.5 * successive / variance if variance > 0.0 else 0.0
    correlation, least = max(min(correlation, 0.999), -0.999), min(filter(None, map(abs, differences)), default=0.0)
    span = max(offsets) - min(offsets)
    return Block(first + total / n, jump, first + means[0], first + means[3], variance, correlation, least, n, span)


class Minutes:
    """Means of blocks gathered to means of about a minute; what a minute holds is one number a channel."""

    __slots__ = ("_n", "_sum", "blocks")

    def __init__(self, block_s: float) -> None:
        self.blocks = max(1, round(60.0 / block_s))
        self.restart()

    def restart(self) -> None:
        """Begin a new minute."""
        self._n, self._sum = 0, 0.0

    def update(self, mean: float) -> float | None:
        """Take a block's mean; the minute's mean when it is full."""
        self._n += 1
        self._sum += mean
        if self._n < self.blocks:
            return None
        out = self._sum / self._n
        self.restart()
        return out
