"""Instruments that answer wrongly in every way that was measured or that the trade knows, by chance with a seed.

Every value is made from unit, function, register and the number of the request, so that a value of another unit, register or poll is
recognised. An instrument answers in turn: what it owes from earlier requests leaves before the answer to the next, whatever its length.
"""

from __future__ import annotations

import hashlib
from random import Random

from tests.traps import frames

NS = 1_000_000_000


def value_of(unit: int, function: int, register: int, request_number: int) -> int:
    """The word that this register has at this request; 16 bits without pattern."""
    text = f"{unit} {function} {register} {request_number}".encode()
    return int.from_bytes(hashlib.blake2b(text, digest_size=2).digest(), "big")


def words_of(unit: int, function: int, first: int, count: int, request_number: int) -> list[int]:
    """As `value_of` for a range; bits for functions 1 and 2."""
    words = [value_of(unit, function, first + i, request_number) for i in range(count)]
    return [word & 1 for word in words] if function in (1, 2) else words


class FaultyBench:
    """All units of one line. ``request_number`` is set by whoever polls; ``trouble``: share of requests answered wrongly."""

    FAULTS = (
        "silent",
        "late",
        "very_late",
        "truncated",
        "rest_late",
        "split",
        "garbled",
        "leading_noise",
        "trailing_noise",
        "foreign_instead",
        "foreign_before",
        "short_list",
        "long_list",
        "other_function",
        "refused",
        "repeated",
        "late_refusal",
        "late_other_length",
    )

    def __init__(self, chance: Random, timeout_s: float, trouble: float = 0.2, character_ns: int = 0) -> None:
        self._chance, self._trouble = chance, trouble
        self._timeout_ns = int(timeout_s * NS)
        self._character_ns = character_ns
        self._free_at_ns: dict[int, int] = {}
        self.request_number = 0
        self.faults: dict[str, int] = dict.fromkeys(self.FAULTS, 0)

    def __call__(self, request: bytes, t_end_ns: int) -> list[tuple[int, bytes]]:
        unit, function = request[0], request[1]
        first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        words = words_of(unit, function, first, count, self.request_number)
        make = frames.bits if function in (1, 2) else frames.registers
        answers: list[tuple[int, bytes]] = [(self._chance.randrange(2_000_000, 5_000_000), make(unit, function, words))]
        fault = self._chance.choice(self.FAULTS) if self._chance.random() < self._trouble else ""
        if fault:
            self.faults[fault] += 1
            answers = getattr(self, f"_{fault}")(answers[0][0], answers[0][1], words)
        return self._in_turn(unit, t_end_ns, answers)

    def _in_turn(self, unit: int, t_end_ns: int, answers: list[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
        """Nothing leaves before what the unit owes from earlier; a pause of its own lies between."""
        out = []
        for delay_ns, data in answers:
            start_ns = max(t_end_ns + delay_ns, self._free_at_ns.get(unit, 0))
            self._free_at_ns[unit] = start_ns + len(data) * self._character_ns + (2_000_000 if len(answers) == 1 else 0)
            out.append((start_ns - t_end_ns, data))
        return out

    def _silent(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return []

    def _late(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return [(int(self._timeout_ns * self._chance.uniform(0.9, 2.0)), frame)]

    def _very_late(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return [(int(self._timeout_ns * self._chance.uniform(2.0, 8.0)), frame)]

    def _truncated(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return [(delay, frame[: self._chance.randrange(1, len(frame))])]

    def _rest_late(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        cut = self._chance.randrange(1, len(frame))
        return [(delay, frame[:cut]), (delay + int(self._timeout_ns * self._chance.uniform(0.3, 1.2)), frame[cut:])]

    def _split(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        cut = self._chance.randrange(1, len(frame))
        return [(delay, frame[:cut]), (delay + cut * self._character_ns + 5_000_000, frame[cut:])]

    def _garbled(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        spoilt = bytearray(frame)
        for _ in range(self._chance.randrange(1, 4)):
            spoilt[self._chance.randrange(len(frame))] ^= 1 << self._chance.randrange(8)
        return [(delay, bytes(spoilt))]

    def _leading_noise(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return [(delay, self._chance.randbytes(self._chance.randrange(1, 9)) + frame)]

    def _trailing_noise(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return [(delay, frame + self._chance.randbytes(self._chance.randrange(1, 9)))]

    def _foreign(self, frame: bytes, words: list[int]) -> bytes:
        other = [self._chance.randrange(0x10000) for _ in words]
        return frames.registers(frame[0] % 4 + 1, frame[1], other)

    def _foreign_instead(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return [(delay, self._foreign(frame, words))]

    def _foreign_before(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        first = self._foreign(frame, words)
        return [(delay, first), (delay + len(first) * self._character_ns + self._chance.choice((0, 3_000_000)), frame)]

    def _short_list(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        if frame[1] in (1, 2):
            return [(delay, frames.bits(frame[0], frame[1], words[:8]))]
        return [(delay, frames.registers(frame[0], frame[1], words[: self._chance.randrange(len(words))]))]

    def _long_list(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        if frame[1] in (1, 2):
            return [(delay, frames.bits(frame[0], frame[1], words + words[:8]))]
        return [(delay, frames.registers(frame[0], frame[1], words + words[: self._chance.randrange(1, 5)]))]

    def _late_other_length(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        """As if it were the answer to another question asked since: the lengths that a master may try to tell answers apart."""
        most = 8 if frame[1] in (1, 2) else self._chance.choice((-4, -3, -2, -1, 1, 2))
        other = (words + words)[: max(1, len(words) + most)]
        make = frames.bits if frame[1] in (1, 2) else frames.registers
        return [(int(self._timeout_ns * self._chance.uniform(0.9, 8.0)), make(frame[0], frame[1], other))]

    def _other_function(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return [(delay, frames.registers(frame[0], 7 - frame[1] if frame[1] in (3, 4) else 3, words))]

    def _refused(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return [(delay, frames.exception(frame[0], frame[1], self._chance.choice((1, 2, 3, 4, 6))))]

    def _late_refusal(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return [(int(self._timeout_ns * self._chance.uniform(0.9, 6.0)), frames.exception(frame[0], frame[1], 6))]

    def _repeated(self, delay: int, frame: bytes, words: list[int]) -> list[tuple[int, bytes]]:
        return [(delay, frame), (delay + len(frame) * self._character_ns + self._chance.randrange(1_500_000), frame)]
