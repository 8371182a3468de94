"""What a Modbus server does with a request: the functions of the application protocol over a register model. Pure.

A model says which registers it has and what they hold; `answer_pdu` turns a request into the answer or the exception. The order of
checks is that of the protocol's state diagrams (V1.1b3, chapter 6): function, quantity, address, value.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from loadlog.sim import frames


class Refusal(Exception):  # noqa: N818 - an answer on the wire, not a fault of the program
    """The model refuses; ``code`` is the exception code of the answer."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"exception {code:02X}")


class RegisterModel(Protocol):
    """An instrument behind Modbus. Each method raises `Refusal` for an address or value that it does not accept."""

    functions: frozenset[int]

    def read_bits(self, function: int, address: int, count: int) -> Sequence[bool]:
        """Coils (1) or discrete inputs (2)."""
        ...

    def read_words(self, function: int, address: int, count: int) -> Sequence[int]:
        """Holding (3) or input registers (4)."""
        ...

    def write_words(self, function: int, address: int, words: Sequence[int]) -> None:
        """Holding registers, by function 6, 16, 22 or 23."""
        ...

    def write_bits(self, function: int, address: int, bits: Sequence[bool]) -> None:
        """Coils, by function 5 or 15."""
        ...


def answer_pdu(model: RegisterModel, pdu: bytes) -> bytes:
    """The answer to a request, an exception included."""
    function = pdu[0]
    handler = _HANDLERS.get(function)
    if handler is None or function not in model.functions:
        return frames.exception_pdu(function, frames.ILLEGAL_FUNCTION)
    try:
        return bytes((function,)) + handler(model, function, pdu[1:])
    except Refusal as refusal:
        return frames.exception_pdu(function, refusal.code)


def _u16(data: bytes, at: int) -> int:
    if len(data) < at + 2:
        raise Refusal(frames.ILLEGAL_VALUE)
    return int.from_bytes(data[at : at + 2], "big")


def _words(data: bytes) -> list[int]:
    return [int.from_bytes(data[k : k + 2], "big") for k in range(0, len(data), 2)]


def _word_bytes(words: Sequence[int]) -> bytes:
    return b"".join((word & 0xFFFF).to_bytes(2, "big") for word in words)


def _check(address: int, count: int, most: int) -> None:
    if not 1 <= count <= most:
        raise Refusal(frames.ILLEGAL_VALUE)
    if address + count > 0x10000:
        raise Refusal(frames.ILLEGAL_ADDRESS)


def _read_bits(model: RegisterModel, function: int, body: bytes) -> bytes:
    address, count = _u16(body, 0), _u16(body, 2)
    _check(address, count, 2000)
    packed = bytearray((count + 7) // 8)
    for k, bit in enumerate(model.read_bits(function, address, count)):
        packed[k // 8] |= bit << (k % 8)
    return bytes((len(packed),)) + packed


def _read_words(model: RegisterModel, function: int, body: bytes) -> bytes:
    address, count = _u16(body, 0), _u16(body, 2)
    _check(address, count, 125)
    data = _word_bytes(model.read_words(function, address, count))
    return bytes((len(data),)) + data


def _write_coil(model: RegisterModel, function: int, body: bytes) -> bytes:
    value = _u16(body, 2)
    if value not in (0, 0xFF00):
        raise Refusal(frames.ILLEGAL_VALUE)
    model.write_bits(function, _u16(body, 0), [value == 0xFF00])
    return body[:4]


def _write_register(model: RegisterModel, function: int, body: bytes) -> bytes:
    model.write_words(function, _u16(body, 0), [_u16(body, 2)])
    return body[:4]


def _counted(body: bytes, most: int, bytes_of: Callable[[int], int]) -> tuple[int, int, bytes]:
    address, count = _u16(body, 0), _u16(body, 2)
    _check(address, count, most)
    data = body[5:]
    if len(body) < 5 or body[4] != bytes_of(count) or len(data) != body[4]:
        raise Refusal(frames.ILLEGAL_VALUE)
    return address, count, data


def _write_coils(model: RegisterModel, function: int, body: bytes) -> bytes:
    address, count, data = _counted(body, 1968, lambda n: (n + 7) // 8)
    model.write_bits(function, address, [bool(data[k // 8] >> (k % 8) & 1) for k in range(count)])
    return body[:4]


def _write_registers(model: RegisterModel, function: int, body: bytes) -> bytes:
    address, _, data = _counted(body, 123, lambda n: 2 * n)
    model.write_words(function, address, _words(data))
    return body[:4]


def _mask_write(model: RegisterModel, function: int, body: bytes) -> bytes:
    address, keep, put = _u16(body, 0), _u16(body, 2), _u16(body, 4)
    present = model.read_words(frames.READ_HOLDING, address, 1)[0]
    model.write_words(function, address, [(present & keep) | (put & ~keep & 0xFFFF)])
    return body[:6]


def _read_write(model: RegisterModel, function: int, body: bytes) -> bytes:
    address, count = _u16(body, 0), _u16(body, 2)
    _check(address, count, 125)
    to, _, data = _counted(body[4:], 121, lambda n: 2 * n)
    model.write_words(function, to, _words(data))
    out = _word_bytes(model.read_words(frames.READ_HOLDING, address, count))
    return bytes((len(out),)) + out


def _diagnostic(model: RegisterModel, function: int, body: bytes) -> bytes:
    del model, function
    if _u16(body, 0) != 0:
        raise Refusal(frames.ILLEGAL_VALUE)
    return body


_HANDLERS: Mapping[int, Callable[[RegisterModel, int, bytes], bytes]] = {
    frames.READ_COILS: _read_bits,
    frames.READ_DISCRETE: _read_bits,
    frames.READ_HOLDING: _read_words,
    frames.READ_INPUT: _read_words,
    frames.WRITE_COIL: _write_coil,
    frames.WRITE_REGISTER: _write_register,
    frames.DIAGNOSTIC: _diagnostic,
    frames.WRITE_COILS: _write_coils,
    frames.WRITE_REGISTERS: _write_registers,
    frames.MASK_WRITE: _mask_write,
    frames.READ_WRITE: _read_write,
}
FUNCTIONS = frozenset(_HANDLERS)
