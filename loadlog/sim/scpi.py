"""SCPI instruments: a line in, a line out or none. Pure.

Sources: SCPI-99 volume 1 (6.2 compound headers, 7.2 numbers: 9.91E37 not-a-number, 9.9E37 infinity), IEEE 488.2 (common commands, status
byte, event status register). A header without a leading colon is looked up under the path of the header before it in the message, then from
the root; instruments in the field do both.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from loadlog.sim.bench import Bench
from loadlog.sim.circuit import Mode
from loadlog.sim.instruments import OVER_CURRENT, OVER_POWER, OVER_TEMPERATURE, OVER_VOLTAGE, REVERSE_POLARITY, UNDERVOLTAGE_STOP
from loadlog.sim.maps import LoadReadings, Shown

NOT_A_NUMBER = "9.91E37"
OVERFLOW = "9.9E37"
UNDEFINED_HEADER = (-113, "Undefined header")
MISSING_PARAMETER = (-109, "Missing parameter")
TYPE_ERROR = (-104, "Data type error")
NOT_ALLOWED = (-108, "Parameter not allowed")
OUT_OF_RANGE = (-222, "Data out of range")
ILLEGAL_VALUE = (-224, "Illegal parameter value")
QUEUE_OVERFLOW = (-350, "Queue overflow")
QUEUE_LENGTH = 16
_HEADER = re.compile(r"([*:A-Za-z0-9_]+)(\?)?(?:\s+(.*))?", re.S)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
FUNCTIONS = {Mode.CC: "CURRent", Mode.CV: "VOLTage", Mode.CP: "POWer", Mode.CR: "RESistance"}
CONDITION_BITS = {OVER_VOLTAGE: 0, OVER_CURRENT: 1, OVER_POWER: 3, OVER_TEMPERATURE: 4, REVERSE_POLARITY: 9, UNDERVOLTAGE_STOP: 10}


class ScpiError(Exception):
    """Goes into the error queue."""

    def __init__(self, number_and_text: tuple[int, str]) -> None:
        self.number, self.text = number_and_text
        super().__init__(f'{self.number},"{self.text}"')


def short_form(pattern: str) -> str:
    """The capitals of a mnemonic."""
    return "".join(c for c in pattern if not c.islower())


def matches(given: str, pattern: str) -> bool:
    """Whether one mnemonic is the short or the long form of ``pattern`` (capitals are the short form), in any case."""
    return given.upper() in (short_form(pattern), pattern.upper())


def nr3(value: float, digits: int = 7) -> str:
    """A number as NR3 with that many significant digits, e.g. ``2.401200E+01``."""
    return f"{value:.{digits - 1}E}"


@dataclass(frozen=True, slots=True)
class Command:
    """``header``: mnemonics joined with colons, e.g. ``MEASure:VOLTage``; ``query`` and ``order`` carry it out."""

    header: str
    query: Callable[[], str] | None = None
    order: Callable[[str], None] | None = None


class ScpiInstrument:
    """Error queue, status registers and the parsing of messages; the commands come from the instrument."""

    def __init__(self, identity: str, commands: list[Command]) -> None:
        self._identity = identity
        self._commands = commands
        self._errors: deque[tuple[int, str]] = deque()
        self._event_status = 0x80  # power on
        self._common: Mapping[str, Callable[[], str | None]] = {
            "*IDN?": lambda: self._identity,
            "*OPC?": lambda: "1",
            "*OPC": self._opc,
            "*WAI": lambda: None,
            "*ESR?": self._esr,
            "*STB?": lambda: str((4 if self._errors else 0) | (32 if self._event_status & 0x3C else 0)),
            "*CLS": self._clear,
            "*RST": self._reset,
        }

    def reset(self) -> None:
        """What *RST does to the instrument."""

    def _reset(self) -> None:
        self.reset()

    def _opc(self) -> None:
        self._event_status |= 1

    def _esr(self) -> str:
        value, self._event_status = self._event_status, 0
        return str(value)

    def _clear(self) -> None:
        self._errors.clear()
        self._event_status = 0

    def _fail(self, error: tuple[int, str]) -> None:
        self._event_status |= 32 if -200 < error[0] <= -100 else 16
        if len(self._errors) >= QUEUE_LENGTH:
            self._errors.pop()
            error = QUEUE_OVERFLOW
        self._errors.append(error)

    def message(self, text: str) -> str | None:
        """Carry out one program message; the answers of its queries joined with ``;``, or None without a query.

        A message with an error carries out what stands before it and nothing after it (IEEE 488.2: the rest is flushed).
        """
        answers: list[str] = []
        path: list[str] = []
        for unit in (part.strip() for part in text.strip().split(";")):
            if not unit:
                continue
            try:
                answer, path = self._unit(unit, path)
            except ScpiError as error:
                self._fail((error.number, error.text))
                break
            if answer is not None:
                answers.append(answer)
        return ";".join(answers) if answers else None

    def _unit(self, text: str, path: list[str]) -> tuple[str | None, list[str]]:
        match = _HEADER.fullmatch(text)
        if not match:
            raise ScpiError(UNDEFINED_HEADER)
        header, query, argument = match[1], match[2] or "", (match[3] or "").strip()
        if header.startswith("*"):
            handler = self._common.get(header.upper() + query)
            if handler is None:
                raise ScpiError(UNDEFINED_HEADER)
            return handler(), path
        if (header + query).upper().lstrip(":") in ("SYST:ERR?", "SYSTEM:ERROR?", "SYST:ERROR?", "SYSTEM:ERR?"):
            return self._next_error(), ["SYST"]
        nodes = [n for n in header.split(":") if n]
        tried = [nodes] if header.startswith(":") else [path + nodes, nodes]
        for full in tried:
            command = next((c for c in self._commands if _same(full, c.header)), None)
            if command is not None:
                return self._carry_out(command, bool(query), argument), full[:-1]
        raise ScpiError(UNDEFINED_HEADER)

    def _carry_out(self, command: Command, query: bool, argument: str) -> str | None:
        if query:
            if command.query is None:
                raise ScpiError(UNDEFINED_HEADER)
            if argument:
                raise ScpiError(NOT_ALLOWED)
            return command.query()
        if command.order is None:
            raise ScpiError(UNDEFINED_HEADER)
        if not argument:
            raise ScpiError(MISSING_PARAMETER)
        command.order(argument)
        return None

    def _next_error(self) -> str:
        number, text = self._errors.popleft() if self._errors else (0, "No error")
        return f'{number},"{text}"'


def _same(nodes: list[str], header: str) -> bool:
    wanted = header.split(":")
    return len(nodes) == len(wanted) and all(matches(n, w) for n, w in zip(nodes, wanted, strict=True))


class ScpiLoad(ScpiInstrument):
    """The load behind SCPI."""

    def __init__(self, bench: Bench, name: str, shown: Shown | None = None) -> None:
        self._bench = bench
        self._load = load = bench.loads[name]
        shows = shown or LoadReadings(bench, load)
        super().__init__(
            f"SIMULATED,SCPI LOAD,{load.config.serial},1.0",
            [
                Command("MEASure:VOLTage", lambda: nr3(shows.voltage * 1e-3)),
                Command("MEASure:CURRent", lambda: nr3(shows.current * 1e-3)),
                Command("MEASure:POWer", lambda: nr3(shows.power * 1e-2)),
                Command("MEASure:TEMPerature", lambda: nr3(shows.temperature * 0.1)),
                Command("INPut:STATe", lambda: str(int(load.front.input_on)), self._input),
                Command("SOURce:FUNCtion", lambda: short_form(FUNCTIONS[load.front.mode]), self._mode),
                Command("SOURce:LEVel", lambda: nr3(load.front.level), self._level),
                Command("SYSTem:SENSe", lambda: "REM" if load.front.remote else "LOC", self._sense),
                Command("STATus:QUEStionable:CONDition", self._condition),
            ],
        )

    def reset(self) -> None:
        """Input off, constant current, 0 A, local sense."""
        front = self._load.front
        front.switch(False)
        front.order_mode(Mode.CC)
        front.order_level(0.0)
        front.remote = False
        self._bench.refresh()

    def _condition(self) -> str:
        return str(sum(1 << CONDITION_BITS[name] for name in self._load.front.latched))

    def _input(self, argument: str) -> None:
        words = {"ON": True, "1": True, "OFF": False, "0": False}
        if argument.upper() not in words:
            raise ScpiError(ILLEGAL_VALUE)
        self._load.front.switch(words[argument.upper()])
        self._bench.refresh()

    def _mode(self, argument: str) -> None:
        mode = next((m for m, word in FUNCTIONS.items() if matches(argument, word)), None)
        if mode is None:
            raise ScpiError(ILLEGAL_VALUE)
        self._load.front.order_mode(mode)
        self._bench.refresh()

    def _level(self, argument: str) -> None:
        if not _NUMBER.fullmatch(argument):
            raise ScpiError(TYPE_ERROR)
        level = float(argument)
        if not self._load.front.level_allowed(level):
            raise ScpiError(OUT_OF_RANGE)
        self._load.front.order_level(level)
        self._bench.refresh()

    def _sense(self, argument: str) -> None:
        if not (matches(argument, "REMote") or matches(argument, "LOCal")):
            raise ScpiError(ILLEGAL_VALUE)
        self._load.front.remote = matches(argument, "REMote")
        self._bench.refresh()


class ScpiMeter(ScpiInstrument):
    """The voltmeter. ``counts``: its reading in 0.1 mV, None with an open probe."""

    RANGE_V = 100.0

    def __init__(self, serial: int, counts: Callable[[], int | None]) -> None:
        self._counts = counts
        commands = [Command("MEASure:VOLTage:DC", self._volts), Command("MEASure:VOLTage", self._volts), Command("READ", self._volts)]
        super().__init__(f"SIMULATED,SCPI METER,{serial},1.0", commands)

    def _volts(self) -> str:
        counts = self._counts()
        if counts is None:
            return NOT_A_NUMBER
        value = counts * 1e-4
        return (OVERFLOW if value > 0 else f"-{OVERFLOW}") if abs(value) > self.RANGE_V * 1.05 else nr3(value, 8)
