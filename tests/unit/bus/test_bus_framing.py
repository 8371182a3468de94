"""Finding one answer among what was heard."""

from __future__ import annotations

from random import Random

from hypothesis import given
from hypothesis import strategies as st

from loadlog.bus.framing import ANY_TAIL, diagnose, exact_answer, find_answer
from loadlog.bus.pdu import exchange
from loadlog.model.sample import FailureCause
from loadlog.model.wire import ModbusRead
from tests.traps import frames

CALL = exchange(1, ModbusRead(3, 0, 4))
ANSWER = frames.registers(1, 3, [11, 22, 33, 44])
PDU = ANSWER[1:-2]


def test_answer_alone() -> None:
    assert exact_answer(CALL, bytearray(ANSWER)) == PDU
    assert find_answer(CALL, bytearray(ANSWER)) == PDU


@given(st.binary(max_size=40), st.binary(max_size=40))
def test_noise_never_makes_another_value(before: bytes, after: bytes) -> None:
    """Whatever stands around, what is found is the answer that was sent, or nothing."""
    found = find_answer(CALL, bytearray(before + ANSWER + after), ANY_TAIL)
    assert found in (b"", PDU)


@given(st.integers(0, len(ANSWER) * 8 - 1))
def test_one_flipped_bit_is_always_seen(bit: int) -> None:
    """CRC-16 finds every single error (polynomial with more than one term)."""
    spoilt = bytearray(ANSWER)
    spoilt[bit // 8] ^= 1 << bit % 8
    assert exact_answer(CALL, spoilt) == b""
    assert find_answer(CALL, spoilt, ANY_TAIL) == b""


def test_bursts_of_sixteen_bits_are_always_seen() -> None:
    chance = Random(1)
    for _ in range(2000):
        start, burst = chance.randrange(len(ANSWER) * 8 - 16), chance.randrange(1, 1 << 16)
        spoilt = int.from_bytes(ANSWER, "little") ^ (burst << start)
        assert exact_answer(CALL, bytearray(spoilt.to_bytes(len(ANSWER), "little"))) == b""


def test_two_answers_make_both_doubtful() -> None:
    other = frames.registers(1, 3, [1, 2, 3, 4])
    assert find_answer(CALL, bytearray(ANSWER + other), ANY_TAIL) == b""
    assert find_answer(CALL, bytearray(frames.registers(1, 3, [5]) + ANSWER), ANY_TAIL) == b""


def test_tail_as_long_as_a_frame_makes_it_doubtful() -> None:
    assert find_answer(CALL, bytearray(ANSWER + b"\x00" * 4), 4) == PDU
    assert find_answer(CALL, bytearray(ANSWER + b"\x00" * 5), 4) == b""


def test_frame_of_another_unit_before() -> None:
    assert find_answer(CALL, bytearray(frames.registers(2, 3, [1, 2, 3, 4]) + ANSWER)) == PDU


def test_exception_response_is_an_answer() -> None:
    assert find_answer(CALL, bytearray(frames.exception(1, 3, 2))) == b"\x83\x02"
    assert find_answer(CALL, bytearray(frames.exception(1, 4, 2))) == b""


def test_causes() -> None:
    def cause(heard: bytes) -> FailureCause:
        return diagnose(CALL, bytearray(heard), 0.1).cause

    assert cause(b"") is FailureCause.TIMEOUT
    assert cause(ANSWER[:5]) is FailureCause.SHORT
    assert cause(b"\x00") is FailureCause.SHORT
    assert cause(ANSWER[:-1] + bytes([ANSWER[-1] ^ 1])) is FailureCause.CRC
    assert cause(frames.registers(2, 3, [1])) is FailureCause.WRONG_UNIT
    assert cause(frames.registers(1, 3, [1])) is FailureCause.WRONG_REPLY
    assert cause(ANSWER * 2) is FailureCause.WRONG_REPLY
    assert cause(ANSWER + b"\x00" * 9) is FailureCause.WRONG_REPLY
