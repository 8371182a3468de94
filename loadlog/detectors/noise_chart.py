"""Whether a channel's noise is still the learned one: logarithms of block variances against their own mean and deviation.

The logarithm of a variance estimate is nearly normal with a deviation that depends on the number of independent samples only (Bartlett and
Kendall), so correlated noise and few samples show in the learned deviation by themselves. A change must be shown by `SUSTAINED` blocks of
at most `SUSTAINED` + 1 in a row, each beyond mean ± max(ln 2.25, c·s): 2.25 in variance is one half more in deviation, the least that is
told. The one that may fall short must lie on the same side of the mean: the variance of a few samples scatters, and a doubled noise would
else be counted anew again and again. c follows from the stated false-alarm probability p a block, shared among the SUSTAINED + 1 places
where that one can stand, as the normal quantile of (p/(SUSTAINED + 1))^(2/SUSTAINED), as if every second block were independent. Two
minutes and more are so insisted on: a burst is no change of the noise.

Rounding: variances below the square of half a count are taken for that, so a level that creeps from the middle of a count to its edge
changes nothing; noise that shrinks into the rounding is not told. A count is the smallest change that was seen, where that is more than the
channel's resolution: converters are often coarser than the digits that are shown. What lies within two of them is rounding, as it is about
a code that the converter lacks, or nearly so. Nor is noise told as shrunk within `CLIPPED` deviations of zero: instruments show nothing
below it.
Source: M. S. Bartlett, D. G. Kendall, J. R. Stat. Soc. Suppl. 8 (1946) 128 (log variance); the F test of two variances is its large-sample
equal.
"""

from __future__ import annotations

import math

from loadlog.detectors.blocks import Block, quiet_floor
from loadlog.detectors.converter import MISSING
from loadlog.detectors.statistics import Moments, two_sided_quantile

LEARN, MEMORY, SUSTAINED = 30, 720, 12
LEAST_LOG_RATIO = math.log(2.25)
CLIPPED = 3.0  # deviations from zero
SAME_FLOOR = 0.9  # counts are whole numbers, and their values are not


class NoiseChart:
    """One channel. ``probability``: of a false alarm a block; ``quantum``: a count; ``fixed``: deviation that is not to be learned."""

    __slots__ = (
        "_c",
        "_far",
        "_fixed",
        "_floor",
        "_logs",
        "_short",
        "_step",
        "_unshown_ns",
        "_variance",
        "correlation",
        "far",
        "quantum",
        "samples",
        "sign",
    )

    def __init__(self, probability: float, quantum: float, fixed: float | None) -> None:
        self._c = two_sided_quantile(2.0 * (probability / (SUSTAINED + 1)) ** (2.0 / SUSTAINED))
        self.quantum = quantum
        self._fixed = fixed
        self.restart()

    def restart(self) -> None:
        """Another operating point has another noise."""
        self._logs = Moments(MEMORY)
        self._variance = Moments(MEMORY)
        self._step = math.inf  # the smallest change so far
        self._floor = quiet_floor(self.quantum) ** 2
        self.correlation = 0.0
        self.samples = 0
        self._far: list[float] = []
        self._short = False  # one block of this row fell short already
        self.sign = 0
        self._unshown_ns: dict[int, int] = {}

    @property
    def blocks(self) -> int:
        """Blocks learned from."""
        return self._logs.n

    @property
    def ready(self) -> bool:
        """Noise is known well enough to judge."""
        return self._fixed is not None or self._logs.n >= LEARN

    @property
    def usual(self) -> float:
        """Deviation of one sample, in the channel's unit."""
        return math.sqrt(self._variance.mean) if self._fixed is None else self._fixed

    @property
    def now(self) -> float:
        """Deviation over the blocks that departed."""
        return math.sqrt(math.fsum(self._far) / len(self._far)) if self._far else self.usual

    @property
    def unshown_ns(self) -> int:
        """Begin of the last block that did not show the change at all: on the other side of the usual; 0 when there was none."""
        return self._unshown_ns.get(self.sign, 0)

    @property
    def deviates(self) -> int:
        """Blocks of the present row beyond the bound, signed; `SUSTAINED` is a change."""
        return self.sign * len(self._far)

    def update(self, block: Block, begin_ns: int) -> None:
        """Take a block that began at ``begin_ns``."""
        if 0.0 < block.least < self._step:
            step, floor = block.least, quiet_floor(max(block.least, self.quantum)) ** 2
            if floor < SAME_FLOOR * self._floor:
                self.restart()  # what was learned was held for more than it was
            self._step, self._floor = step, floor
        log = math.log(max(0.0 if self._is_rounding(block) else block.variance, self._floor, 1e-300))
        if not self.ready:
            self._learn(block, log)
            return
        middle, spread = self._middle(block)
        departure = log - middle
        if departure <= 0.0:
            self._unshown_ns[1] = begin_ns
        if departure >= 0.0:
            self._unshown_ns[-1] = begin_ns
        bound = max(LEAST_LOG_RATIO, self._c * spread)
        sign = 1 if departure > bound else -1 if departure < -bound and abs(block.mean) >= CLIPPED * self.usual else 0
        if sign == 0 and self._far and not self._short and departure * self.sign > 0.0:
            self._short = True
            return
        if sign == 0 or sign != self.sign:
            self._far, self._short = [], False
        self.sign = sign
        if sign:
            self._far.append(block.variance)
            del self._far[:-SUSTAINED]
        elif self._fixed is None:
            self._learn(block, log)

    def _is_rounding(self, block: Block) -> bool:
        """All within two steps: readings go to and fro over a code that is narrow, or missing. A slope spans more."""
        return block.span <= MISSING * self._step

    def _middle(self, block: Block) -> tuple[float, float]:
        if self._fixed is None:
            return max(self._logs.mean, math.log(max(self._floor, 1e-300))), math.sqrt(self._logs.variance)
        return math.log(max(self._fixed**2, self._floor, 1e-300)), math.sqrt(2.0 / (block.n - 3))

    def _learn(self, block: Block, log: float) -> None:
        self._logs.update(log)
        self._variance.update(block.variance)
        self.samples += block.n
        self.correlation += (block.neighbours - self.correlation) / min(self._logs.n, MEMORY)
