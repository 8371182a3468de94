"""Finding the answer among what was heard on an RTU line, and naming what it was when there is none.

Pure functions on bytes. Source: MODBUS over Serial Line V1.02, 2.3 and 2.5.1; lengths of answers from Application Protocol V1.1b3,
chapter 6.
"""

from __future__ import annotations

from collections.abc import Iterator

from loadlog.bus.pdu import EXCEPTION_FLAG, Exchange, Fault, crc_fits, decode
from loadlog.model.sample import FailureCause

LEAST_FRAME_BYTES = 5  # an exception response: unit, function, code, CRC
EXCEPTION_FRAME_BYTES = 5
ENVELOPE_BYTES = 3  # unit and CRC around a PDU
ANY_TAIL = 1 << 16
_READ_FUNCTIONS = (1, 2, 3, 4)
_WRITE_FUNCTIONS = (5, 6, 15, 16)


def looks_like_answer(call: Exchange, heard: bytearray) -> bool:
    """True while unit and function, as far as they came, are those of the answer or of an exception response to ``call``."""
    if heard[0] != call.unit:
        return False
    return len(heard) < 2 or heard[1] & ~EXCEPTION_FLAG == call.pdu[0]


def answer_bytes(call: Exchange, heard: bytearray) -> int:
    """Length of the frame that is coming, as far as can be told from its beginning."""
    if len(heard) > 1 and heard[1] & EXCEPTION_FLAG:
        return EXCEPTION_FRAME_BYTES
    return call.reply_bytes + ENVELOPE_BYTES


def exact_answer(call: Exchange, heard: bytearray) -> bytes:
    """The PDU when ``heard`` is the answer and nothing else; the usual case, so kept short."""
    if len(heard) == call.reply_bytes + ENVELOPE_BYTES:
        fits = heard[0] == call.unit and heard.startswith(call.head, 1)
    else:
        fits = len(heard) == EXCEPTION_FRAME_BYTES and heard[0] == call.unit and heard[1] == call.pdu[0] | EXCEPTION_FLAG
    return bytes(heard[1:-2]) if fits and crc_fits(heard) else b""


def find_answer(call: Exchange, heard: bytearray, tail_bytes: int = 0) -> bytes:
    """The PDU of the answer among noise and frames of other units; empty when it is not there or not alone.

    A second frame of the same unit makes both doubtful: one of them belongs to an earlier request. ``tail_bytes``: how many bytes may
    follow; a complete line may show a few of noise from a transmitter switching off, fewer than the shortest frame.
    """
    found = b""
    for start, end in _frames(call, heard):
        if heard[start] != call.unit:
            continue
        pdu = bytes(heard[start + 1 : end - 2])
        if found or not _fits(call, pdu) or len(heard) - end > tail_bytes:
            return b""
        found = pdu
    return found


def _fits(call: Exchange, pdu: bytes) -> bool:
    if pdu[0] == call.pdu[0] | EXCEPTION_FLAG:
        return len(pdu) == EXCEPTION_FRAME_BYTES - ENVELOPE_BYTES
    return len(pdu) == call.reply_bytes and pdu.startswith(call.head)


def _frames(call: Exchange, heard: bytearray) -> Iterator[tuple[int, int]]:
    """Start and end of each answer with a right CRC, from left to right, not overlapping."""
    start = 0
    while start + LEAST_FRAME_BYTES - 1 <= len(heard):
        for size in _sizes(call, heard, start):
            if start + size <= len(heard) and crc_fits(heard[start : start + size]):
                yield start, start + size
                start += size - 1
                break
        start += 1


def _sizes(call: Exchange, heard: bytearray, start: int) -> tuple[int, ...]:
    """Lengths that an answer beginning at ``start`` may have."""
    function = heard[start + 1]
    sizes: tuple[int, ...] = ()
    if function & EXCEPTION_FLAG:
        sizes = (EXCEPTION_FRAME_BYTES,)
    elif function in _READ_FUNCTIONS:
        sizes = (5 + heard[start + 2],)
    elif function in _WRITE_FUNCTIONS:
        sizes = (8,)
    expected = call.reply_bytes + ENVELOPE_BYTES
    return sizes if expected in sizes or function != call.pdu[0] else (expected, *sizes)


def has_passed(call: Exchange, heard: bytearray) -> bool:
    """True when the answer came in full length under its own head, though its CRC is wrong: nothing more is to come."""
    return len(heard) >= call.reply_bytes + ENVELOPE_BYTES and heard[0] == call.unit and heard.startswith(call.head, 1)


def answer_sizes(call: Exchange, heard: bytearray) -> list[int]:
    """Lengths of the PDUs of all reads that the unit of ``call`` answered in ``heard``, with a right CRC."""
    ours = ((start, end) for start, end in _frames(call, heard) if heard[start] == call.unit)
    return [end - start - ENVELOPE_BYTES for start, end in ours if heard[start + 1] in _READ_FUNCTIONS]


def diagnose(call: Exchange, heard: bytearray, timeout_s: float) -> Fault:
    """Why ``heard`` holds no answer to ``call``."""
    if not heard:
        return Fault(FailureCause.TIMEOUT, f"no answer within {timeout_s:g} s")
    frames = list(_frames(call, heard))
    ours = [bytes(heard[start + 1 : end - 2]) for start, end in frames if heard[start] == call.unit]
    if len(ours) > 1:
        return Fault(FailureCause.WRONG_REPLY, f"{len(ours)} answers to one request, one of them late or repeated")
    if ours:
        verdict = decode(call, ours[0])
        if isinstance(verdict, Fault):
            return verdict
        return Fault(FailureCause.WRONG_REPLY, f"answer among {len(heard)} bytes that do not belong to it")
    if frames:
        return Fault(FailureCause.WRONG_UNIT, f"unit {heard[frames[0][0]]} answered, unit {call.unit} was asked")
    expected = answer_bytes(call, heard)
    if len(heard) < expected:
        return Fault(FailureCause.SHORT, f"answer broke off after {len(heard)} of {expected} bytes: {heard[:16].hex(' ')}")
    return Fault(FailureCause.CRC, f"CRC wrong in {len(heard)} bytes: {heard[:16].hex(' ')}{' ...' if len(heard) > 16 else ''}")
