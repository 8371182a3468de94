"""The health of the data itself: how many polls came, how good, how late, how regular, how sure their instants are.

Quantiles come from a histogram with 8 steps an octave, so they are at most 12.5 % above the truth and never below it; extremes are exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from loadlog.analysis.chunk import Chunk, Floats
from loadlog.analysis.moments import Moments
from loadlog.analysis.walk import PERIODS_OF_A_GAP, Interval, Span, Walk
from loadlog.model.clock import NS
from loadlog.model.device import DeviceSpec, polls_due
from loadlog.model.sample import Quality

LOWEST_S, HIGHEST_S = 1e-7, 1e7
_SHIFT = (
    49  # of the bits of a double: leaves sign, exponent and three bits of the fraction (IEEE 754), so one step is an eighth of an octave
)


def _step_of(seconds: float) -> int:
    return int(np.array([seconds]).view(np.int64)[0]) >> _SHIFT


_FIRST, _LAST = _step_of(LOWEST_S), _step_of(HIGHEST_S)


@dataclass(frozen=True, slots=True)
class Spread:
    """Of a time in s; None where there is nothing."""

    mean: float | None
    median: float | None
    p99: float | None
    maximum: float | None


@dataclass(frozen=True, slots=True)
class ChannelQuality:
    """Polls in which the channel was due, by quality. ``coverage``: share of the span in which it was seen good."""

    good: int
    uncertain: int
    bad: int
    held: int
    coverage: float


@dataclass(frozen=True, slots=True)
class Health:
    """``expected``: polls that the rate makes of the span, never fewer than were made. ``gaps``: the longest stretches without any answer;
    ``backwards``: steps back of the system clock. ``interval``: between polls; ``lateness``: start after deadline;
    ``half_width``: of the instants."""

    device: str
    polls: int
    failed: int
    expected: int
    coverage: float
    gap_count: int
    gaps_s: float
    gaps: tuple[Interval, ...]
    backwards: int
    interval: Spread
    lateness: Spread
    half_width: Spread
    channels: dict[str, ChannelQuality] = field(default_factory=dict)

    @property
    def answered_share(self) -> float | None:
        """Answers over expected polls, at most 1; None when none was expected."""
        return min(1.0, (self.polls - self.failed) / self.expected) if self.expected else None

    def to_json(self) -> dict[str, Any]:
        """For programs."""
        spreads = {k: {s: getattr(getattr(self, k), s) for s in Spread.__slots__} for k in ("interval", "lateness", "half_width")}
        return {
            "device": self.device, "polls": self.polls, "failed": self.failed, "expected": self.expected, "coverage": self.coverage,
            "answered_share": self.answered_share, "gap_count": self.gap_count, "gaps_s": self.gaps_s, "clock_steps_back": self.backwards,
            **{f"{k}_s": v for k, v in spreads.items()},
            "channels": {n: {s: getattr(c, s) for s in ChannelQuality.__slots__} for n, c in self.channels.items()},
        }  # fmt: skip


class _Times:
    """Mean, maximum and a logarithmic histogram of times in s."""

    def __init__(self) -> None:
        self.moments = Moments()
        self._histogram = np.zeros(_LAST - _FIRST + 1, np.int64)

    def add(self, seconds: Floats) -> None:
        self.moments.add(seconds)
        place = (np.clip(seconds, LOWEST_S, HIGHEST_S).view(np.int64) >> _SHIFT) - _FIRST
        self._histogram += np.bincount(place, minlength=len(self._histogram))

    def spread(self) -> Spread:
        if not self.moments.n:
            return Spread(None, None, None, None)
        return Spread(self.moments.mean, self._quantile(0.5), self._quantile(0.99), self.moments.maximum)

    def _quantile(self, share: float) -> float:
        place = int(np.searchsorted(np.cumsum(self._histogram), math.ceil(share * self.moments.n)))
        upper = float(np.array([(place + _FIRST + 1) << _SHIFT], np.int64).view(np.float64)[0])
        return min(self.moments.maximum, upper)


class DataHealth:
    """One pass over a device's chunks; ``span``: when it was meant to be polled."""

    def __init__(self, spec: DeviceSpec, span: Span) -> None:
        self._spec, self._span = spec, span
        self._polls = self._failed = 0
        self._answers = Walk(PERIODS_OF_A_GAP * spec.period_s)
        self._walks = {c.name: Walk(PERIODS_OF_A_GAP * spec.period_s * c.every) for c in spec.channels}
        self._counts = {c.name: [0, 0, 0, 0] for c in spec.channels}
        self._interval, self._lateness, self._half_width = _Times(), _Times(), _Times()
        self._last_ns: int | None = None

    def add(self, chunk: Chunk) -> None:
        """Take in the next chunk."""
        if not len(chunk):
            return
        self._polls += len(chunk)
        self._failed += int(np.count_nonzero(chunk.failed))
        self._answers.cover(chunk, chunk.good())
        self._half_width.add(chunk.pick(chunk.good(), chunk.half_width_ns) / NS)
        self._lateness.add(chunk.lateness_ns / NS)
        times = chunk.t_utc_ns if self._last_ns is None else np.concatenate(([self._last_ns], chunk.t_utc_ns))
        between = np.diff(times) / NS
        self._interval.add(between[between > 0])
        self._last_ns = int(chunk.t_utc_ns[-1])
        for name, column in chunk.columns.items():
            if name in self._counts:
                self._count(name, chunk, column.quality, column.held)

    def _count(self, name: str, chunk: Chunk, quality: np.ndarray, held: np.ndarray) -> None:
        good = chunk.good(name)
        held_polls, good_polls = int(np.count_nonzero(held)), int(np.count_nonzero(good))
        uncertain = 0
        if good_polls + held_polls < len(chunk):
            uncertain = int(np.count_nonzero(~held & ~chunk.failed & (quality == Quality.UNCERTAIN)))
        numbers = (good_polls, uncertain, len(chunk) - held_polls - good_polls - uncertain, held_polls)
        self._counts[name] = [a + b for a, b in zip(self._counts[name], numbers, strict=True)]
        self._walks[name].cover(chunk, good)

    def result(self) -> Health:
        """What was found so far."""
        walk = self._answers
        due = polls_due(self._spec.period_s, self._span.length_s, self._polls)
        channels = {
            name: ChannelQuality(counts[0], counts[1], counts[2], counts[3], self._walks[name].coverage(self._span))
            for name, counts in self._counts.items()
            if any(counts)
        }
        return Health(
            self._spec.name, self._polls, self._failed, due, walk.coverage(self._span),
            walk.gap_count, walk.gaps_s, walk.gaps, walk.backwards, self._interval.spread(), self._lateness.spread(),
            self._half_width.spread(), channels,
        )  # fmt: skip
