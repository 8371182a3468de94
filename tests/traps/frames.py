"""Modbus RTU frames made by hand, for devices that speak bytes. Shares no code with the product; the published vectors of
`tests/vectors/modbus_frames.csv` decide whether it is right (test_bus_vectors.py)."""

from __future__ import annotations


def crc16(data: bytes) -> int:
    """Bit by bit, as the flow chart of MODBUS over Serial Line V1.02, 6.2.2 gives it."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value


def seal(body: bytes) -> bytes:
    """Append the CRC, low byte first."""
    return body + crc16(body).to_bytes(2, "little")


def registers(unit: int, function: int, words: list[int]) -> bytes:
    """Answer of function 3 or 4."""
    return seal(bytes((unit, function, 2 * len(words))) + b"".join(word.to_bytes(2, "big") for word in words))


def bits(unit: int, function: int, values: list[int]) -> bytes:
    """Answer of function 1 or 2, low bit first."""
    packed = bytearray((len(values) + 7) // 8)
    for index, value in enumerate(values):
        packed[index // 8] |= value << index % 8
    return seal(bytes((unit, function, len(packed))) + bytes(packed))


def exception(unit: int, function: int, code: int) -> bytes:
    """Exception response."""
    return seal(bytes((unit, function | 0x80, code)))


def split_requests(data: bytes) -> tuple[list[bytes], bytes]:
    """Whole requests of functions 1 to 6 and 16 with a right CRC, and what is left over; bytes that begin none are skipped."""
    found = []
    while len(data) >= 8:
        size = 9 + data[6] if data[1] == 16 else 8
        if len(data) < size:
            break
        if crc16(data[: size - 2]).to_bytes(2, "little") == data[size - 2 : size]:
            found.append(data[:size])
            data = data[size:]
        else:
            data = data[1:]
    return found, data
