"""When which device of one bus is polled: absolute deadlines, without drift, without starving anybody. Pure: instants come in.

Invariants
 - Deadline k of a device is ``origin + phase + k * period``, computed anew from k, so rounding never adds up.
 - Phases spread the devices over the shortest period, so that those of equal or harmonic periods do not come due together.
 - Of the devices that are due, the one whose turn would be over first goes first (earliest deadline first, Liu and Layland 1973, where a
   poll's own deadline is the instant of the next). A device that waits keeps its place in that order while it misses polls, so an
   overloaded bus serves all in turn.
 - A missed deadline is not made good: the poll that follows stands for the latest deadline, and says how many were passed over.
 - A device that is backed off is not due before its probe; its turn then waits for the gaps that the others leave, at most one interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from loadlog.model.clock import NS


@dataclass(frozen=True, slots=True)
class Missed:
    """Deadlines passed over without a poll: ``count`` of them, from ``first_ns`` to ``last_ns`` (both deadlines themselves)."""

    count: int = 0
    first_ns: int = 0
    last_ns: int = 0


@dataclass(frozen=True, slots=True)
class Turn:
    """One poll to be made now: of which device, for which deadline, after which missed ones. ``extra``: asked for, not on the grid."""

    device: int
    due_ns: int
    missed: Missed
    extra: bool = False


class _Entry:
    """One device's place on its grid."""

    __slots__ = ("base_ns", "extra_ns", "held_until_ns", "next_index", "patience_ns", "period_ns", "period_s", "ready_ns")

    def __init__(self, period_s: float, base_ns: int) -> None:
        self.period_s = period_s
        self.period_ns = round(period_s * NS)
        self.base_ns = base_ns
        self.next_index = 0
        self.extra_ns: int | None = None
        self.held_until_ns = base_ns
        self.ready_ns = base_ns
        self.patience_ns = self.period_ns

    def due_ns(self, index: int) -> int:
        return self.base_ns + round(index * self.period_s * NS)

    def index_at(self, now_ns: int) -> int:
        """The latest deadline not after ``now_ns``; -1 before the first."""
        index = int((now_ns - self.base_ns) / (self.period_s * NS))
        while self.due_ns(index) > now_ns:
            index -= 1
        while self.due_ns(index + 1) <= now_ns:
            index += 1
        return max(index, -1)

    def skip_to(self, index: int) -> Missed:
        """Pass over every deadline before ``index``."""
        count = index - self.next_index
        if count <= 0:
            return Missed()
        missed = Missed(count, self.due_ns(self.next_index), self.due_ns(index - 1))
        self.next_index = index
        return missed

    def settle(self) -> None:
        grid_ns = max(self.due_ns(self.next_index), self.held_until_ns)
        self.ready_ns = grid_ns if self.extra_ns is None else min(grid_ns, self.extra_ns)


class Schedule:
    """The devices of one bus by their number, 0 to n-1."""

    def __init__(self, periods_s: Sequence[float], origin_ns: int) -> None:
        shortest_ns = min(periods_s, default=0.0) * NS
        self._entries = [_Entry(p, origin_ns + round(shortest_ns * i / len(periods_s))) for i, p in enumerate(periods_s)]

    def next_ns(self) -> int | None:
        """When the next device comes due; None when there is none at all."""
        return min((e.ready_ns for e in self._entries), default=None)

    def take(self, now_ns: int) -> Turn | None:
        """The poll to make now, or None when nothing is due. Its deadline is used up."""
        best, best_key = -1, 0
        for number, entry in enumerate(self._entries):
            if entry.ready_ns <= now_ns:
                key = entry.ready_ns + entry.patience_ns
                if best < 0 or key < best_key:
                    best, best_key = number, key
        return None if best < 0 else self._serve(best, now_ns)

    def _serve(self, number: int, now_ns: int) -> Turn:
        entry = self._entries[number]
        if entry.extra_ns is not None and entry.extra_ns <= now_ns:
            turn = Turn(number, entry.extra_ns, Missed(), extra=True)
            entry.extra_ns = None
            entry.settle()
            return turn
        index = entry.index_at(now_ns)
        missed = entry.skip_to(index)
        entry.next_index = index + 1
        entry.settle()
        return Turn(number, entry.due_ns(index), missed)

    def pass_over(self, number: int, now_ns: int) -> Missed:
        """Give up every deadline of a device up to ``now_ns``; for a port that is gone."""
        entry = self._entries[number]
        missed = entry.skip_to(entry.index_at(now_ns) + 1)
        entry.extra_ns = None
        entry.settle()
        return missed

    def back_off(self, number: int, now_ns: int, interval_ns: int) -> None:
        """Not again before the first deadline that is ``interval_ns`` away."""
        entry = self._entries[number]
        entry.held_until_ns = entry.due_ns(entry.index_at(now_ns + interval_ns - 1) + 1)
        entry.patience_ns = max(interval_ns, entry.period_ns)
        entry.settle()

    def resume(self, number: int) -> None:
        """At its full rate again."""
        entry = self._entries[number]
        entry.held_until_ns = entry.base_ns
        entry.patience_ns = entry.period_ns
        entry.settle()

    def hasten(self, number: int, now_ns: int) -> None:
        """One poll at once, besides those of the grid."""
        self._entries[number].extra_ns = now_ns
        self._entries[number].settle()
