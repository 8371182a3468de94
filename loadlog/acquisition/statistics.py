"""What a poller has done, per device and per bus: counts since the start, lateness and bus time over the recent past.

Written by the bus' thread alone; a snapshot may be taken by any thread (single reads of numbers and lists, which Python does not tear).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from itertools import chain
from typing import Any

from loadlog.model.clock import NS

WINDOW_POLLS = 256  # a device; each look at the state of the service sorts them
WINDOW_NS = 10 * NS


@dataclass(frozen=True, slots=True)
class Lateness:
    """How long after their deadlines the last polls began, s; over at most `WINDOW_POLLS` polls. ``max_s`` is since the start."""

    polls: int = 0
    mean_s: float = 0.0
    p99_s: float = 0.0
    max_s: float = 0.0


@dataclass(frozen=True, slots=True)
class DeviceStatistics:
    """One device. ``failures``: polls that gave no reading, by cause, without the missed ones, which ``missed`` counts one by one.

    ``silent``: backed off. ``transaction_s``: mean bus time of one transaction, its silence included, measured over its readings;
    ``budget_s``: what the wire budget says for the same transactions, None where the bus is no serial line.
    """

    name: str
    polls: int
    readings: int
    failures: Mapping[str, int]
    missed: int
    silent: bool
    lateness: Lateness
    transaction_s: float | None
    budget_s: float | None


@dataclass(frozen=True, slots=True)
class BusStatistics:
    """One bus. ``busy_share``: part of the last `WINDOW_NS` in which a transaction was on the wire or the line was held."""

    name: str
    is_open: bool
    is_alive: bool
    fault: str
    warnings: Sequence[str]
    polls: int
    readings: int
    failures: Mapping[str, int]
    missed: int
    orders: int
    reopened: int
    busy_share: float
    lateness: Lateness
    devices: Sequence[DeviceStatistics]
    link: Mapping[str, float | int | None] = field(default_factory=dict)


def as_plain(statistics: BusStatistics) -> dict[str, Any]:
    """As plain JSON; `dataclasses.asdict` copies every number deeply and takes many times as long."""
    devices = [{**_fields(device), "lateness": _fields(device.lateness)} for device in statistics.devices]
    return {**_fields(statistics), "lateness": _fields(statistics.lateness), "devices": devices}


def _fields(record: BusStatistics | DeviceStatistics | Lateness) -> dict[str, Any]:
    return {f.name: getattr(record, f.name) for f in fields(record)}


class LatenessRecord:
    """The last `WINDOW_POLLS` latenesses."""

    __slots__ = ("_count", "_max_s", "_ring", "_sorted")

    def __init__(self) -> None:
        self._ring: list[float] = []
        self._sorted: tuple[int, list[float]] = (0, [])
        self._count = 0
        self._max_s = 0.0

    def add(self, lateness_s: float) -> None:
        """One more poll."""
        if len(self._ring) < WINDOW_POLLS:
            self._ring.append(lateness_s)
        else:
            self._ring[self._count % WINDOW_POLLS] = lateness_s
        self._count += 1
        if lateness_s > self._max_s:
            self._max_s = lateness_s

    def recent(self) -> list[float]:
        """The latenesses of the window, the smallest first; not to be changed."""
        count, found = self._sorted
        if count != self._count:
            count, found = self._count, sorted(self._ring)
            self._sorted = count, found
        return found

    @property
    def max_s(self) -> float:
        """Largest since the start."""
        return self._max_s


def lateness_of(records: Sequence[LatenessRecord]) -> Lateness:
    """The records together."""
    recent = list(chain.from_iterable(record.recent() for record in records))
    recent.sort()  # of sorted runs, which it merges
    if not recent:
        return Lateness()
    p99_s = recent[min(len(recent) - 1, len(recent) * 99 // 100)]
    return Lateness(len(recent), sum(recent) / len(recent), p99_s, max(record.max_s for record in records))


class BusyRecord:
    """Bus time spent, over the window that is running and the one before."""

    def __init__(self, now_ns: int) -> None:
        self._begun_ns = now_ns
        self._busy_ns = 0
        self._before: tuple[int, int] = (0, 0)

    def add(self, begun_ns: int, ended_ns: int) -> None:
        """The bus was in use from ``begun_ns`` to ``ended_ns``."""
        self._busy_ns += ended_ns - begun_ns
        if ended_ns - self._begun_ns >= WINDOW_NS:
            self._before = (self._busy_ns, ended_ns - self._begun_ns)
            self._begun_ns, self._busy_ns = ended_ns, 0

    def share(self, now_ns: int) -> float:
        """Between 0 and 1."""
        busy_ns, span_ns = self._before
        if now_ns - self._begun_ns > WINDOW_NS:
            busy_ns = span_ns = 0  # idle for longer than a window: what was before no longer counts
        span_ns += now_ns - self._begun_ns
        return min(1.0, (busy_ns + self._busy_ns) / span_ns) if span_ns > 0 else 0.0
