"""A range of registers of one unit: what stands there, which addresses do not exist, and what changes while somebody turns a knob.

Reading: blocks first; a block that the instrument refuses is halved until the addresses that do not exist are known. Some instruments
refuse one half of a value that takes two registers, so addresses that are refused alone are tried in pairs. An instrument that does not
answer at all is asked `PATIENCE` times and then given up.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from loadlog.bringup.advice import advise
from loadlog.bringup.meanings import Match, Meaning, find_value, meaning, meanings
from loadlog.bus import Link
from loadlog.config import BusConfig
from loadlog.model.clock import NS, Anchor, Clock
from loadlog.model.errors import DeviceError, UsageError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import READ_COILS, READ_DISCRETE, LinkTraits, ModbusRead, Reply

BLOCK = 32
PATIENCE = 3
SETTLE_READS = 5
RESTLESS_FACTOR = 4
LAST_ADDRESS = 0xFFFF
FUNCTIONS = {1: "coils", 2: "discrete inputs", 3: "holding registers", 4: "input registers"}


@dataclass(frozen=True, slots=True)
class Hole:
    """Addresses from ``first`` to ``last`` that are not there, and the instrument's answer."""

    first: int
    last: int
    detail: str


@dataclass(frozen=True, slots=True)
class RegisterRange:
    """``words``: address -> word (or bit), of those that exist. ``blocks``: the reads (first, count) that work; two of them at once the
    instrument may refuse."""

    unit: int
    function: int
    t_utc_ns: int
    words: Mapping[int, int]
    holes: tuple[Hole, ...]
    blocks: tuple[tuple[int, int], ...]
    meanings: tuple[Meaning, ...]

    def showing(self, value: float, tolerance: float | None = None) -> tuple[Match, ...]:
        """Where a value read off the front panel may stand; by default it may have moved by 2 %."""
        return find_value(self.words, value, abs(value) * 0.02 if tolerance is None else tolerance)


@dataclass(frozen=True, slots=True)
class Change:
    """One register that changed between two reads: old and new in every type. ``alone`` False: a neighbour changed in the same read, so a
    value of two registers is likely."""

    t_utc_ns: int
    address: int
    old: Meaning
    new: Meaning
    alone: bool


@dataclass(frozen=True, slots=True)
class Settled:
    """What moved by itself while nobody touched anything; such registers are told only when they move much further at once."""

    restless: tuple[int, ...]
    advice: str = "now turn the knob, or change one thing at a time"


@dataclass(slots=True)
class _Survey:
    """A range while it is read."""

    link: Link
    bus: BusConfig
    unit: int
    function: int
    traits: LinkTraits
    words: dict[int, int] = field(default_factory=dict)
    refused: dict[int, str] = field(default_factory=dict)
    blocks: list[tuple[int, int]] = field(default_factory=list)
    unanswered: int = 0

    def read(self, first: int, count: int) -> str:
        """Read a block; empty when it worked, else the reason.

        Raises:
            DeviceError: nothing answers.
        """
        answer = self.link.transact(self.unit, ModbusRead(self.function, first, count), self.traits)
        if isinstance(answer, Reply):
            self.words.update({first + i: word for i, word in enumerate(answer.words)})
            self.blocks.append((first, count))
            self.unanswered = 0
            return ""
        if answer.cause is FailureCause.EXCEPTION:
            self.unanswered = 0
            return answer.detail
        self.unanswered += 1
        if answer.cause is FailureCause.PORT_LOST or (self.unanswered >= PATIENCE and not self.words and not self.refused):
            raise DeviceError(answer.detail, where=f"{self.bus.address} unit {self.unit}", hint=advise(answer.cause, self.bus))
        return answer.detail

    def halve(self, first: int, count: int) -> None:
        """Read a block, or its halves where it is refused."""
        why = self.read(first, count)
        if not why:
            return
        if count == 1:
            self.refused[first] = why
            return
        half = count // 2
        self.halve(first, half)
        self.halve(first + half, count - half)

    def try_pairs(self) -> None:
        """Addresses that are refused one by one may answer in twos."""
        for first in sorted(self.refused):
            if first in self.refused and first + 1 in self.refused and not self.read(first, 2):
                del self.refused[first], self.refused[first + 1]


def read_registers(
    bus: BusConfig, link: Link, clock: Clock, unit: int, first: int, count: int, function: int = 3, traits: LinkTraits | None = None
) -> RegisterRange:
    """Read ``count`` addresses from ``first`` (protocol address, counted from 0). ``link`` is open.

    Raises:
        UsageError: function, address or count that Modbus has not.
        DeviceError: the unit does not answer; says what to try.
    """
    _check(function, first, count)
    survey = _Survey(link, bus, unit, function, traits or LinkTraits(timeout_s=0.5))
    block = BLOCK * 16 if function in (READ_COILS, READ_DISCRETE) else BLOCK
    for start in range(first, first + count, block):
        survey.halve(start, min(block, first + count - start))
    survey.try_pairs()
    t_utc_ns = Anchor(clock).to_utc(clock.monotonic_ns())
    words = dict(sorted(survey.words.items()))
    return RegisterRange(unit, function, t_utc_ns, words, _holes(survey.refused), tuple(sorted(survey.blocks)), meanings(words))


def _check(function: int, first: int, count: int) -> None:
    if function not in FUNCTIONS:
        raise UsageError(f"function {function} reads nothing", hint="; ".join(f"{k}: {v}" for k, v in FUNCTIONS.items()))
    if not 0 <= first <= LAST_ADDRESS or count < 1 or first + count - 1 > LAST_ADDRESS:
        raise UsageError(
            f"addresses {first} to {first + count - 1} are not in 0..{LAST_ADDRESS}",
            hint="a manual that counts from 40001 means address 0 of function 3; from 30001, address 0 of function 4",
        )


def _holes(refused: Mapping[int, str]) -> tuple[Hole, ...]:
    holes: list[Hole] = []
    for address in sorted(refused):
        if holes and holes[-1].last == address - 1 and holes[-1].detail == refused[address]:
            holes[-1] = Hole(holes[-1].first, address, refused[address])
        else:
            holes.append(Hole(address, address, refused[address]))
    return tuple(holes)


def watch_registers(
    bus: BusConfig,
    link: Link,
    clock: Clock,
    start: RegisterRange,
    *,
    interval_s: float = 0.5,
    traits: LinkTraits | None = None,
    should_stop: Callable[[], bool] = lambda: False,
) -> Iterator[Settled | Change]:
    """Read the range again and again, and tell what changed: first, after `SETTLE_READS` reads, what moves by itself; then every change.

    A read that fails is left out. ``link`` is open.

    Raises:
        DeviceError: the unit stopped answering.
    """
    survey = _Survey(link, bus, start.unit, start.function, traits or LinkTraits(timeout_s=0.5))
    anchor = Anchor(clock)
    last = dict(start.words)
    steps = dict.fromkeys(last, 0)
    due_ns, reads, failed = clock.monotonic_ns(), 0, 0
    while not should_stop():
        due_ns = max(due_ns + round(interval_s * NS), clock.monotonic_ns())
        clock.sleep_until(due_ns)
        now = _again(survey, start.blocks)
        failed = 0 if now else failed + 1
        if failed >= PATIENCE:
            raise DeviceError("does not answer any more", where=f"{bus.address} unit {start.unit}", hint=advise(FailureCause.TIMEOUT, bus))
        reads += bool(now)
        if reads <= SETTLE_READS:
            for address, word in now.items():
                steps[address] = max(steps[address], _step(last[address], word))
            if now and reads == SETTLE_READS:
                yield Settled(tuple(address for address, step in steps.items() if step))
        else:
            yield from _changes(last, now, steps, anchor.to_utc(clock.monotonic_ns()))
        last |= now


def _again(survey: _Survey, blocks: tuple[tuple[int, int], ...]) -> dict[int, int]:
    survey.words = {}
    survey.refused = {-1: ""}  # the unit answered before: a silence is not the end yet
    for first, count in blocks:
        survey.read(first, count)
    return survey.words


def _step(old: int, new: int) -> int:
    """How far a word moved; the low word of a counter that overflows moved little."""
    return min((new - old) & 0xFFFF, (old - new) & 0xFFFF)


def _changes(old: Mapping[int, int], new: Mapping[int, int], steps: Mapping[int, int], t_utc_ns: int) -> Iterator[Change]:
    after = {**old, **new}
    moved = {address: _step(old[address], word) for address, word in new.items()}
    changed = {address for address, step in moved.items() if step > RESTLESS_FACTOR * steps[address]}
    for address in sorted(changed):
        alone = address - 1 not in changed and address + 1 not in changed
        yield Change(t_utc_ns, address, meaning(address, old), meaning(address, after), alone)
