"""Modbus frames as bytes: CRC, RTU and TCP framing, and how long a request is. Pure, written for the simulator alone.

Sources: MODBUS over Serial Line V1.02 (2.5.1, CRC in appendix B), MODBUS Application Protocol V1.1b3 (chapter 6), MODBUS Messaging on
TCP/IP V1.0b.
"""

from __future__ import annotations

READ_COILS, READ_DISCRETE, READ_HOLDING, READ_INPUT = 1, 2, 3, 4
WRITE_COIL, WRITE_REGISTER, DIAGNOSTIC, WRITE_COILS, WRITE_REGISTERS, MASK_WRITE, READ_WRITE = 5, 6, 8, 15, 16, 22, 23
ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4
MBAP_BYTES = 7
MAX_RTU_BYTES = 256


def _table() -> tuple[int, ...]:
    out = []
    for byte in range(256):
        rest = byte
        for _ in range(8):
            rest = (rest >> 1) ^ 0xA001 if rest & 1 else rest >> 1
        out.append(rest)
    return tuple(out)


_CRC = _table()


def crc16(data: bytes) -> int:
    """CRC-16 of the serial line; its low byte goes first on the wire. ``b"123456789"`` gives 0x4B37."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC[(crc ^ byte) & 0xFF]
    return crc


def rtu_frame(unit: int, pdu: bytes) -> bytes:
    """Unit, PDU and CRC as they go over the wire."""
    body = bytes((unit,)) + pdu
    return body + crc16(body).to_bytes(2, "little")


def rtu_split(frame: bytes) -> tuple[int, bytes] | None:
    """(unit, PDU) of a frame with a correct CRC, else None."""
    if not 4 <= len(frame) <= MAX_RTU_BYTES or crc16(frame) != 0:
        return None
    return frame[0], frame[1:-2]


def rtu_request_bytes(start: bytes) -> int | None:
    """Length of the RTU request that begins with ``start``; None while it cannot be told."""
    if len(start) < 2:
        return None
    function = start[1]
    if function in (READ_COILS, READ_DISCRETE, READ_HOLDING, READ_INPUT, WRITE_COIL, WRITE_REGISTER, DIAGNOSTIC):
        return 8
    if function == MASK_WRITE:
        return 10
    at = {WRITE_COILS: 6, WRITE_REGISTERS: 6, READ_WRITE: 10}.get(function)
    if at is None or len(start) <= at:
        return None
    return at + 1 + start[at] + 2


def mbap_frame(transaction: int, unit: int, pdu: bytes) -> bytes:
    """A Modbus TCP message."""
    return transaction.to_bytes(2, "big") + b"\0\0" + (len(pdu) + 1).to_bytes(2, "big") + bytes((unit,)) + pdu


def exception_pdu(function: int, code: int) -> bytes:
    """The answer that refuses a request."""
    return bytes((function | 0x80, code))
