"""The bus: one owner per port, requests out, checked answers in.

`open_link` gives the link that a bus of the configuration needs. Only this package knows pymodbus, pyserial and sockets; its errors are
`BusError` when a port cannot be opened and `LinkFailure` values for everything that happens on the line.
"""

from __future__ import annotations

from loadlog.bus.clock import SystemClock, ask_for_fine_timers
from loadlog.bus.link import BusCounters, Link
from loadlog.bus.rtu import RtuLink
from loadlog.bus.scpi import ScpiLink
from loadlog.bus.serial_port import SerialPort
from loadlog.bus.tcp import ModbusTcpLink, TcpPort
from loadlog.config import BusConfig
from loadlog.model.clock import Clock
from loadlog.model.wire import Line

__all__ = ["BusCounters", "Link", "SystemClock", "ask_for_fine_timers", "line_of", "open_link"]


def line_of(config: BusConfig) -> Line:
    """Pace of a serial bus, for the wire budget."""
    return Line(config.baudrate, config.bits_per_character)


def open_link(config: BusConfig, clock: Clock) -> Link:
    """The link for one bus, still closed: call its ``open``, and again with a back-off whenever its ``is_open`` has become False."""
    line = line_of(config)
    match config.kind:
        case "modbus-rtu":
            return RtuLink(SerialPort(config), line, clock, echo=config.echo)
        case "modbus-rtu-over-tcp":
            return RtuLink(TcpPort(config), line, clock, echo=config.echo)
        case "modbus-tcp":
            return ModbusTcpLink(TcpPort(config), clock)
        case "scpi-serial":
            return ScpiLink(SerialPort(config), line, clock, echo=config.echo)
        case "scpi-tcp":
            return ScpiLink(TcpPort(config), None, clock)
