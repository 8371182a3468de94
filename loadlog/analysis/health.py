"""The health of the data itself: how many polls came, how good, how late, how regular, how sure their instants are.

Quantiles come from a histogram with 20 steps a decade, so they are right within 12 % (and never below the truth); extremes are exact.
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
from loadlog.model.device import DeviceSpec
from loadlog.model.sample import Quality

PER_DECADE = 20
LOWEST_S, DECADES = 1e-6, 12


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
    """``expected``: polls that the rate makes of the span. ``gaps``: the longest stretches without any answer; ``backwards``: steps back of
    the system clock. ``interval``: between polls; ``lateness``: start after deadline; ``half_width``: of the instants."""

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
        self._histogram = np.zeros(PER_DECADE * DECADES + 1, np.int64)

    def add(self, seconds: Floats) -> None:
        self.moments.add(seconds)
        with np.errstate(divide="ignore"):
            place = np.ceil(PER_DECADE * np.log10(np.maximum(seconds, 0.0) / LOWEST_S))
        place = np.clip(np.nan_to_num(place, neginf=0.0), 0, len(self._histogram) - 1).astype(np.int64)
        self._histogram += np.bincount(place, minlength=len(self._histogram))

    def spread(self) -> Spread:
        if not self.moments.n:
            return Spread(None, None, None, None)
        return Spread(self.moments.mean, self._quantile(0.5), self._quantile(0.99), self.moments.maximum)

    def _quantile(self, share: float) -> float:
        place = int(np.searchsorted(np.cumsum(self._histogram), math.ceil(share * self.moments.n)))
        return min(self.moments.maximum, LOWEST_S * 10 ** (place / PER_DECADE)) if place else max(0.0, self.moments.minimum)


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
        self._answers.step(chunk.t_utc_ns[~chunk.failed])
        self._half_width.add(chunk.half_width_ns[~chunk.failed] / NS)
        self._lateness.add(chunk.lateness_ns / NS)
        times = chunk.t_utc_ns if self._last_ns is None else np.concatenate(([self._last_ns], chunk.t_utc_ns))
        between = np.diff(times) / NS
        self._interval.add(between[between > 0])
        self._last_ns = int(chunk.t_utc_ns[-1])
        for name, column in chunk.columns.items():
            if name in self._counts:
                self._count(name, chunk, column.quality, column.held)

    def _count(self, name: str, chunk: Chunk, quality: np.ndarray, held: np.ndarray) -> None:
        due = ~held
        good = chunk.good(name)
        uncertain = due & ~chunk.failed & (quality == Quality.UNCERTAIN)
        numbers = (int(good.sum()), int(uncertain.sum()), int((due & ~good & ~uncertain).sum()), int(held.sum()))
        self._counts[name] = [a + b for a, b in zip(self._counts[name], numbers, strict=True)]
        self._walks[name].step(chunk.t_utc_ns[good])

    def result(self) -> Health:
        """What was found so far."""
        walk = self._answers
        channels = {
            name: ChannelQuality(counts[0], counts[1], counts[2], counts[3], self._walks[name].coverage(self._span))
            for name, counts in self._counts.items()
            if any(counts)
        }
        return Health(
            self._spec.name, self._polls, self._failed, round(self._span.length_s / self._spec.period_s), walk.coverage(self._span),
            walk.gap_count, walk.gaps_s, walk.gaps, walk.backwards, self._interval.spread(), self._lateness.spread(),
            self._half_width.spread(), channels,
        )  # fmt: skip
