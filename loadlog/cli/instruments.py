"""Commands for an instrument that is new on the bench: `scan`, `registers`. Neither writes to the instrument."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from loadlog.cli.common import Number, json_option, plain, print_json, print_table, say
from loadlog.model.clock import format_utc
from loadlog.model.errors import DeviceError, UsageError

if TYPE_CHECKING:
    from loadlog.bringup import Change, Meaning, RegisterRange, Settled

FUNCTION_NAMES = {"coils": 1, "discrete": 2, "holding": 3, "input": 4}


@click.command()
@click.argument("port")
@click.option("--baud", "bauds", type=int, multiple=True, help="Baud rate to try; repeat it. Default: the usual ones.")
@click.option("--parity", "parities", type=click.Choice(["N", "E", "O"]), multiple=True, help="Parity to try; repeat it. Default: N and E.")
@click.option("--stop-bits", type=click.Choice(["1", "2"]), default="1", show_default=True)
@click.option("--unit", "units", multiple=True, metavar="N|N-M", help="Units to try, e.g. 1-16. Default: the usual ones first, then all.")
@click.option("--timeout", "timeout_s", type=Number(0.01, 10), default=0.15, show_default=True, help="Patience a question, s.")
@click.option("--all", "every", is_flag=True, help="Go on with other settings after somebody answered.")
@json_option
def scan(
    port: str,
    bauds: tuple[int, ...],
    parities: tuple[Any, ...],
    stop_bits: str,
    units: tuple[str, ...],
    timeout_s: float,
    every: bool,
    as_json: bool,
) -> int:
    """Which units answer at PORT (a serial port, or HOST:PORT), and with which settings. Exit status 3 when nobody does."""
    from loadlog.bringup import Found, Progress, Search, scan
    from loadlog.bringup.scan import BAUDRATES
    from loadlog.bus import SystemClock

    search = Search(
        baudrates=bauds or BAUDRATES,
        parities=parities or ("N", "E"),
        stop_bits=2 if stop_bits == "2" else 1,
        units=_units(units),
        timeout_s=timeout_s,
        every_setting=every,
    )
    found = 0
    for finding in scan(port, SystemClock(), search):
        if isinstance(finding, Progress):
            _progress(f"{finding.done} of {finding.total} questions, at most {finding.left_s:.0f} s more: {finding.doing}")
            continue
        _progress("")
        found += isinstance(finding, Found)
        if as_json:
            print_json(finding)
        elif isinstance(finding, Found):
            who = "" if finding.unit is None else f"unit {finding.unit}, "
            identity = "".join(f"; {name}: {text}" for name, text in finding.identity.items())
            say(f"{who}{finding.setting}: {finding.how}{identity}")
            click.echo("".join(f"    {line}\n" for line in finding.config.splitlines()), nl=False)
        else:
            say(finding.text, err=not found)
    _progress("")
    return 0 if found else DeviceError.exit_status


def _progress(text: str) -> None:
    """One line that overwrites itself, on a terminal only."""
    if sys.stderr.isatty():
        click.echo(f"\r\x1b[K{text}", nl=False, err=True)


def _units(texts: Sequence[str]) -> tuple[int, ...]:
    units: list[int] = []
    for text in texts:
        match = re.fullmatch(r"(\d{1,3})(?:-(\d{1,3}))?", text)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
        if not 0 <= first <= last <= 255:
            raise UsageError(f"--unit: {text!r} is neither a unit such as 5 nor a range such as 1-16")
        units += range(first, last + 1)
    return tuple(dict.fromkeys(units))


@click.command()
@click.argument("port")
@click.argument("unit", type=click.IntRange(0, 255))
@click.argument("first", metavar="FIRST")
@click.argument("count", type=click.IntRange(1, 65536))
@click.option("--function", "function", type=click.Choice(list(FUNCTION_NAMES)), default="holding", show_default=True)
@click.option("--baud", type=int, default=9600, show_default=True)
@click.option("--parity", type=click.Choice(["N", "E", "O"]), default="N", show_default=True)
@click.option("--stop-bits", type=click.Choice(["1", "2"]), default="1", show_default=True)
@click.option("--kind", type=click.Choice(["modbus-rtu", "modbus-tcp", "modbus-rtu-over-tcp"]), help="Default: by the form of PORT.")
@click.option("--showing", type=Number(), help="A value read off the front panel: list where it may stand.")
@click.option("--watch", is_flag=True, help="Read again and again and list what changes, until Ctrl-C.")
@click.option("--interval", type=Number(0.02, 60), default=0.5, show_default=True, help="Between reads of --watch, s.")
@json_option
def registers(
    port: str,
    unit: int,
    first: str,
    count: int,
    function: str,
    baud: int,
    parity: Any,
    stop_bits: str,
    kind: Any,
    showing: float | None,
    watch: bool,
    interval: float,
    as_json: bool,
) -> int:
    """COUNT registers from FIRST (address from 0, decimal or 0x...) of UNIT at PORT, as every plausible type."""
    from loadlog.bringup import bus_at, read_registers, watch_registers
    from loadlog.bus import SystemClock, open_link

    bus = bus_at(port, kind, baud, parity, 2 if stop_bits == "2" else 1)
    clock = SystemClock()
    link = open_link(bus, clock)
    link.open()
    try:
        found = read_registers(bus, link, clock, unit, _address(first), count, FUNCTION_NAMES[function])
        if as_json:
            print_json(plain(found) | ({} if showing is None else {"showing": found.showing(showing)}))
        else:
            _show_range(found, showing)
        if watch:
            click.echo("watching; touch nothing for some reads", err=True)
            for seen in watch_registers(bus, link, clock, found, interval_s=interval):
                print_json(seen) if as_json else _show_seen(seen)
                sys.stdout.flush()
    finally:
        link.close()
    return 0 if found.words else DeviceError.exit_status


def _address(text: str) -> int:
    try:
        return int(text, 0)
    except ValueError as exc:
        raise UsageError(f"FIRST: {text!r} is no address such as 16 or 0x10") from exc


def _show_range(found: RegisterRange, showing: float | None) -> None:
    if found.function in (1, 2):
        print_table("", ["address", "bit"], [(f"{a} 0x{a:04X}", w) for a, w in found.words.items()], right=[1])
    else:
        columns = ["address", "word", "u16", "s16", "u32", "s32", "f32", "u32 low first", "f32 low first", "bcd", "text", "hint"]
        print_table("", columns, map(_meaning_row, found.meanings), right=range(1, 10))
    for hole in found.holes:
        click.echo(f"0x{hole.first:04X}..0x{hole.last:04X} cannot be read: {hole.detail}")
    if showing is not None:
        matches = found.showing(showing)
        for m in matches:
            order = f", word_order {m.word_order}" if m.word_order else ""
            click.echo(f"{showing:g} may stand at 0x{m.address:04X}: type {m.type}{order}, scale {m.scale:g} ({m.value:g})")
        if not matches:
            click.echo(f"{showing:g} stands nowhere here within 2 %: try another range or --function input")


def _meaning_row(m: Meaning) -> tuple[Any, ...]:
    narrow = (f"{m.address} 0x{m.address:04X}", f"{m.word:04X}", m.u16, m.s16)
    wide = (m.u32, m.s32, _short(m.f32), m.u32_low_first, _short(m.f32_low_first))
    return (*narrow, *wide, m.bcd, m.ascii, "; ".join(m.hints))


def _short(value: float | None) -> str:
    return "" if value is None else f"{value:.6g}"


def _show_seen(seen: Settled | Change) -> None:
    from loadlog.bringup import Settled

    if isinstance(seen, Settled):
        restless = ", ".join(f"0x{a:04X}" for a in seen.restless) or "none"
        click.echo(f"moving by themselves: {restless}; {seen.advice}")
        return
    old, new = seen.old, seen.new
    wide = "" if seen.alone else f"   u32 {old.u32} -> {new.u32}   f32 {_short(old.f32)} -> {_short(new.f32)}"
    low = "" if seen.alone else f"   low first: u32 {old.u32_low_first} -> {new.u32_low_first}, f32 {_short(old.f32_low_first)}"
    low += "" if seen.alone else f" -> {_short(new.f32_low_first)}"
    click.echo(
        f"{format_utc(seen.t_utc_ns)[11:23]} 0x{seen.address:04X}  u16 {old.u16} -> {new.u16}   s16 {old.s16} -> {new.s16}{wide}{low}"
    )
