"""The engine against the wire and the ideal master: pace, silences, lateness, budget; naive loops beside."""

from __future__ import annotations

import statistics
from collections.abc import Callable
from pathlib import Path

from loadlog.model.wire import Line, LinkTraits, ModbusRead, transaction_s
from tests.bench.figures import Figure
from tests.bench.programs import BITS, device, master, python

LEAST_OF_MASTER = {9600: 0.97, 38400: 0.97, 115200: 0.95}
BLOCK = ModbusRead(3, 0, 10)
QUIET_MACHINE = 0.95  # of the wire limit: an ideal master that gets less was kept off the processor
FULL_LOAD = 0.98  # periods shorter than the wire allows, so that the bus is never idle
Say = Callable[[str], None]


def wire_s(baud: int) -> float:
    """The conforming transaction of ten registers from a device without processing time."""
    return transaction_s(Line(baud, BITS), BLOCK, LinkTraits(processing_s=0.0))


def pace(programs: Path, baud: int, units: int, seconds: float, rounds: int, say: Say) -> list[Figure]:
    """Engine and master in turns, ``rounds`` times ``seconds`` each; the ratio is the median of the rounds' ratios."""
    ideal: list[float] = []
    engine: list[float] = []
    early = wrong = 0
    least_us = float("inf")
    cpu_ms = 0.0
    for number in range(rounds):
        say(f"pace: {baud} baud, {units} units, round {number + 1} of {rounds}")
        with device(programs, baud) as paced:
            ideal.append(master(programs, paced.port, baud, units, seconds)["per_s"])
        with device(programs, baud) as paced:
            before = paced.report()
            result = python("engine", paced.port, baud, units, seconds, FULL_LOAD * wire_s(baud) * units, seconds=seconds)
            seen = paced.between(before, paced.report())
        engine.append(result["per_s"])
        early, wrong, least_us = early + seen.too_early, wrong + result["wrong"], min(least_us, seen.least_silence_us)
        cpu_ms = max(cpu_ms, result["cpu_ms"])
    limit = 1 / wire_s(baud)
    best, ours = statistics.median(ideal), statistics.median(engine)
    against = statistics.median(e / i for e, i in zip(engine, ideal, strict=True))
    name = f"{baud} baud, {units} unit{'s' if units > 1 else ''}"
    silence_us = Line(baud, BITS).silence_s * 1e6
    return [
        Figure(
            f"{name}: engine / C master", against, least=LEAST_OF_MASTER[baud], beside=f"{ours:.1f} and {best:.1f} transactions/s",
            ideal_misses=best < QUIET_MACHINE * limit,
        ),
        Figure(f"{name}: engine / conforming wire limit", ours / limit, beside=f"{limit:.1f} transactions/s; C master {best / limit:.3f}"),
        Figure(f"{name}: requests before 3.5 characters", early, most=0, beside=f"shortest {least_us:.0f} µs, allowed {silence_us:.0f} µs"),
        Figure(f"{name}: values of another unit or register", wrong, most=0),
        Figure(f"{name}: processor time a transaction, engine alone", cpu_ms, "ms"),
    ]  # fmt: skip


def naive(programs: Path, baud: int, seconds: float, say: Say) -> list[Figure]:
    """Plain loops of five reads by common clients, in polls of ten registers against the engine's one block."""
    figures = []
    for which in ("pymodbus", "minimalmodbus"):
        say(f"naive loop: {which}, {baud} baud")
        with device(programs, baud) as paced:
            before = paced.report()
            result = python("naive", which, paced.port, baud, 8, seconds, seconds=seconds)
            seen = paced.between(before, paced.report())
        polls_s = result["polls"] / result["span_s"]
        share = seen.too_early / max(1, seen.requests)
        beside = f"{polls_s:.1f} polls/s, {share:.0%} of its requests before 3.5 characters"
        figures.append(Figure(f"{baud} baud: plain {which} loop of five reads / wire limit", polls_s * wire_s(baud), beside=beside))
    return figures


def lateness(programs: Path, baud: int, units: int, seconds: float, say: Say) -> list[Figure]:
    """Half of the bus' capacity: lateness of engine and master, and the measured transaction against the budget."""
    say(f"lateness: {baud} baud, {units} units at half capacity")
    period_s = 2 * units * wire_s(baud)
    with device(programs, baud) as paced:
        ideal = master(programs, paced.port, baud, units, seconds, period_s)
    with device(programs, baud) as paced:
        result = python("engine", paced.port, baud, units, seconds, period_s, seconds=seconds)
    late, best = result["p99_lateness_s"] / period_s, ideal["p99_lateness_s"] / period_s
    off = result["measured_s"] / wire_s(baud) - 1
    return [
        Figure(
            f"{baud} baud, {units} units: p99 lateness / period at half capacity", late, most=0.05,
            beside=f"{1e3 * result['p99_lateness_s']:.2f} ms; C master {best:.4f}", ideal_misses=best > 0.05,
        ),
        Figure(
            f"{baud} baud, {units} units: measured bus time off the budget", abs(off), most=0.03,
            beside=f"{1e3 * result['measured_s']:.3f} ms and {1e3 * wire_s(baud):.3f} ms a transaction", ideal_misses=best > 0.05,
        ),
    ]  # fmt: skip
