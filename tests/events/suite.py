"""Runs the scenarios: each faulty one so often, the benign ones until the hours asked for are simulated."""

from __future__ import annotations

import multiprocessing
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

from tests.events.benign import BENIGN
from tests.events.faulty import FAULTY
from tests.events.figure import Study
from tests.events.play import Outcome, play
from tests.events.studies import studies


@dataclass(frozen=True)
class Options:
    """See `__main__`."""

    seed: int
    scenarios: int
    hours: float
    kinds: frozenset[str] = frozenset()
    only: str = ""
    jobs: int = 1
    studies: bool = True
    quick: bool = False


@dataclass
class Result:
    """All outcomes."""

    options: Options
    outcomes: list[Outcome] = field(default_factory=list)
    studies: list[Study] = field(default_factory=list)
    wall_s: float = 0.0


def _play(job: tuple[str, int]) -> Outcome:
    return play(*job)


def _each(jobs: list[tuple[str, int]], processes: int) -> Iterator[Outcome]:
    if processes < 2:
        yield from map(_play, jobs)
        return
    with multiprocessing.Pool(processes) as pool:
        yield from pool.imap_unordered(_play, jobs)


def run(options: Options) -> Result:
    """All of it."""
    begun_s = time.monotonic()
    result = Result(options)
    jobs = [(name, options.seed + n) for n in range(options.scenarios) for name in FAULTY if options.only in name]
    for outcome in _each(jobs, options.jobs):
        if not options.kinds or options.kinds & _kinds(outcome):
            result.outcomes.append(outcome)
        _progress(len(result.outcomes), len(jobs))
    if not options.kinds:
        _benign(options, result)
    if options.studies:
        result.studies = studies(options.seed, options.quick, options.only)
    result.wall_s = time.monotonic() - begun_s
    return result


def _kinds(outcome: Outcome) -> frozenset[str]:
    return frozenset(m.expected.kind for m in outcome.verdict.matches) | {e.kind for e in outcome.verdict.extra}


def _benign(options: Options, result: Result) -> None:
    names = [name for name in BENIGN if options.only in name]
    hours, round_number = 0.0, 0
    while names and (round_number == 0 or hours < options.hours):
        jobs = [(name, options.seed + 1000 * options.scenarios + round_number) for name in names]
        for outcome in _each(jobs, options.jobs):
            result.outcomes.append(outcome)
            hours += outcome.verdict.device_hours
        round_number += 1
        _progress(int(hours), int(options.hours))


def _progress(done: int, of: int) -> None:
    if sys.stderr.isatty():
        print(f"\r{done} of {of} ", end="", file=sys.stderr, flush=True)
