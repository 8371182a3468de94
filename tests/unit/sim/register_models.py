"""Instruments of nothing but registers, behind the simulator's Modbus server: for what concerns protocol and lines alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from loadlog.sim import frames
from loadlog.sim.registers import FUNCTIONS, Refusal

T = TypeVar("T")


class PlainModel:
    """Registers and bits as dictionaries, all functions of the protocol: for the examples of the specification."""

    functions = frozenset(FUNCTIONS)

    def __init__(
        self,
        holding: Mapping[int, int] | None = None,
        inputs: Mapping[int, int] | None = None,
        coils: Mapping[int, bool] | None = None,
        discrete: Mapping[int, bool] | None = None,
    ) -> None:
        self.holding = dict(holding or {})
        self.inputs = dict(inputs or {})
        self.coils = dict(coils or {})
        self.discrete = dict(discrete or {})

    def read_bits(self, function: int, address: int, count: int) -> Sequence[bool]:
        """Coils (1) or discrete inputs (2)."""
        return _run(self.coils if function == frames.READ_COILS else self.discrete, address, count)

    def read_words(self, function: int, address: int, count: int) -> Sequence[int]:
        """Holding (3) or input registers (4)."""
        return _run(self.holding if function == frames.READ_HOLDING else self.inputs, address, count)

    def write_words(self, function: int, address: int, words: Sequence[int]) -> None:
        """Only registers that exist."""
        _run(self.holding, address, len(words))
        self.holding.update({address + k: word for k, word in enumerate(words)})

    def write_bits(self, function: int, address: int, bits: Sequence[bool]) -> None:
        """Only coils that exist."""
        _run(self.coils, address, len(bits))
        self.coils.update({address + k: bit for k, bit in enumerate(bits)})


def _run(table: Mapping[int, T], address: int, count: int) -> list[T]:
    try:
        return [table[address + k] for k in range(count)]
    except KeyError:
        raise Refusal(frames.ILLEGAL_ADDRESS) from None


@dataclass
class PatternModel:
    """Every register says whose it is: word(a) = unit · 4096 + a for a < 0x0F00, so that a value of another unit or register is seen at
    once. From 0x0F00 on each word holds the number of the request (modulo 65536), so that an answer to an earlier request is seen too."""

    unit: int
    requests: int = 0
    functions = frozenset({frames.READ_HOLDING, frames.READ_INPUT})
    COUNTER_FROM = 0x0F00

    def word(self, address: int) -> int:
        """What a register below 0x0F00 holds."""
        return (self.unit * 4096 + address) & 0xFFFF

    def read_words(self, function: int, address: int, count: int) -> Sequence[int]:
        """Any register below 0x1000."""
        if address + count > 0x1000:
            raise Refusal(frames.ILLEGAL_ADDRESS)
        self.requests += 1
        return [self.word(a) if a < self.COUNTER_FROM else self.requests & 0xFFFF for a in range(address, address + count)]

    def read_bits(self, function: int, address: int, count: int) -> Sequence[bool]:
        """None here."""
        raise Refusal(frames.ILLEGAL_ADDRESS)

    def write_words(self, function: int, address: int, words: Sequence[int]) -> None:
        """Not writable."""
        raise Refusal(frames.ILLEGAL_ADDRESS)

    def write_bits(self, function: int, address: int, bits: Sequence[bool]) -> None:
        """None here."""
        raise Refusal(frames.ILLEGAL_ADDRESS)
