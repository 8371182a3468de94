"""Modbus requests to bytes, answers to words, each answer checked; encoding, decoding and CRC by pymodbus.

Source: MODBUS Application Protocol V1.1b3 (chapters 6 and 7), MODBUS over Serial Line V1.02 (2.5.1.2, CRC). A device's exception response
is returned by pymodbus, not raised, with an empty register list: nothing leaves here unless unit, function, byte count and the echoed
address agree. pymodbus' ``compute_CRC`` gives the two bytes swapped against the specification's notation, i.e. in wire order when
written high byte first.
"""

from __future__ import annotations

import functools
import struct
from dataclasses import dataclass

from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU, ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest, WriteSingleCoilRequest
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from loadlog.model.errors import BusError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import READ_COILS, READ_DISCRETE, WRITE_COIL, WRITE_REGISTER, WRITE_REGISTERS, ModbusRead, ModbusWrite

MAX_WRITE_REGISTERS = 123  # Application Protocol, 6.12
EXCEPTION_FLAG = 0x80
EXCEPTION_NAMES = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
_READS = {
    1: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
}


@dataclass(frozen=True, slots=True)
class Fault:
    """Why an answer is none."""

    cause: FailureCause
    detail: str
    exception_code: int = 0


@dataclass(frozen=True, slots=True)
class Exchange:
    """One request ready to be sent, and what its answer must look like.

    ``pdu``: function and data. ``head``: the answer's PDU begins so. ``reply_bytes``: length of the answer's PDU. ``odd_words``: registers
    in a non-standard answer to a write, -1 for the standard one. ``frame``: the request as RTU frame for ``unit``.
    """

    unit: int
    request: ModbusRead | ModbusWrite
    pdu: bytes
    head: bytes
    reply_bytes: int
    odd_words: int
    frame: bytes


class _OddReply(ModbusPDU):
    """Answer to a write that holds some registers straight after the function code, as some inexpensive instruments send it."""

    def decode(self, data: bytes) -> None:
        self.registers = [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]


class _OddReply6(_OddReply):
    function_code = WRITE_REGISTER


class _OddReply16(_OddReply):
    function_code = WRITE_REGISTERS


_standard = DecodePDU(False)
_odd = DecodePDU(False)
_odd.register(_OddReply6)
_odd.register(_OddReply16)


def crc(data: bytes) -> bytes:
    """The CRC of ``data``, two bytes in wire order (low byte first)."""
    return FramerRTU.compute_CRC(data).to_bytes(2, "big")


def crc_fits(frame: bytes | bytearray) -> bool:
    """True when the last two bytes are the CRC of those before (the CRC over all is then zero)."""
    return FramerRTU.compute_CRC(bytes(frame)) == 0


def is_exception(pdu: bytes) -> bool:
    """True for an exception response."""
    return bool(pdu[0] & EXCEPTION_FLAG)


@functools.lru_cache(maxsize=4096)
def exchange(unit: int, request: ModbusRead | ModbusWrite, odd_words: int = -1) -> Exchange:
    """The bytes of a request and the shape of its answer; remembered, as a profile asks the same few questions for ever.

    Raises:
        BusError: function, address, count or value that Modbus has not.
    """
    try:
        message = _message(request)
        pdu = bytes((request.function,)) + message.encode()
    except (ModbusException, ValueError, struct.error) as exc:
        raise BusError(f"{request} is no Modbus request: {exc}") from exc
    if isinstance(request, ModbusWrite):
        is_odd = odd_words >= 0
        head = pdu[:1] if is_odd else pdu[:5]
        reply_bytes = 1 + 2 * odd_words if is_odd else 5
    else:
        data_bytes = (request.count + 7) // 8 if request.function in (READ_COILS, READ_DISCRETE) else 2 * request.count
        head, reply_bytes, odd_words = bytes((request.function, data_bytes)), 2 + data_bytes, -1
    body = bytes((unit,)) + pdu
    return Exchange(unit, request, pdu, head, reply_bytes, odd_words, body + crc(body))


def _message(request: ModbusRead | ModbusWrite) -> ModbusPDU:
    if isinstance(request, ModbusRead):
        kind = _READS.get(request.function)
        if kind is None:
            raise ValueError(f"function {request.function} reads nothing")
        return kind(address=request.address, count=request.count)
    if any(not 0 <= word <= 0xFFFF for word in request.words):
        raise ValueError("a word is not in 0..65535")
    if request.function == WRITE_REGISTERS:
        if not 1 <= len(request.words) <= MAX_WRITE_REGISTERS:
            raise ValueError(f"function 16 writes 1 to {MAX_WRITE_REGISTERS} registers")
        return WriteMultipleRegistersRequest(address=request.address, registers=list(request.words))
    if len(request.words) != 1:
        raise ValueError(f"function {request.function} writes one word")
    if request.function == WRITE_COIL:
        return WriteSingleCoilRequest(address=request.address, bits=[bool(request.words[0])])
    if request.function == WRITE_REGISTER:
        return WriteSingleRegisterRequest(address=request.address, registers=list(request.words))
    raise ValueError(f"function {request.function} writes nothing")


def decode(call: Exchange, pdu: bytes) -> tuple[int, ...] | Fault:
    """Words of the answer ``pdu`` (without unit and CRC) to ``call``, as many as were asked for; or why it is none.

    A standard answer to a write gives the words written, an odd one the registers that it held.
    """
    function = call.pdu[0]
    if not pdu or pdu[0] & ~EXCEPTION_FLAG != function:
        got = f"function {pdu[0]}" if pdu else "nothing"
        return Fault(FailureCause.WRONG_REPLY, f"{got} answered for function {function}")
    if pdu[0] & EXCEPTION_FLAG:
        return _exception(pdu)
    if len(pdu) != call.reply_bytes or not pdu.startswith(call.head):
        return Fault(FailureCause.WRONG_REPLY, _mismatch(call, pdu))
    answer = (_odd if call.odd_words >= 0 else _standard).decode(pdu)
    if answer is None:
        return Fault(FailureCause.WRONG_REPLY, f"undecodable answer {pdu.hex(' ')}")
    request = call.request
    if isinstance(request, ModbusWrite):
        return tuple(answer.registers) if call.odd_words >= 0 else request.words
    if request.function in (READ_COILS, READ_DISCRETE):
        words = tuple([1 if bit else 0 for bit in answer.bits[: request.count]])
    else:
        words = tuple(answer.registers)
    if len(words) != request.count:
        return Fault(FailureCause.WRONG_REPLY, f"{len(words)} values answered, {request.count} asked for")
    return words


def _exception(pdu: bytes) -> Fault:
    if len(pdu) != 2:
        return Fault(FailureCause.WRONG_REPLY, f"exception response of {len(pdu)} bytes instead of 2")
    answer = _standard.decode(pdu)
    code = answer.exception_code if answer is not None else pdu[1]
    name = EXCEPTION_NAMES.get(code, "not in the standard")
    return Fault(FailureCause.EXCEPTION, f"exception {code} ({name})", code)


def _mismatch(call: Exchange, pdu: bytes) -> str:
    request = call.request
    if isinstance(request, ModbusRead):
        size = f"{pdu[1]} data bytes" if len(pdu) > 1 else "no data"
        return f"answer of {size} ({len(pdu)} in all), {call.head[1]} were asked for"
    return f"answer {pdu.hex(' ')} does not confirm the write {call.pdu[:5].hex(' ')}"
