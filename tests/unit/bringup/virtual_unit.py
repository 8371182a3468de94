"""An instrument with a register map in virtual time, for the tools that talk to one; its frames come from `tests.traps.frames`."""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

from loadlog.bus.rtu import RtuLink
from loadlog.config import BusConfig
from loadlog.model.wire import Line
from tests.traps import frames
from tests.traps.virtual_line import Answers, VirtualClock, VirtualLine


@dataclass
class Unit:
    """``words``: what exists; a read that touches anything else is refused. ``whole``: pairs that are not given by halves."""

    unit: int = 1
    words: dict[int, int] = field(default_factory=dict)
    whole: frozenset[int] = frozenset()  # first addresses of pairs
    largest: int = 125
    is_silent: bool = False
    asked: list[tuple[int, int]] = field(default_factory=list)

    def answer(self, request: bytes) -> Answers:
        first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        self.asked.append((first, count))
        if self.is_silent:
            return []
        wanted = range(first, first + count)
        if count > self.largest:
            return [(2_000_000, frames.exception(self.unit, request[1], 3))]
        halves = any((first > pair and pair + 1 in wanted) or (pair in wanted and pair + 1 not in wanted) for pair in self.whole)
        if halves or any(a not in self.words for a in wanted):
            return [(2_000_000, frames.exception(self.unit, request[1], 2))]
        return [(2_000_000, frames.registers(self.unit, request[1], [self.words[a] for a in wanted]))]


class Bench:
    """Some units on a line of one pace."""

    def __init__(self, *units: Unit, baudrate: int = 9600, parity: str = "N", seed: int = 1) -> None:
        self.clock = VirtualClock(Random(seed))
        self.units = {u.unit: u for u in units}
        self.baudrate, self.parity = baudrate, parity
        self.bus = BusConfig(name="bring-up", kind="modbus-rtu", port="/dev/virtual", baudrate=baudrate)
        self._chance = Random(seed)

    def _answer(self, request: bytes, _t_end_ns: int) -> Answers:
        unit = self.units.get(request[0])
        return unit.answer(request) if unit else []

    def _garble(self, request: bytes, _t_end_ns: int) -> Answers:
        """What a unit with another pace makes of it: now and then some noise."""
        return [(5_000_000, self._chance.randbytes(4))] if request[0] in self.units and self.is_noisy else []

    is_noisy = False

    def link(self, bus: BusConfig | None = None, _clock: object = None) -> RtuLink:
        """A link at the given settings; units answer when these are theirs."""
        bus = bus or self.bus
        line = Line(bus.baudrate)
        right = bus.baudrate == self.baudrate and bus.parity == self.parity and bus.kind == "modbus-rtu"
        return RtuLink(VirtualLine(line, self.clock, self._answer if right else self._garble), line, self.clock)

    def stream(self, bus: BusConfig) -> VirtualLine:
        """The bare line; units answer no question of another kind."""
        return VirtualLine(Line(bus.baudrate), self.clock, self._answer)
