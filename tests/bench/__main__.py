"""`make bench`: every figure that was asked for, measured side by side in one run; exit status 1 when one is missed, 2 when it cannot run.

    python -m tests.bench [--quick] [--only pace,naive,lateness,service,soak,store,forward,analysis,review,page,notify] [--json FILE]

Needs a C compiler and two processor cores of its own: a paced device and its master take turns within microseconds.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path

from tests.bench import analysis, forward, notify, pace, page, review, service, store
from tests.bench.figures import Figure, table
from tests.bench.programs import BenchError, build, python

SECTIONS = ("pace", "naive", "lateness", "service", "soak", "store", "forward", "analysis", "review", "page", "notify")


@dataclass(frozen=True)
class Plan:
    """How long each part takes, s."""

    bauds: tuple[int, ...] = (9600, 38400, 115200)
    pace_s: float = 2.0
    rounds: int = 4
    naive_s: float = 4.0
    lateness_s: float = 8.0
    service_s: float = 12.0
    soak_polls: int = 100_000
    analysis_rows: int = 20_000_000
    review_hours: float = 72.0
    replay_minutes: float = 60.0
    export_hours: float = 3.5
    store: store.StorePlan = field(default_factory=store.StorePlan)
    forward: forward.ForwardPlan = field(default_factory=forward.ForwardPlan)
    page: page.PagePlan = field(default_factory=page.PagePlan)
    notify: notify.NotifyPlan = field(default_factory=notify.NotifyPlan)


QUICK = Plan(
    bauds=(38400,),
    pace_s=2.0,
    rounds=2,
    naive_s=2.0,
    lateness_s=4.0,
    service_s=6.0,
    soak_polls=10_000,
    analysis_rows=2_000_000,
    review_hours=2.0,
    replay_minutes=10.0,
    export_hours=0.5,
    store=store.QUICK,
    forward=forward.QUICK,
    page=page.QUICK,
    notify=notify.QUICK,
)


def say(line: str) -> None:
    """Progress, apart from the table."""
    print(f"  {line}", file=sys.stderr, flush=True)


def measure(plan: Plan, sections: list[str], folder: Path) -> list[Figure]:
    """All figures of the sections asked for."""
    build(folder)
    figures: list[Figure] = []
    for baud in plan.bauds:
        if "pace" in sections:
            for units in (1, 8):
                figures += pace.pace(folder, baud, units, plan.pace_s, plan.rounds, say)
        if "naive" in sections:
            figures += pace.naive(folder, baud, plan.naive_s, say)
        if "lateness" in sections:
            figures += pace.lateness(folder, baud, 8, plan.lateness_s, say)
        if "service" in sections:
            figures += service.beside_engine(folder, folder / f"service-{baud}", baud, 8, plan.service_s, say)
    at_one_pace = {
        "soak": lambda: soak(plan.soak_polls),
        "store": lambda: store.store(folder, plan.store, say),
        "forward": lambda: forward.forward(folder, folder / "forward", plan.forward, say),
        "analysis": lambda: analysis.analysis(plan.analysis_rows, say),
        "review": lambda: review.review(folder, plan.review_hours, plan.replay_minutes, plan.export_hours, say),
        "page": lambda: page.page(folder, folder / "page", plan.page, say),
        "notify": lambda: notify.notify(folder, folder / "notify", plan.notify, say),
    }
    for section, take in at_one_pace.items():
        if section in sections:
            figures += take()
    return figures


def soak(polls: int) -> list[Figure]:
    """Polls over a line full of faults."""
    say(f"soak: {polls} polls with random faults")
    result = python("soak", polls, 1, seconds=600)
    beside = f"{result['polls']} polls, {result['good']} readings, {result['faults']} faults"
    return [
        Figure("values of another unit, register or poll, random faults", result["wrong"], most=0, beside=beside),
        Figure("polls with random faults", result["polls"], least=polls),
        Figure("requests before 3.5 characters, random faults", result["too_early"], most=0),
    ]


def main(arguments: list[str]) -> int:
    """See the module."""
    parser = argparse.ArgumentParser(prog="make bench", description="Every figure, measured side by side in one run.")
    parser.add_argument("--quick", action="store_true", help="one baud rate, short spans")
    parser.add_argument("--only", default=",".join(SECTIONS), help=f"some of {','.join(SECTIONS)}")
    parser.add_argument("--json", type=Path, help="write the figures there as well")
    chosen = parser.parse_args(arguments)
    sections = chosen.only.split(",")
    if unknown := set(sections) - set(SECTIONS):
        parser.error(f"--only: {', '.join(sorted(unknown))} is none of {', '.join(SECTIONS)}")
    begun_s = time.monotonic()
    load = os.getloadavg()[0]
    try:
        with tempfile.TemporaryDirectory(prefix="bench-") as folder:
            figures = measure(QUICK if chosen.quick else Plan(), sections, Path(folder))
    except BenchError as exc:
        print(f"bench: {exc}", file=sys.stderr)
        return 2
    print(table(figures))
    missed = [figure.what for figure in figures if not figure.is_met]
    cores = len(os.sched_getaffinity(0))
    print(
        f"\n{len(figures)} figures, {len(missed)} missed; {time.monotonic() - begun_s:.0f} s, {cores} cores, load {load:.2f} at the start"
    )
    if chosen.json:
        chosen.json.write_text(json.dumps([{**asdict(f), "met": f.is_met} for f in figures], ensure_ascii=False, indent=1))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
