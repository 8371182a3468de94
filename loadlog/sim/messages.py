"""Conversations over a stream: Modbus TCP and SCPI. Bytes in, bytes out, time as an argument. No socket, no clock, no thread."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from loadlog.sim import frames
from loadlog.sim.pacing import Pace, Transmitter
from loadlog.sim.rtu import RequestRecord, Unit, WireLog, moved
from loadlog.sim.wire_faults import Alteration, Exchange, WireFaults

LONGEST_LINE = 4096


class _Stream:
    """What both have in common: answers that leave after the processing time, and the record."""

    def __init__(self, name: str, faults: WireFaults, log: WireLog, processing_ns: int, pace: Pace | None = None) -> None:
        self.name = name
        self.faults = faults
        self.log = log
        self.processing_ns = processing_ns
        self._pace = pace or Pace()
        self._out = Transmitter(self._pace)
        self._buffer = bytearray()

    def forget(self) -> None:
        """The connection was cut."""
        self._out.clear()
        self._buffer.clear()

    def due_ns(self) -> int | None:
        """When `take` has something to do next."""
        return self._out.due_ns()

    def take(self, now_ns: int) -> bytes:
        """What leaves by ``now_ns``."""
        return self._out.take(now_ns)

    def _send(self, instrument: str, exchange: Exchange, now_ns: int) -> str:
        sent, faults = self.faults.answer(self.name, instrument, exchange)
        for transmission in sent:
            self._out.enter(now_ns + self.processing_ns + round(transmission.delay_s * 1e9), transmission.data)
        if faults:
            self.log.alterations.append(Alteration(now_ns, instrument, faults, exchange.request_pdu, b"".join(t.data for t in sent)))
        return "altered" if faults else "answered"


class MbapConnection(_Stream):
    """One Modbus TCP client. ``broken``: it sent what is no Modbus TCP message; the connection is to be closed."""

    def __init__(self, name: str, units: Mapping[int, Unit], faults: WireFaults, log: WireLog, processing_ns: int = 0) -> None:
        super().__init__(name, faults, log, processing_ns)
        self._units = units
        self.broken = False

    def receive(self, data: bytes, now_ns: int) -> None:
        """Bytes of the client."""
        self._buffer += data
        while len(self._buffer) >= frames.MBAP_BYTES and not self.broken:
            length = int.from_bytes(self._buffer[4:6], "big")
            if self._buffer[2:4] != b"\0\0" or not 2 <= length <= 254:
                self.broken = True
            elif len(self._buffer) < 6 + length:
                break
            else:
                message = bytes(self._buffer[: 6 + length])
                del self._buffer[: 6 + length]
                self.log.enter(RequestRecord(now_ns, 0, message, self._handle(message, now_ns)))

    def _handle(self, message: bytes, now_ns: int) -> str:
        transaction, number, pdu = int.from_bytes(message[:2], "big"), message[6], message[7:]
        unit = self._units.get(number)
        if unit is None:
            return "nobody"
        exchange = Exchange("mbap", number, pdu, unit.answer(pdu), transaction, lambda offset: unit.answer(moved(pdu, offset)))
        return self._send(unit.name, exchange, now_ns)


class ScpiConnection(_Stream):
    """One SCPI client, or a serial line with one instrument. ``message``: answer to a program message, None without one."""

    broken = False

    def __init__(
        self,
        name: str,
        instrument: str,
        message: Callable[[str], str | None],
        faults: WireFaults,
        log: WireLog,
        processing_ns: int = 0,
        pace: Pace | None = None,
        hears: Callable[[], bool] = lambda: True,
    ) -> None:
        super().__init__(name, faults, log, processing_ns, pace)
        self._instrument = instrument
        self._message = message
        self.hears = hears

    def receive(self, data: bytes, now_ns: int) -> None:
        """Characters of the client; a line feed ends a message."""
        arrived_ns = now_ns + len(data) * self._pace.character_ns
        self._buffer += data
        *lines, rest = bytes(self._buffer).split(b"\n")
        self._buffer = bytearray(rest[-LONGEST_LINE:])
        for line in lines:
            self.log.enter(RequestRecord(now_ns, 0, line, self._handle(line, arrived_ns)))

    def _handle(self, line: bytes, now_ns: int) -> str:
        if not self.hears():
            return "wrong_baud"
        answer = self._message(line.decode("ascii", "replace").rstrip("\r"))
        if answer is None:
            return "answered"
        return self._send(self._instrument, Exchange("scpi", 0, line, answer.encode("ascii") + b"\n"), now_ns)
