"""Requests, replies and time on the wire: what `profiles` asks for and `bus` carries out.

Times of a Modbus RTU transaction (Modbus over Serial Line V1.02, 2.5.1.1): a silence of 3.5 characters before every frame, fixed at
1.750 ms above 19200 baud. Instants here are monotonic nanoseconds.
"""

from __future__ import annotations

from dataclasses import dataclass

from loadlog.model.sample import FailureCause

READ_COILS, READ_DISCRETE, READ_HOLDING, READ_INPUT = 1, 2, 3, 4
WRITE_COIL, WRITE_REGISTER, WRITE_REGISTERS = 5, 6, 16
MAX_READ_REGISTERS = 125  # Modbus Application Protocol V1.1b3, 6.3
MAX_READ_BITS = 2000  # 6.1


@dataclass(frozen=True, slots=True)
class ModbusRead:
    """Read ``count`` registers (function 3, 4) or bits (1, 2) from protocol address ``address``."""

    function: int
    address: int
    count: int


@dataclass(frozen=True, slots=True)
class ModbusWrite:
    """Write ``words`` from ``address`` with function 5 (0 or 1), 6 or 16."""

    function: int
    address: int
    words: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ScpiQuery:
    """One program message that is answered by one response message, e.g. ``MEAS:VOLT?;CURR?``; without its terminator."""

    text: str


@dataclass(frozen=True, slots=True)
class ScpiCommand:
    """One program message without an answer."""

    text: str


Request = ModbusRead | ModbusWrite | ScpiQuery | ScpiCommand


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer that passed every check: unit, function, exact length, CRC.

    ``words``: registers (0..65535) or bits (0, 1), as many as were asked for; ``text`` for SCPI. ``t_request_ns``: the request's first
    character left; ``t_reply_ns``: the reply's last character came.
    """

    request: Request
    words: tuple[int, ...]
    text: str
    t_request_ns: int
    t_reply_ns: int


@dataclass(frozen=True, slots=True)
class LinkFailure:
    """No usable answer, and why. ``exception_code``: Modbus exception, 0 when none."""

    request: Request
    cause: FailureCause
    detail: str
    t_request_ns: int
    t_end_ns: int
    exception_code: int = 0


@dataclass(frozen=True, slots=True)
class LinkTraits:
    """How one device wants to be spoken to; from its profile.

    ``quiet_s``: silence before a request beyond the standard's 3.5 characters; ``timeout_s``: from the request's last character to the
    reply's first, at the latest; ``processing_s``: typical time until the reply begins; ``gap_s``: longest silence inside a reply that
    still belongs to it; ``write_reply_words``: registers in the non-standard reply to a write, -1 for the standard echo;
    ``terminator``: end of a SCPI message, both ways.
    """

    quiet_s: float = 0.0
    timeout_s: float = 0.2
    processing_s: float = 0.002
    gap_s: float = 0.02
    write_reply_words: int = -1
    terminator: str = "\n"


@dataclass(frozen=True, slots=True)
class Line:
    """A serial line's pace. ``bits_per_character``: start + data + parity + stop bits, 10 for 8N1, 11 for 8E1 and 8N2."""

    baudrate: int
    bits_per_character: int = 10

    def characters_s(self, count: float) -> float:
        """Time of that many characters back to back, s."""
        return count * self.bits_per_character / self.baudrate

    @property
    def silence_s(self) -> float:
        """3.5 characters up to 19200 baud, 1.750 ms above, s."""
        return 0.00175 if self.baudrate > 19200 else self.characters_s(3.5)


def modbus_request_bytes(request: ModbusRead | ModbusWrite) -> int:
    """Length of the RTU frame of a request: unit, PDU, CRC."""
    if isinstance(request, ModbusWrite) and request.function == WRITE_REGISTERS:
        return 9 + 2 * len(request.words)
    return 8


def modbus_reply_bytes(request: ModbusRead | ModbusWrite) -> int:
    """Length of the RTU frame of the normal answer."""
    if isinstance(request, ModbusWrite):
        return 8
    if request.function in (READ_COILS, READ_DISCRETE):
        return 5 + (request.count + 7) // 8
    return 5 + 2 * request.count


def transaction_s(line: Line, request: ModbusRead | ModbusWrite, traits: LinkTraits) -> float:
    """Bus time of one transaction: silence, request, processing, reply; the silence before the reply stands in the processing time
    when that is longer (a device must be silent for 3.5 characters before it answers)."""
    before = max(line.silence_s, traits.quiet_s)
    answer_after = max(line.silence_s, traits.processing_s)
    return before + line.characters_s(modbus_request_bytes(request) + modbus_reply_bytes(request)) + answer_after
