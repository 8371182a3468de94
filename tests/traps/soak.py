"""Polls over a line full of faults, and what was wrong: the figure "no wrong value ever".

`run_soak` is used by the test suite with some thousand polls and by the bench with a hundred thousand. Source of the faults: the measured
traps of both clients of the Modbus library in use (late answers, short and long lists, other functions, refusals, noise) and common
practice on two-wire lines.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

from loadlog.bus.rtu import RtuLink
from loadlog.model.sample import FailureCause
from loadlog.model.wire import Line, LinkTraits, ModbusRead, Reply
from tests.traps.faulty import FaultyBench, words_of
from tests.traps.virtual_line import VirtualClock, VirtualLine

TIMEOUT_S = 0.05
BLOCKS = tuple(
    ModbusRead(function, address, count)
    for function, address, count in ((3, 0, 10), (3, 10, 10), (3, 40, 10), (4, 0, 10), (3, 0, 4), (2, 0, 16))
)


@dataclass(slots=True)
class SoakResult:
    """``wrong``: polls whose values belong to another unit, register or poll, as text. ``too_early``: requests before 3.5 characters.

    ``not_asked``: times that a unit was left in peace because its answers could not be told apart; they are no polls.
    """

    seed: int
    polls: int = 0
    good: int = 0
    wrong: list[str] = field(default_factory=list)
    too_early: int = 0
    not_asked: int = 0
    failures: dict[str, int] = field(default_factory=dict)
    faults: dict[str, int] = field(default_factory=dict)


def run_soak(
    polls: int,
    seed: int,
    *,
    baudrate: int = 19200,
    trouble: float = 0.2,
    half_duplex: bool = True,
    echo: bool = False,
    link_type: type[RtuLink] = RtuLink,
    hard: bool = False,
    stalls: float = 0.0,
) -> SoakResult:
    """Poll four units, blocks of equal length among them, in random order.

    ``hard``: one unit only, all answers of the same length. ``stalls``: see `VirtualClock`.
    """
    chance = Random(seed)
    line = Line(baudrate)
    clock = VirtualClock(Random(seed + 1), stalls=stalls)
    bench = FaultyBench(Random(seed + 2), TIMEOUT_S, trouble, int(line.characters_s(1) * 1e9))
    wire = VirtualLine(line, clock, bench, half_duplex=half_duplex, echo=echo)
    link = link_type(wire, line, clock, echo=echo)
    link.open()
    result = SoakResult(seed, faults=bench.faults)
    traits = LinkTraits(timeout_s=TIMEOUT_S, gap_s=0.012)
    for number in range(1, polls + 1):
        unit, block = (1, chance.choice(BLOCKS[:3])) if hard else (chance.randrange(1, 5), chance.choice(BLOCKS))
        bench.request_number = number
        answer = link.transact(unit, block, traits)
        while not isinstance(answer, Reply) and answer.cause is FailureCause.SKIPPED:
            result.not_asked += 1
            clock.late(clock.now_ns + 100_000_000)
            answer = link.transact(unit, block, traits)
        clock.late(clock.now_ns + chance.choice((0, 0, 2_000_000, 30_000_000)))
        result.polls += 1
        if not isinstance(answer, Reply):
            result.failures[answer.cause.value] = result.failures.get(answer.cause.value, 0) + 1
        elif list(answer.words) == words_of(unit, block.function, block.address, block.count, number):
            result.good += 1
        else:
            result.wrong.append(f"poll {number}: unit {unit} {block} gave {answer.words}")
    result.too_early = len(wire.too_early)
    return result
