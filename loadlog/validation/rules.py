"""The checks of one channel that need memory: frozen, spike, rate of change. Each is O(1) in time and memory.

Intervals come from source timestamps (UTC), because only these are stored and a replay must give the same marks; an interval that is not
positive (clock stepped back, repeated stamp) checks nothing.
"""

from __future__ import annotations

import math
from collections import deque

from loadlog.model.device import ChannelSpec

FALSE_MARKS_PER_1000_H = 0.01  # frozen marks on one healthy channel, by design
BLOCK_PAIRS, BLOCK_S = 200, 60.0  # least differences and time of a block of learning
BLOCKS, LEAST_BLOCKS = 10, 4  # that count at most; before anything is called frozen, where they span `LEARN_S`
LEARN_S = 600.0
LONGEST_SEEN = 3
NEAR, ONE_JUMP = 6.0, 0.7
MAX_TEMPERATURE_RATE_K_PER_S = 20.0  # sensors in contact with a mass or in a sheath; common practice, not from a standard
_MEAN_ABS_DIFFERENCE_TO_SIGMA = math.sqrt(math.pi) / 2.0  # of white Gaussian noise


class FrozenRule:
    """Identical counts for longer than the noise makes credible.

    Model: reading = level + white noise of s counts, rounded. Two successive counts agree with a probability of at most sum p_k(s)^2 where
    the level stands in the middle of a count (the quietest place). s is learned from the *second* difference of the counts, which a ramp
    does not touch, and only from second differences of three counts and more: with less than a quarter of a count of noise they do not
    occur, wherever the level stands. So a coarse and quiet channel has s = 0 and is never called frozen; a converter with steps of several
    counts is judged in these, the smallest change so far. A run of n identical counts is not
    credible when P^n falls below the stated rate; n is doubled against correlated noise. The agreement seen in fact replaces P when it is
    larger. Noise and level need not be independent: polls that jitter see mains hum as noise but at its crests, where a slow beat leaves
    them, and a converter with missing codes is noisy beside these. So a run is credible up to `LONGEST_SEEN` times the longest that ended:
    in white noise that one has P^n ~ 1/N among N pairs, and such a run the third power of it. Noise that was learned at another level says
    nothing of this one: the last change back, which a ramp does not make, must have been within `NEAR` deviations and a count, or nearly
    all of the way was gone in one poll, by what froze it.

    Noise may come in bursts, so s is learned in blocks of a minute and more, and the quietest of the last `BLOCKS` counts: noise that
    lasted longer than ten minutes (at slow polls `LEAST_BLOCKS` blocks) and then ends for good is taken for a frozen reading. Learning
    starts anew (`restart`) at a step, because noise depends on the operating point. A reading of exactly zero counts (input off, clamped)
    is never judged.
    """

    __slots__ = (
        "_alpha",
        "_big",
        "_block_pairs",
        "_blocks",
        "_last",
        "_limit",
        "_longest",
        "_most",
        "_move",
        "_needed",
        "_pairs",
        "_previous",
        "_run",
        "_same",
        "_step",
        "_turn",
    )

    def __init__(self, period_s: float) -> None:
        self._alpha = FALSE_MARKS_PER_1000_H * period_s / 3.6e6
        self._block_pairs = max(BLOCK_PAIRS, math.ceil(BLOCK_S / period_s))
        self._step = 1 << 60  # smallest change so far, counts
        self._needed = min(BLOCKS, max(LEAST_BLOCKS, math.ceil(LEARN_S / (self._block_pairs * period_s))))
        self.restart()

    def restart(self) -> None:
        """Forget what was learned."""
        self._last: int | None = None
        self._previous: int | None = None
        self._pairs = self._same = self._big = self._longest = 0
        self._blocks: deque[tuple[float, float, int]] = deque(maxlen=BLOCKS)  # shares of large second differences, equal pairs; longest run
        self._run = self._limit = 0
        self._move = self._most = 0  # the last change, and the largest since the last that went back
        self._turn = math.inf  # where that was

    def update(self, count: int) -> bool:
        """True when the channel stands frozen at this count."""
        last, previous = self._last, self._previous
        self._last, self._previous = count, last
        if count == last:
            self._run += 1
            if self._run < 8 or count == 0:
                return False
            if self._limit == 0:  # once a run
                self._limit = self._credible_run()
            return self._run >= self._limit
        if last is not None:
            self._learn(count, last, previous)
        self._run = self._limit = 0
        return False

    def _learn(self, count: int, last: int, previous: int | None) -> None:
        if self._limit == 0 or self._run < self._limit:  # a frozen run teaches nothing
            self._pairs += self._run + 1
            self._same += self._run
            self._longest = max(self._longest, self._run)
        move = count - last
        if move * self._move < 0:
            self._turn, self._most = 0.5 * (count + last), 0
        self._move, self._most = move, max(self._most, abs(move))
        self._step = min(self._step, abs(move))
        if previous is not None and abs(count - 2 * last + previous) >= 3 * self._step:
            self._big += 1
        if self._pairs >= self._block_pairs:
            self._blocks.append((self._big / self._pairs, self._same / self._pairs, self._longest))
            self._pairs = self._same = self._big = self._longest = 0

    def _credible_run(self) -> int:
        """The longest run of identical counts that the noise makes credible; beyond any run while too little is known."""
        if len(self._blocks) >= self._needed:
            big = min(block[0] for block in self._blocks)
            agree = max(_agreement(_noise_counts(big)), *(block[1] for block in self._blocks))
            if big > 0.01 and agree < 0.9 and not self._came_from_afar():
                longest = max(self._longest, *(block[2] for block in self._blocks))
                return max(2 * math.ceil(math.log(self._alpha) / math.log(max(agree, 0.05))), LONGEST_SEEN * longest)
        return 1 << 60

    def _came_from_afar(self) -> bool:
        """Over some polls, without a change back; in one it may have gone there by what froze it."""
        away, most = abs((self._last or 0) - self._turn), max(block[0] for block in self._blocks)
        return away > (NEAR * _noise_counts(most) + 1.0) * self._step and self._most < ONE_JUMP * away


def _cdf(x: float) -> float:
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


def _noise_counts(share_big: float) -> float:
    """Noise in counts whose second difference (deviation √6·s) reaches three counts (2.5 before rounding) with this probability.

    Inverted by bisection; share 0 gives the lower end 0.25.
    """
    low, high = 0.25, 50.0
    for _ in range(20):
        middle = math.sqrt(low * high)
        if 2.0 * _cdf(-2.5 / (math.sqrt(6.0) * middle)) < share_big:
            low = middle
        else:
            high = middle
    return low


def _agreement(sigma: float) -> float:
    """Probability that two rounded readings agree when the level stands in the middle of a count."""
    if sigma > 3.0:  # density of the difference at zero
        return 1.0 / (2.0 * math.sqrt(math.pi) * sigma)
    return math.fsum((_cdf((k + 0.5) / sigma) - _cdf((k - 0.5) / sigma)) ** 2 for k in range(-12, 13))


class SpikeRule:
    """A sudden departure from the level so far. Whether it is a spike is known one sample later only; so the *departing* sample is marked
    ``possible_spike`` when nothing else explains it (the validator asks the other channels), and never two in a row: a value that stays is
    a step and good from its second sample on.

    Departure: more than 8 sigma of the learned noise (mean absolute successive difference), more than five counts and more than the
    accuracy's bound, so that a mark says something about the measurand. Gaussian noise alone: below 1e-14 a sample.
    """

    __slots__ = ("_flagged", "_level", "_mean_abs", "_seen", "_smallest")
    MIN_SEEN = 20

    def __init__(self, spec: ChannelSpec) -> None:
        self._smallest = 5.0 * spec.resolution
        self._level: float | None = None
        self._mean_abs = 0.0
        self._seen = 0
        self._flagged = False

    def departs(self, value: float, bound: float) -> bool:
        """Whether the value departs; ``bound`` is the accuracy's half-width at the value, in the channel's unit."""
        level = self._level
        if level is None:
            self._level = value
            return False
        step = abs(value - level)
        limit = max(8.0 * _MEAN_ABS_DIFFERENCE_TO_SIGMA * self._mean_abs, self._smallest, bound)
        departs = step > limit and self._seen >= self.MIN_SEEN
        weight = 1.0 / min(self._seen + 1, 200)
        self._mean_abs += weight * (min(step, limit if self._seen >= self.MIN_SEEN else step) - self._mean_abs)
        self._seen += 1
        if not departs or self._flagged:
            self._level, self._flagged = value, False
        return departs

    def flag(self, value: float) -> bool:
        """The departure is unexplained: True when it is to be marked, False when the sample before was marked (then it is a step)."""
        if self._level == value:  # `departs` has accepted it as the second departure in a row
            return False
        self._flagged = True
        return True

    def accept(self, value: float) -> None:
        """The departure is explained: the value is the new level."""
        self._level, self._flagged = value, False


class RateRule:
    """Faster than the measurand can change: temperatures by `MAX_TEMPERATURE_RATE_K_PER_S`, charge and energy by the rated current or power
    (a fall is a counter that was reset). Two counts, for a temperature the accuracy's bound at zero, are allowed on top. Other channels may
    step."""

    __slots__ = ("_falls_freely", "_last", "_rate_per_s", "_slack", "_t_ns")

    def __init__(self, rate_per_s: float, slack: float, falls_freely: bool) -> None:
        self._rate_per_s, self._slack, self._falls_freely = rate_per_s, slack, falls_freely
        self._last: float | None = None
        self._t_ns = 0

    def too_fast(self, value: float, t_ns: int) -> bool:
        """Whether the change since the last reading is faster than possible."""
        last, dt_s = self._last, (t_ns - self._t_ns) / 1e9
        self._last, self._t_ns = value, t_ns
        if last is None or dt_s <= 0:
            return False
        change = value - last
        if self._falls_freely and change < 0:
            return False
        return abs(change) > self._rate_per_s * dt_s + self._slack


def rate_rule_for(spec: ChannelSpec, rated_current_a: float | None, rated_power_w: float | None) -> RateRule | None:
    """The rate rule of a channel by its unit, or None when its measurand may step."""
    slack = 2.0 * spec.resolution
    if spec.unit == "°C":
        slack = max(slack, spec.accuracy.half_width(0.0) if spec.accuracy else 0.0)
        return RateRule(MAX_TEMPERATURE_RATE_K_PER_S, slack, falls_freely=False)
    rated = {"A·h": rated_current_a, "W·h": rated_power_w}.get(spec.unit)
    return None if rated is None else RateRule(1.05 * abs(rated) / 3600.0, slack, falls_freely=True)
