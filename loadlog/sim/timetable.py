"""The timetable: which fault begins or ends next. Pure; times are integer nanoseconds of the bench."""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault as it is carried out. ``for_ns`` None: it stays."""

    name: str
    target: str
    params: Mapping[str, float | str] = field(default_factory=dict)
    for_ns: int | None = None


@dataclass(frozen=True, slots=True, order=True)
class Due:
    """``begins`` False: the fault ends."""

    at_ns: int
    order: int
    fault: Fault = field(compare=False)
    begins: bool = field(compare=False)


class Timetable:
    """Faults in the order of their time; equal times keep the order in which they were entered."""

    def __init__(self) -> None:
        self._heap: list[Due] = []
        self._order = 0

    def enter(self, at_ns: int, fault: Fault) -> None:
        """``fault`` begins at ``at_ns`` and ends by itself when it has a duration."""
        self._push(at_ns, fault, True)
        if fault.for_ns is not None:
            self._push(at_ns + fault.for_ns, fault, False)

    def enter_all(self, entries: Sequence[tuple[int, Fault]], from_ns: int) -> None:
        """Entries relative to ``from_ns``."""
        for at_ns, fault in entries:
            self.enter(from_ns + at_ns, fault)

    def _push(self, at_ns: int, fault: Fault, begins: bool) -> None:
        heapq.heappush(self._heap, Due(at_ns, self._order, fault, begins))
        self._order += 1

    def next_ns(self) -> int | None:
        """When something is due next."""
        return self._heap[0].at_ns if self._heap else None

    def pop_until(self, now_ns: int) -> Due | None:
        """The next entry due at or before ``now_ns``, taken off the table."""
        if self._heap and self._heap[0].at_ns <= now_ns:
            return heapq.heappop(self._heap)
        return None
