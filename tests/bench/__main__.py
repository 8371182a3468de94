"""`make bench`: every figure of the bus engine, measured side by side in one run; only ratios count.

Each figure stands in its table beside what it is compared with and its limit. Exit status 1 when a figure is missed. ``--quick`` measures
shorter, with the same limits.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from loadlog.model.wire import Line, LinkTraits, ModbusRead, transaction_s
from tests.bench import programs, service
from tests.bench.programs import BITS, BenchError
from tests.traps.soak import run_soak

BAUDS = {9600: 0.97, 38400: 0.97, 115200: 0.95}
WITH_SERVICE = 0.95
NO_PERIOD_S = 0.0005  # far beyond what any bus carries: the poller goes on without a pause
ADMITTED = 0.94  # of what the wire allows: `check` refuses more than 0.95
SOAK_POLLS = 100_000


@dataclass(frozen=True)
class Figure:
    """One line of the table. ``holds`` None: printed for comparison only."""

    what: str
    measured: str
    beside: str
    limit: str
    holds: bool | None

    def line(self) -> str:
        """Fixed columns."""
        verdict = {True: "ok", False: "MISSED", None: ""}[self.holds]
        return f"{self.what:58} {self.measured:>12}  {self.beside:38} {self.limit:14} {verdict}"


def wire_limit(baud: int) -> float:
    """Transactions a second of ten registers that the standard allows, no processing time."""
    return 1 / transaction_s(Line(baud, BITS), ModbusRead(3, 0, 10), LinkTraits(processing_s=0.0))


def paces(built: Path, seconds: float, rounds: int) -> Iterator[Figure]:
    """Engine against the C master on the same paced line, in turn."""
    for baud, limit in BAUDS.items():
        for units in (1, 8):
            ratios, early, cpu, agreed, last = [], 0, [], [], ({}, {})
            for _ in range(rounds):
                with programs.device(built, baud) as device:
                    ideal = programs.master(built, device.port, baud, units, seconds)
                    before = device.report()
                    ours = programs.python("engine", device.port, baud, units, seconds, NO_PERIOD_S * units, seconds=seconds)
                    early += device.between(before, device.report()).too_early
                ratios.append(ours["per_s"] / ideal["per_s"])
                cpu.append(ours["cpu_ms"])
                agreed.append(ours["measured_s"] / ours["budget_s"] if ours["budget_s"] else 0.0)
                last = (ours, ideal)
            ours, ideal = last
            ratio = statistics.median(ratios)
            beside = f"{ours['per_s']:.1f}/s, C {ideal['per_s']:.1f}/s, wire {wire_limit(baud):.1f}/s"
            yield Figure(f"engine / C master, {baud} baud, {units} unit(s)", f"{ratio:.3f}", beside, f">= {limit}", ratio >= limit)
            yield Figure("  requests before 3.5 characters of silence", str(early), "", "0", early == 0)
            yield Figure("  processor time a transaction, ms", f"{statistics.median(cpu):.2f}", "", "<= 1", statistics.median(cpu) <= 1)
            off = statistics.median(agreed) - 1
            yield Figure("  bus time measured against the budget of check", f"{100 * off:+.1f} %", "", "within 3 %", abs(off) <= 0.03)
            wrong = ours["wrong"]
            yield Figure("  wrong values", str(wrong), f"of {ours['transactions']} polls", "0", wrong == 0)


def naive(built: Path, seconds: float) -> Iterator[Figure]:
    """What a plain loop of five reads gets of the same line."""
    for which in ("pymodbus", "minimalmodbus"):
        for baud in BAUDS:
            with programs.device(built, baud) as device:
                theirs = programs.python("naive", which, device.port, baud, 1, seconds, seconds=seconds)
                ours = programs.python("engine", device.port, baud, 1, seconds, NO_PERIOD_S, seconds=seconds)
            pace = theirs["polls"] / theirs["span_s"]
            ratio = ours["per_s"] / pace if pace else float("inf")
            yield Figure(
                f"engine / plain {which} loop of five reads, {baud} baud",
                f"{ratio:.2f}",
                f"{pace:.1f} polls/s, {theirs['failed']} failed",
                "",
                None,
            )


def lateness(built: Path, seconds: float) -> Iterator[Figure]:
    """Deadlines at half of the bus' capacity."""
    for baud in (9600, 38400):
        units = 4
        period_s = 2 * units / wire_limit(baud)
        with programs.device(built, baud) as device:
            ideal = programs.master(built, device.port, baud, units, seconds, period_s)
            ours = programs.python("engine", device.port, baud, units, seconds, period_s, seconds=seconds)
        share = ours["p99_lateness_s"] / period_s
        beside = f"C master {100 * ideal['p99_lateness_s'] / period_s:.2f} %, period {1000 * period_s:.0f} ms"
        yield Figure(f"p99 lateness / period, half load, {baud} baud", f"{100 * share:.2f} %", beside, "< 5 %", share < 0.05)


def wrong_values(polls: int) -> Iterator[Figure]:
    """Random faults on a virtual line: late, foreign, garbled, truncated, doubled replies."""
    seed = time.time_ns() % 1_000_000
    wrong = early = done = 0
    for part, hard in enumerate((False, True, False, True)):
        result = run_soak(polls // 4, seed + part, trouble=0.2, hard=hard)
        wrong, early, done = wrong + len(result.wrong), early + result.too_early, done + result.polls
    yield Figure("values of another unit, register or poll", str(wrong), f"{done} polls with random faults, seed {seed}", "0", wrong == 0)
    yield Figure("  requests before 3.5 characters of silence", str(early), "", "0", early == 0)


def with_service(built: Path, seconds: float) -> Iterator[Figure]:
    """The whole service (store, detectors, page open) against the engine alone, both at the highest rate that `check` admits."""
    for baud in BAUDS:
        with programs.device(built, baud) as device:
            rate_hz = ADMITTED * wire_limit(baud) / 8
            alone = programs.python("engine", device.port, baud, 8, seconds, 1 / rate_hz, seconds=seconds)
            whole = service.measure(device, baud, 8, seconds, rate_hz)
        ratio = whole.per_s / alone["per_s"]
        beside = f"{whole.per_s:.1f}/s, alone {alone['per_s']:.1f}/s"
        yield Figure(
            f"whole service / engine alone, {baud} baud, 8 units", f"{ratio:.3f}", beside, f">= {WITH_SERVICE}", ratio >= WITH_SERVICE
        )
        yield Figure("  requests before 3.5 characters of silence", str(whole.too_early), "", "0", whole.too_early == 0)
        cpu = whole.recorder_cpu_ms
        yield Figure("  recorder's processor time a transaction, ms", f"{cpu:.2f}", "all in", "<= 1", cpu <= 1)
        yield Figure("  recorder, MiB resident", f"{whole.recorder_mib:.0f}", "", "<= 80", whole.recorder_mib <= 80)
        yield Figure("  viewer, MiB resident", f"{whole.viewer_mib:.0f}", "one page open", "<= 150", whole.viewer_mib <= 150)


def main(arguments: list[str]) -> int:
    """Print the table as it grows."""
    quick = "--quick" in arguments
    seconds, rounds = (2.5, 1) if quick else (5.0, 3)
    missed = 0
    with tempfile.TemporaryDirectory() as folder:
        built = Path(folder)
        programs.build(built)
        parts: tuple[Any, ...] = (
            paces(built, seconds, rounds),
            with_service(built, 2 * seconds),
            lateness(built, 2 * seconds),
            wrong_values(SOAK_POLLS // 5 if quick else SOAK_POLLS),
            naive(built, seconds),
        )
        for part in parts:
            for figure in part:
                print(figure.line(), flush=True)
                missed += figure.holds is False
    print(f"{missed} figure(s) missed" if missed else "every figure holds")
    return 1 if missed else 0


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except BenchError as exc:
        print(f"bench: {exc}", file=sys.stderr)
        sys.exit(2)
