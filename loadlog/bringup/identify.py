"""Asking a Modbus unit who it is: Read Device Identification (function 43/14) and Report Server ID (function 17).

Source: MODBUS Application Protocol V1.1b3, 6.13 and 6.21. Their answers have no length that is known beforehand, so they are no
requests of a `Link`; a port is opened for them alone, each question after a long silence, and an answer counts when its CRC or header
fits. Most inexpensive instruments answer with exception 01 or not at all, which is no fault.
"""

from __future__ import annotations

from collections.abc import Mapping

from loadlog.bus.link import PortLostError, Stream
from loadlog.bus.pdu import crc, crc_fits
from loadlog.config import BusConfig
from loadlog.model.clock import NS, Clock
from loadlog.model.wire import Line

READ_IDENTIFICATION, REPORT_ID = 0x2B, 0x11
BASIC = bytes((READ_IDENTIFICATION, 0x0E, 0x01, 0x00))  # all basic objects, from the first
OBJECTS = {0: "vendor", 1: "product", 2: "revision"}
PAUSE_S = 0.05  # silence before a question and at the end of an answer, longer than any gap inside one


def identify(stream: Stream, bus: BusConfig, clock: Clock, unit: int, timeout_s: float) -> dict[str, str]:
    """Identity texts by name; empty when the unit tells none. ``stream`` is open; what becomes of it is no fault of the unit."""
    asker = _Asker(stream, bus, clock, timeout_s)
    try:
        found = parse_identification(asker.ask(unit, BASIC))
        if not found:
            found = parse_report(asker.ask(unit, bytes((REPORT_ID,))))
    except PortLostError:
        return {}
    return dict(found)


def parse_identification(pdu: bytes) -> Mapping[str, str]:
    """The objects of an answer to function 43/14; empty when it is none."""
    if len(pdu) < 7 or pdu[0] != READ_IDENTIFICATION or pdu[1] != 0x0E:
        return {}
    found, at = {}, 7
    for _ in range(pdu[6]):
        if at + 2 > len(pdu):
            break
        number, size = pdu[at], pdu[at + 1]
        text = printable(pdu[at + 2 : at + 2 + size])
        if text:
            found[OBJECTS.get(number, f"object {number}")] = text
        at += 2 + size
    return found


def parse_report(pdu: bytes) -> Mapping[str, str]:
    """The server ID of an answer to function 17, as text where it is text, else in hexadecimal; empty when it is none."""
    if len(pdu) < 3 or pdu[0] != REPORT_ID or pdu[1] != len(pdu) - 2:
        return {}
    data = pdu[2:]
    text = printable(data)
    return {"server id": text if len(text) >= 3 else data.hex(" ")}


def printable(data: bytes) -> str:
    """The printable characters in ASCII, without blanks at the ends."""
    return "".join(chr(b) for b in data if 0x20 <= b < 0x7F).strip()


class _Asker:
    """Questions of unknown answers on one open stream."""

    def __init__(self, stream: Stream, bus: BusConfig, clock: Clock, timeout_s: float) -> None:
        self._stream, self._clock, self._timeout_s = stream, clock, timeout_s
        self._has_header = bus.kind == "modbus-tcp"
        self._line = Line(bus.baudrate, bus.bits_per_character)

    def ask(self, unit: int, pdu: bytes) -> bytes:
        """The answer's PDU, empty when there is no usable one."""
        self._rest()
        if self._has_header:
            request = b"\0\1\0\0" + (len(pdu) + 1).to_bytes(2, "big") + bytes((unit,)) + pdu
        else:
            request = bytes((unit,)) + pdu
            request += crc(request)
        self._stream.write(request)
        heard = self._hear(len(request)).removeprefix(request)  # an adapter may hear itself
        if self._has_header:
            answer = heard[7:] if len(heard) > 8 and heard[6] == unit and int.from_bytes(heard[4:6], "big") == len(heard) - 6 else b""
        else:
            answer = heard[1:-2] if len(heard) > 4 and heard[0] == unit and crc_fits(heard) else b""
        return answer if answer and answer[0] == pdu[0] else b""

    def _rest(self) -> None:
        """A pause in which a late answer passes."""
        while True:
            self._clock.sleep_until(self._clock.monotonic_ns() + round(PAUSE_S * NS))
            if not self._stream.read(0.0):
                return

    def _hear(self, sent: int) -> bytes:
        heard = b""
        end_ns = self._clock.monotonic_ns() + round((self._line.characters_s(sent) + self._timeout_s) * NS)
        while (left_ns := end_ns - self._clock.monotonic_ns()) > 0:
            if data := self._stream.read(left_ns / NS):
                heard += data
                end_ns = self._clock.monotonic_ns() + round(PAUSE_S * NS)
        return heard
