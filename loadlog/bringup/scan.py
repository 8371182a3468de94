"""Which instruments answer on a line or at an address, and with which settings.

Every setting of a line (baud rate, parity) is tried with the units that are usual, then with the others; as soon as somebody answers,
the other settings are left out, because a line has one pace. An exception response is an answer: it names the unit as well as a value
does. What answers in a way that cannot be read is told as a sign of a wrong setting. Nothing is written: Modbus is asked for one
holding register, SCPI for ``*IDN?`` (IEEE 488.2, 10.14).
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from pydantic import ValidationError

from loadlog.bringup.advice import SILENT_SERIAL, suggestions
from loadlog.bringup.identify import identify, printable
from loadlog.bus import Link, open_link
from loadlog.bus.link import Stream
from loadlog.bus.serial_port import SerialPort
from loadlog.bus.tcp import TcpPort
from loadlog.config import SERIAL_KINDS, BusConfig, explain
from loadlog.model.clock import Clock
from loadlog.model.errors import BusError, UsageError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import LinkTraits, ModbusRead, Reply, ScpiQuery

BAUDRATES = (9600, 19200, 115200, 38400, 57600, 4800, 2400)  # the most usual first
USUAL_UNITS = tuple(range(1, 17))
ALL_UNITS = tuple(range(1, 248))
TCP_UNITS = (1, 255, 0, *range(2, 17))
TIMEOUT_S = 0.15
SCPI_PORTS = (5025, 5024, 5555)
_GATEWAY_CODES = (10, 11)  # a gateway says that there is no such unit behind it
_PROBE = ModbusRead(3, 0, 1)
_IDN = ScpiQuery("*IDN?")

Kind = Literal["modbus-rtu", "modbus-tcp", "modbus-rtu-over-tcp", "scpi-serial", "scpi-tcp"]
Parity = Literal["N", "E", "O"]


@dataclass(frozen=True, slots=True)
class Found:
    """An instrument that answers. ``setting``: for people. ``how``: ``answers`` or the exception it answered with. ``identity``: texts that
    it tells of itself, may be empty. ``config``: lines for the configuration file."""

    kind: Kind
    address: str
    unit: int | None
    setting: str
    how: str
    identity: Mapping[str, str]
    config: str


@dataclass(frozen=True, slots=True)
class Progress:
    """``done`` of ``total`` questions asked; ``left_s``: at most, when nobody else answers. ``doing``: what is tried now."""

    done: int
    total: int
    left_s: float
    doing: str


@dataclass(frozen=True, slots=True)
class Hint:
    """What was noticed, or what to try next; one line."""

    text: str


Finding = Found | Progress | Hint


@dataclass(frozen=True, slots=True)
class Search:
    """What to try. ``units`` empty: the usual ones at every setting first, then all. ``timeout_s``: how long an instrument may take."""

    baudrates: Sequence[int] = BAUDRATES
    parities: Sequence[Parity] = ("N", "E")
    stop_bits: Literal[1, 2] = 1
    units: Sequence[int] = ()
    kinds: Sequence[Kind] = ()
    timeout_s: float = TIMEOUT_S
    every_setting: bool = False


@dataclass(slots=True)
class _Scan:
    """One scan under way."""

    search: Search
    clock: Clock
    link_of: Callable[[BusConfig, Clock], Link]
    stream_of: Callable[[BusConfig], Stream]
    total: int = 0
    done: int = 0
    found: int = 0
    garbled: Counter[str] = field(default_factory=Counter)  # setting -> answers that could not be read


def stream_for(bus: BusConfig) -> Stream:
    """The bare port or connection of a bus."""
    return SerialPort(bus) if bus.kind in SERIAL_KINDS else TcpPort(bus)


def scan(
    target: str,
    clock: Clock,
    search: Search = Search(),
    *,
    link_of: Callable[[BusConfig, Clock], Link] = open_link,
    stream_of: Callable[[BusConfig], Stream] = stream_for,
) -> Iterator[Finding]:
    """Look for instruments at ``target``, a serial port or ``host:port``. Findings come as they are made, then hints when there are none.

    Raises:
        UsageError: the target is neither.
        BusError: the port or the connection cannot be opened.
    """
    under_way = _Scan(search, clock, link_of, stream_of)
    rounds = _rounds(target, search)
    under_way.total = sum(len(units) for _, units in rounds)
    settled: set[str] = set()  # settings at which somebody answered
    for bus, units in rounds:
        name = _setting(bus)
        if settled and not search.every_setting and name not in settled:
            under_way.done += len(units)
            continue
        before = under_way.found
        yield from _at_setting(under_way, bus, units)
        if under_way.found > before:
            settled.add(name)
    yield Progress(under_way.total, under_way.total, 0.0, "done")
    yield from _closing_words(under_way, rounds[0][0])


def bus_at(target: str, kind: Kind | None = None, baudrate: int = 9600, parity: Parity = "N", stop_bits: Literal[1, 2] = 1) -> BusConfig:
    """The bus of a serial port, or of ``host:port``; ``kind`` defaults to Modbus.

    Raises:
        UsageError: the target is neither, does not go with the kind, or a setting is out of range.
    """
    host, _, number = target.rpartition(":")
    is_serial = target.startswith("/") or not (host and number.isdigit())
    if is_serial and not target.startswith(("/", "./", "../")):
        raise UsageError(f"{target!r} is neither a serial port such as /dev/serial/by-id/... nor host:port such as 192.0.2.20:502")
    if kind is not None and (kind in SERIAL_KINDS) != is_serial:
        raise UsageError(f"kind {kind} does not go with {target}")
    where: dict[str, Any] = {"port": target} if is_serial else {"host": host.strip("[]"), "tcp_port": int(number)}
    kind = kind or ("modbus-rtu" if is_serial else "modbus-tcp")
    try:
        return BusConfig(name="bring-up", kind=kind, baudrate=baudrate, parity=parity, stop_bits=stop_bits, **where)
    except ValidationError as exc:
        raise UsageError(explain(exc, BusConfig, where), where=target) from exc


def _rounds(target: str, search: Search) -> list[tuple[BusConfig, Sequence[int]]]:
    """Setting by setting with the units to ask there, 0 alone standing for SCPI; usual units first."""
    first = bus_at(target)
    if first.kind not in SERIAL_KINDS:
        return [(bus_at(target, kind), _tcp_units(kind, search)) for kind in search.kinds or _tcp_kinds(first.tcp_port)]
    kinds = search.kinds or ("scpi-serial", "modbus-rtu")
    settings = [(baudrate, parity) for parity in search.parities for baudrate in search.baudrates]
    usual = search.units or USUAL_UNITS
    rest = [] if search.units else [unit for unit in ALL_UNITS if unit not in USUAL_UNITS]
    rounds: list[tuple[BusConfig, Sequence[int]]] = []
    for baudrate, parity in settings:
        for kind in kinds:
            bus = bus_at(target, kind, baudrate, parity, search.stop_bits)
            rounds.append((bus, usual if kind == "modbus-rtu" else (0,)))
    if "modbus-rtu" in kinds and rest:
        rounds += [(bus_at(target, "modbus-rtu", b, p, search.stop_bits), rest) for b, p in settings]
    return rounds


def _tcp_kinds(tcp_port: int) -> tuple[Kind, ...]:
    if tcp_port in SCPI_PORTS:
        return "scpi-tcp", "modbus-tcp", "modbus-rtu-over-tcp"
    return "modbus-tcp", "modbus-rtu-over-tcp", "scpi-tcp"


def _tcp_units(kind: Kind, search: Search) -> Sequence[int]:
    if kind == "scpi-tcp":
        return (0,)
    units = search.units or TCP_UNITS
    return units if kind == "modbus-tcp" else [unit for unit in units if 1 <= unit <= 247]


def _setting(bus: BusConfig) -> str:
    if bus.kind not in SERIAL_KINDS:
        return bus.kind
    return f"{bus.baudrate} 8{bus.parity}{bus.stop_bits}"


def _at_setting(scan: _Scan, bus: BusConfig, units: Sequence[int]) -> Iterator[Finding]:
    """Ask every unit with one setting."""
    link = scan.link_of(bus, scan.clock)
    link.open()
    answered: list[tuple[int, str, str]] = []
    try:
        for unit in units:
            left_s = (scan.total - scan.done) * 2 * scan.search.timeout_s
            who = f"unit {unit}" if "modbus" in bus.kind else "*IDN?"
            yield Progress(scan.done, scan.total, left_s, f"{bus.kind} {_setting(bus)}, {who}")
            scan.done += 1
            if not link.is_open:
                link.open()
            how, text = _probe(scan, link, bus, unit)
            if how:
                answered.append((unit, how, text))
                if bus.kind == "modbus-tcp" and not scan.search.units:
                    scan.done += len(units) - units.index(unit) - 1
                    break  # a server on a network answers to most units alike
    finally:
        link.close()
    scan.found += len(answered)
    yield from _identified(scan, bus, answered)


def _probe(scan: _Scan, link: Link, bus: BusConfig, unit: int) -> tuple[str, str]:
    """How the unit answers, and its SCPI identity; empty texts when it does not."""
    is_scpi = "scpi" in bus.kind
    traits = LinkTraits(timeout_s=2 * scan.search.timeout_s if is_scpi else scan.search.timeout_s)
    answer = link.transact(unit, _IDN if is_scpi else _PROBE, traits)
    if isinstance(answer, Reply):
        return ("answers", answer.text) if not is_scpi or _looks_like_idn(answer.text) else ("", "")
    if answer.cause is FailureCause.EXCEPTION and answer.exception_code not in _GATEWAY_CODES:
        return answer.detail, ""
    if not is_scpi and answer.cause in (FailureCause.CRC, FailureCause.SHORT, FailureCause.WRONG_REPLY, FailureCause.WRONG_UNIT):
        scan.garbled[_setting(bus)] += 1
    return "", ""


def _looks_like_idn(text: str) -> bool:
    return len(printable(text.encode("latin-1", "replace"))) >= max(3, len(text.strip()))


def _identified(scan: _Scan, bus: BusConfig, answered: Sequence[tuple[int, str, str]]) -> Iterator[Found]:
    if not answered:
        return
    if "scpi" in bus.kind:
        for _, how, text in answered:
            names = ("vendor", "model", "serial", "firmware")
            fields = dict(zip(names, (part.strip() for part in text.split(",")), strict=False))
            yield Found(bus.kind, bus.address, None, _setting(bus), how, fields, config_lines(bus, None))
        return
    stream = scan.stream_of(bus)
    with contextlib.suppress(BusError):
        stream.open()
    try:
        for unit, how, _ in answered:
            identity = identify(stream, bus, scan.clock, unit, 2 * scan.search.timeout_s) if stream.is_open else {}
            yield Found(bus.kind, bus.address, unit, _setting(bus), how, identity, config_lines(bus, unit))
    finally:
        stream.close()


def config_lines(bus: BusConfig, unit: int | None) -> str:
    """What to write into the configuration file for an instrument that was found."""
    lines = ["[[bus]]", 'name = "rack"', f'kind = "{bus.kind}"']
    if bus.kind in SERIAL_KINDS:
        lines += [f'port = "{bus.port}"', f"baudrate = {bus.baudrate}"]
        lines += [f'parity = "{bus.parity}"'] if bus.parity != "N" else []
        lines += [f"stop_bits = {bus.stop_bits}"] if bus.stop_bits != 1 else []
    else:
        lines += [f'host = "{bus.host}"', f"tcp_port = {bus.tcp_port}"]
    lines += ["", "[[device]]", 'name = "load-1"', 'role = "load"', 'bus = "rack"']
    lines += [f"unit_id = {unit}"] if unit is not None else []
    return "\n".join([*lines, 'profile = "profiles/my-load.toml"'])


def _closing_words(scan: _Scan, bus: BusConfig) -> Iterator[Hint]:
    if scan.found:
        yield Hint("loadlog registers shows what an instrument holds; copy config/profiles/template.toml and describe it")
        return
    for setting, count in scan.garbled.most_common():
        yield Hint(f"something spoke at {setting}, but not readably ({count} times): most likely the wrong baud rate or parity")
    yield Hint("nothing answers; try, in this order:")
    for text in SILENT_SERIAL if bus.kind in SERIAL_KINDS else suggestions(FailureCause.TIMEOUT, bus):
        yield Hint(text)
    if bus.kind in SERIAL_KINDS:
        yield Hint("the instrument may speak a protocol of its own: look for 'Modbus RTU' or 'SCPI' in its menus and its manual")
