"""What happened before what: an honest partial order.

An event begins somewhere in its onset interval. Of two events whose intervals overlap, nobody measured which came first; saying so is the
point. The relation *surely before* (one interval ends before the other begins) is an interval order (Fishburn 1970): transitive, and not
total. Sorting by one instant would invent an order.
"""

from __future__ import annotations

import bisect
import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from loadlog.model.event import Event


@dataclass(frozen=True, slots=True)
class Placed:
    """An event in the timeline.

    ``step``: events of one step may have happened in any order among themselves as far as they overlap; steps follow each other.
    ``unordered_with``: ids of the events whose onset intervals overlap this one's. ``may_be_first``: no event surely came before it.
    """

    event: Event
    step: int
    unordered_with: tuple[int, ...]
    may_be_first: bool


def surely_before(a: Event, b: Event) -> bool:
    """True when ``a`` began before ``b`` whatever the time uncertainty: an onset lies after its ``earliest`` and not after its ``latest``
    (both the same: at that instant)."""
    if a.onset.latest_utc_ns == b.onset.earliest_utc_ns:
        return b.onset.earliest_utc_ns < b.onset.latest_utc_ns
    return a.onset.latest_utc_ns < b.onset.earliest_utc_ns


def timeline(events: Sequence[Event]) -> tuple[Placed, ...]:
    """Events sorted by the end of their onset, each with what it could not be ordered against.

    Cost: sorting plus one entry per overlapping pair.
    """
    ordered = sorted(events, key=lambda e: (e.onset.latest_utc_ns, e.onset.earliest_utc_ns, e.id))
    overlaps = _overlaps(ordered)
    # If any event surely came before another, then so did the one whose onset ended first.
    return tuple(
        Placed(event, step, tuple(o.id for o in overlaps[i]), not surely_before(ordered[0], event))
        for i, (event, step) in enumerate(zip(ordered, _steps(ordered), strict=True))
    )


def _overlaps(ordered: Sequence[Event]) -> list[list[Event]]:
    """For each event the others that are neither surely before nor surely after it, in the given order (by end of onset)."""
    ends = [e.onset.latest_utc_ns for e in ordered]
    found: list[list[Event]] = [[] for _ in ordered]
    for i, event in enumerate(ordered):
        for j in range(bisect.bisect_left(ends, event.onset.earliest_utc_ns), i):
            if not surely_before(ordered[j], event):
                found[i].append(ordered[j])
                found[j].append(event)
    return found


def _steps(ordered: Sequence[Event]) -> list[int]:
    """A new step begins where every event so far surely came before every event from here on."""
    earliest_from = list(itertools.accumulate((e.onset.earliest_utc_ns for e in reversed(ordered)), min))[::-1]
    steps = [0] * len(ordered)
    for i in range(1, len(ordered)):
        last, next_ = ordered[i - 1].onset.latest_utc_ns, earliest_from[i]
        steps[i] = steps[i - 1] + (last < next_ or (last == next_ < ordered[i].onset.latest_utc_ns))
    return steps
