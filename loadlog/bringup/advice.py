"""What to try next when an instrument does not answer as it should: common practice on serial lines, in the order that costs least."""

from __future__ import annotations

from loadlog.config import SERIAL_KINDS, BusConfig
from loadlog.model.sample import FailureCause

SILENT_SERIAL = (
    "is it switched on and set to this bus (many need remote operation or 'Modbus RTU' chosen in a menu)?",
    "swap the wires A and B (makers do not agree which is which); for RS-232 use a crossed cable",
    "loadlog scan tries other baud rates, parities and units",
    "connect the grounds; end a long RS-485 line with 120 Ω at both ends, and only there",
    "a slow instrument needs a longer timeout",
)
SILENT_TCP = (
    "is the unit right (1, 255 and 0 are usual over TCP)?",
    "many instruments take one connection only: close other programs",
    "a serial server may want kind modbus-rtu-over-tcp instead of modbus-tcp",
)
GARBLED = (
    "another baud rate, parity or number of stop bits: loadlog scan tries them",
    "two instruments with the same unit answer at once: connect one alone",
    "wires A and B swapped, no common ground, or a line without its 120 Ω ends",
)
ECHO = ("the adapter hears itself: set echo = true",)
FOREIGN = ("another instrument or another master speaks on this line", "a late answer: give the instrument a longer timeout")


def suggestions(cause: FailureCause, bus: BusConfig) -> tuple[str, ...]:
    """What to try after this failure on this bus, the most likely first."""
    if cause is FailureCause.TIMEOUT:
        return SILENT_SERIAL if bus.kind in SERIAL_KINDS else SILENT_TCP
    if cause in (FailureCause.CRC, FailureCause.SHORT):
        return GARBLED
    if cause in (FailureCause.WRONG_UNIT, FailureCause.WRONG_REPLY):
        return (*FOREIGN, *ECHO) if bus.kind in SERIAL_KINDS else FOREIGN
    if cause is FailureCause.PORT_LOST:
        return ("check adapter and cable; the port went away while it was used",)
    return ()


def advise(cause: FailureCause, bus: BusConfig, most: int = 3) -> str:
    """The suggestions as one line."""
    return "; ".join(suggestions(cause, bus)[:most])
