"""From good sample to good sample: which time was seen, which was not.

Two consecutive good samples at most ``gap_s`` apart have *seen* the time between them. A longer interval is a gap: counted, the longest
listed, never filled in silence. An interval that is not positive is a step of the system clock: nothing is computed across it.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from loadlog.analysis.chunk import Bools, Chunk, Floats, Ints
from loadlog.model.clock import NS
from loadlog.model.errors import UsageError

LISTED_GAPS = 100
PERIODS_OF_A_GAP = 2.5  # one missed poll is no gap yet


@dataclass(frozen=True, slots=True)
class Span:
    """From when to when something was meant to be recorded, UTC ns."""

    from_utc_ns: int
    to_utc_ns: int

    @property
    def length_s(self) -> float:
        """Never negative."""
        return max(0.0, (self.to_utc_ns - self.from_utc_ns) / NS)


@dataclass(frozen=True, slots=True)
class Interval:
    """A gap, UTC ns."""

    from_utc_ns: int
    to_utc_ns: int

    @property
    def length_s(self) -> float:
        """In s."""
        return (self.to_utc_ns - self.from_utc_ns) / NS


@dataclass(frozen=True, slots=True)
class Steps:
    """Intervals between consecutive good samples. ``seen``, ``gap``: which of them were seen, which are gaps; None: all, none.

    ``join``: the one interval from the last good sample of the chunk before to the first of this one.
    """

    dt_s: Floats
    seen: Bools | None = None
    gap: Bools | None = None
    join: bool = False

    def of_seen(self, array: Floats) -> Floats:
        """An array over the intervals, without those that were not seen."""
        return array if self.seen is None else array[self.seen]


class Walk:
    """Feeds on the good samples of chunk after chunk.

    Attributes:
        samples: good samples so far. first_utc_ns, last_utc_ns: the first and the latest of them.
        seen_s, gaps_s, gap_count: time seen, time in gaps between good samples, and their number.
        backwards: intervals that were not positive.
    """

    def __init__(self, gap_s: float) -> None:
        if not gap_s > 0:
            raise UsageError("gap_s must be positive: the longest interval between two samples that is no gap")
        self.gap_s = gap_s
        self.samples = self.gap_count = self.backwards = 0
        self.seen_s = self.gaps_s = 0.0
        self.first_utc_ns: int | None = None
        self.last_utc_ns: int | None = None
        self._longest: list[tuple[int, int]] = []

    def cover(self, chunk: Chunk, mask: Bools) -> None:
        """Count only: what `steps` does, without the intervals."""
        shortest, longest = chunk.steps_ns
        if len(chunk) < 2 or shortest <= 0 or longest > self.gap_s * NS or not mask.all():
            for _ in self.steps(chunk.t_utc_ns[mask]):
                pass
            return
        for _ in self.steps(chunk.t_utc_ns[:1]):
            pass
        self.samples += len(chunk) - 1
        self.seen_s += float(chunk.t_utc_ns[-1] - chunk.t_utc_ns[0]) / NS
        self.last_utc_ns = int(chunk.t_utc_ns[-1])

    def steps(self, t_utc_ns: Ints) -> Iterator[Steps]:
        """The intervals that end in these good samples: the one that joins them to those before, then those among them."""
        if not len(t_utc_ns):
            return
        self.samples += len(t_utc_ns)
        first, last = int(t_utc_ns[0]), int(t_utc_ns[-1])
        before, self.last_utc_ns = self.last_utc_ns, last
        if before is None:
            self.first_utc_ns = first
        else:
            yield self._counted(np.array([before, first], np.int64), join=True)
        if len(t_utc_ns) > 1:
            yield self._counted(t_utc_ns, join=False)

    def _counted(self, times: Ints, join: bool) -> Steps:
        dt_s = np.diff(times) / NS
        if dt_s.min() > 0 and dt_s.max() <= self.gap_s:
            self.seen_s += float(times[-1] - times[0]) / NS
            return Steps(dt_s, join=join)
        gap = dt_s > self.gap_s
        seen = (dt_s > 0) & ~gap
        self.backwards += int(np.count_nonzero(dt_s <= 0))
        self.seen_s += float(dt_s[seen].sum())
        self.gaps_s += float(dt_s[gap].sum())
        self.gap_count += int(np.count_nonzero(gap))
        for i in np.flatnonzero(gap):
            heapq.heappush(self._longest, (int(times[i + 1] - times[i]), int(times[i])))
            if len(self._longest) > LISTED_GAPS:
                heapq.heappop(self._longest)
        return Steps(dt_s, seen, gap, join)

    @property
    def gaps(self) -> tuple[Interval, ...]:
        """The longest gaps between good samples, in order of time."""
        return tuple(Interval(start, start + length) for length, start in sorted(self._longest, key=lambda g: g[1]))

    def edges_s(self, span: Span | None) -> tuple[float, float]:
        """Time of the span before the first and after the last good sample."""
        if span is None or self.first_utc_ns is None or self.last_utc_ns is None:
            return 0.0, 0.0
        return max(0, self.first_utc_ns - span.from_utc_ns) / NS, max(0, span.to_utc_ns - self.last_utc_ns) / NS

    def coverage(self, span: Span | None = None) -> float:
        """Share of the span (without one: of the time from the first to the last good sample) that was seen, 0 to 1.

        An edge of the span that is no longer than an interval between polls counts as seen.
        """
        if not self.samples:
            return 0.0
        edges = self.edges_s(span)
        total = self.seen_s + self.gaps_s + sum(edges)
        seen = self.seen_s + sum(e for e in edges if e <= self.gap_s)
        return seen / total if total > 0 else 1.0

    def notes(self) -> tuple[str, ...]:
        """What a reader must know of the time behind a figure."""
        out = []
        if self.gap_count:
            out.append(f"{self.gap_count} gap{'s' if self.gap_count > 1 else ''}, {self.gaps_s:.6g} s together, not filled")
        if self.backwards:
            out.append(f"the system clock stepped back {self.backwards} times; nothing is computed across a step")
        return tuple(out)
