"""Lateness of the recorder with something beside it and without, by turns in one service.

What a program wakes late varies by a quarter from minute to minute on a machine that does nothing else, by far more than what is asked for.
So turns are short, each with something beside is held against those without before and after it, and the median of the ratios counts.
"""

from __future__ import annotations

import itertools
import math
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from loadlog.model.clock import NS
from loadlog.store import Archive
from tests.bench.programs import BenchError

LEAST_S = 1e-6  # lateness is stored in whole microseconds
COMMITTED_S = 2.0  # until the last poll of a turn is in the recording


@dataclass(frozen=True)
class Turn:
    """From when to when, ns UTC."""

    begin_ns: int
    end_ns: int


def take_turn(seconds: float) -> Turn:
    """Lets them pass."""
    begin_ns = time.time_ns()
    time.sleep(seconds)
    return Turn(begin_ns, time.time_ns())


def by_turns(count: int, seconds: float, begin: Callable[[], object], end: Callable[[], object]) -> list[Turn]:
    """``count`` turns with something beside, between `begin` and `end`, and one more without: without, with, without, ... Each of both
    returns when things have settled."""
    turns = [take_turn(seconds)]
    for _ in range(count):
        begin()
        turns.append(take_turn(seconds))
        end()
        turns.append(take_turn(seconds))
    return turns


def median_lateness(archive: Archive, turn: Turn) -> float:
    """Of the polls of all devices that began in it and were answered, s: one that was passed over began at no time.

    Raises:
        BenchError: a tenth of them or more was not answered: then it is not the lateness that is to be looked at.
    """
    rows = [row for name in archive.devices() for _, row in archive.rows(name, turn.begin_ns, turn.end_ns)]
    late = [row.lateness_ns / NS for row in rows if row.failure is None]
    if len(late) <= 0.9 * len(rows):
        raise BenchError(f"{len(rows) - len(late)} of {len(rows)} polls of a turn were not answered: the machine was too busy to judge")
    return statistics.median(late)


@dataclass(frozen=True)
class Ratio:
    """``value``: the median of the turns' ratios. ``off``: its standard error, relative. ``without_s``, ``beside_s``: medians of the turns'
    medians."""

    value: float
    off: float
    without_s: float
    beside_s: float

    @property
    def words(self) -> str:
        """For the table."""
        return f"{1e6 * self.beside_s:.0f} and {1e6 * self.without_s:.0f} µs; standard error {100 * self.off:.1f} %"


def compare(late_s: Sequence[float]) -> Ratio:
    """Medians of turns without, with, without, ..., s: each with something beside against the geometric mean of its neighbours."""
    stored = [max(one, LEAST_S) for one in late_s]
    without, beside = stored[::2], stored[1::2]
    logs = [math.log(one / math.sqrt(before * after)) for one, (before, after) in zip(beside, itertools.pairwise(without), strict=True)]
    middle = statistics.median(logs)
    spread = 1.4826 * statistics.median(abs(one - middle) for one in logs)  # the deviation of a normal distribution
    off = math.sqrt(math.pi / 2 / len(logs)) * spread
    return Ratio(math.exp(middle), off, statistics.median(without), statistics.median(beside))
