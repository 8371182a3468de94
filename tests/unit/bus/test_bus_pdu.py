"""Encoding, decoding and CRC against the published examples.

Sources: Modbus Application Protocol V1.1b3, chapter 6 (`tests/vectors/modbus_frames.csv`); MODBUS over Serial Line V1.02 (CRC example
``02 07`` -> ``41 12``); the check value 0x4B37 of "123456789", on which five independent CRC packages agree.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from loadlog.bus.pdu import Exchange, Fault, crc, crc_fits, decode, exchange
from loadlog.model.errors import BusError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import ModbusRead, ModbusWrite, modbus_reply_bytes, modbus_request_bytes
from tests.traps import frames

VECTORS = Path(__file__).parents[2] / "vectors" / "modbus_frames.csv"
ROWS = list(csv.DictReader(VECTORS.open(newline="")))
REQUESTS: dict[str, tuple[ModbusRead | ModbusWrite, tuple[int, ...]]] = {
    "read holding registers 108-110": (ModbusRead(3, 107, 3), (555, 0, 100)),
    "read input register 9": (ModbusRead(4, 8, 1), (10,)),
    "write single register 2": (ModbusWrite(6, 1, (3,)), (3,)),
    "write registers 2-3": (ModbusWrite(16, 1, (10, 258)), (10, 258)),
    "read coils 20-38": (ModbusRead(1, 19, 19), (1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1)),
}
TOLD = [row for row in ROWS if row["what"] in REQUESTS]


def wire(text: str) -> bytes:
    return bytes.fromhex(text)


def test_every_function_of_ours_has_its_published_example() -> None:
    assert len(TOLD) == len(REQUESTS)


@pytest.mark.parametrize("row", TOLD, ids=lambda row: row["what"])
def test_published_request_is_encoded(row: dict[str, str]) -> None:
    call = exchange(0x11, REQUESTS[row["what"]][0])
    assert call.pdu == wire(row["request_pdu"])
    assert call.frame == wire(row["rtu_request_unit_17"])
    assert modbus_request_bytes(call.request) == len(call.frame)


@pytest.mark.parametrize("row", TOLD, ids=lambda row: row["what"])
def test_published_answer_is_decoded(row: dict[str, str]) -> None:
    request, words = REQUESTS[row["what"]]
    assert decode(exchange(0x11, request), wire(row["response_pdu"])) == words
    assert modbus_reply_bytes(request) == len(wire(row["rtu_response_unit_17"]))


def test_published_exception_is_told() -> None:
    row = next(row for row in ROWS if row["what"] == "read coil 1186, absent")
    call = exchange(0x11, ModbusRead(1, 0x04A1, 1))
    assert call.frame == wire(row["rtu_request_unit_17"])
    fault = decode(call, wire(row["response_pdu"]))
    assert isinstance(fault, Fault)
    assert (fault.cause, fault.exception_code) == (FailureCause.EXCEPTION, 2)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["what"])
@pytest.mark.parametrize("key", ["rtu_request_unit_17", "rtu_response_unit_17"])
def test_crc_of_published_frames(row: dict[str, str], key: str) -> None:
    frame = wire(row[key])
    assert crc(frame[:-2]) == frame[-2:]
    assert crc_fits(frame)
    assert frames.seal(frame[:-2]) == frame, "the fakes of the traps must agree with the specification, too"


@pytest.mark.parametrize(("data", "expected"), [(b"123456789", 0x4B37), (b"\x02\x07", 0x1241), (b"", 0xFFFF)])
def test_crc_check_values(data: bytes, expected: int) -> None:
    assert int.from_bytes(crc(data), "little") == expected


def test_coil_is_written_as_ff00_and_0000() -> None:
    """Application Protocol V1.1b3, 6.5: output 173 on is 05 00 AC FF 00 (from memory)."""
    assert exchange(1, ModbusWrite(5, 0xAC, (1,))).pdu == wire("05 00 AC FF 00")
    assert exchange(1, ModbusWrite(5, 0xAC, (0,))).pdu == wire("05 00 AC 00 00")


def one_read() -> Exchange:
    return exchange(1, ModbusRead(3, 0, 2))


@pytest.mark.parametrize(
    ("pdu", "cause"),
    [
        ("", FailureCause.WRONG_REPLY),
        ("03", FailureCause.WRONG_REPLY),
        ("03 04 00 01 00", FailureCause.WRONG_REPLY),
        ("03 02 00 01", FailureCause.WRONG_REPLY),
        ("03 06 00 01 00 02 00 03", FailureCause.WRONG_REPLY),
        ("03 02 00 01 00 02", FailureCause.WRONG_REPLY),
        ("04 04 00 01 00 02", FailureCause.WRONG_REPLY),
        ("84 02", FailureCause.WRONG_REPLY),
        ("83", FailureCause.WRONG_REPLY),
        ("83 02 00", FailureCause.WRONG_REPLY),
        ("83 06", FailureCause.EXCEPTION),
    ],
)
def test_what_is_no_answer_is_refused(pdu: str, cause: FailureCause) -> None:
    fault = decode(one_read(), wire(pdu))
    assert isinstance(fault, Fault)
    assert fault.cause is cause


def test_exception_code_outside_the_standard_is_named_by_number() -> None:
    fault = decode(one_read(), wire("83 77"))
    assert isinstance(fault, Fault)
    assert fault.exception_code == 0x77
    assert "not in the standard" in fault.detail


@pytest.mark.parametrize("pdu", ["06 00 41 00 01", "06 00 40 00 00", "06 00 40 00", "10 00 40 00 01"])
def test_write_confirmed_otherwise_is_refused(pdu: str) -> None:
    fault = decode(exchange(1, ModbusWrite(6, 0x40, (1,))), wire(pdu))
    assert isinstance(fault, Fault)


@pytest.mark.parametrize(("odd_words", "answer", "words"), [(0, "10", ()), (1, "10 00 2A", (42,)), (3, "10 00 01 00 02 00 03", (1, 2, 3))])
def test_odd_answers_to_writes(odd_words: int, answer: str, words: tuple[int, ...]) -> None:
    call = exchange(1, ModbusWrite(16, 0x42, (0, 0x4148)), odd_words)
    assert decode(call, wire(answer)) == words
    assert isinstance(decode(call, wire("10 00 42 00 02")), Fault), "the standard answer is not what this instrument sends"


@pytest.mark.parametrize(
    "request_",
    [
        ModbusRead(3, 0, 0),
        ModbusRead(3, 0, 126),
        ModbusRead(1, 0, 2001),
        ModbusRead(3, 65536, 1),
        ModbusRead(3, -1, 1),
        ModbusRead(7, 0, 1),
        ModbusWrite(6, 0, ()),
        ModbusWrite(6, 0, (1, 2)),
        ModbusWrite(6, 0, (65536,)),
        ModbusWrite(6, 70000, (1,)),
        ModbusWrite(16, 0, ()),
        ModbusWrite(16, 0, (0,) * 124),
        ModbusWrite(16, 70000, (1,)),
        ModbusWrite(3, 0, (1,)),
    ],
)
def test_what_modbus_has_not_is_refused_before_it_is_sent(request_: ModbusRead | ModbusWrite) -> None:
    with pytest.raises(BusError, match="no Modbus request"):
        exchange(1, request_)


def test_largest_blocks() -> None:
    """Application Protocol V1.1b3, 6.1, 6.3, 6.12: 2000 bits, 125 registers read, 123 written; frames of at most 256 bytes."""
    assert len(exchange(1, ModbusWrite(16, 0, (0xFFFF,) * 123)).frame) == 255
    assert exchange(1, ModbusRead(3, 0xFFFF - 124, 125)).reply_bytes == 252
    assert exchange(1, ModbusRead(1, 0, 2000)).reply_bytes == 252
