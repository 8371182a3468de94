"""The simulated bench alive: physics advanced to the present whenever a line asks, lines served by threads, faults by the timetable.

`SimulatedBench.start` runs it inside this process (tests); `run.simulate` is the command. The physics is behind one lock and moves only up
to "now", in steps of its own grid; a ticker keeps it from falling behind while nobody asks.
"""

from __future__ import annotations

import random
import shutil
import tempfile
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from loadlog.model.clock import NS
from loadlog.model.errors import UsageError
from loadlog.sim.bench import Bench
from loadlog.sim.faults import FAULTS
from loadlog.sim.maps import LoadMap, ThermocoupleMap
from loadlog.sim.messages import MbapConnection, ScpiConnection
from loadlog.sim.pacing import Pace
from loadlog.sim.registers import RegisterModel, answer_pdu
from loadlog.sim.rtu import RtuLine, Unit, WireLog
from loadlog.sim.scenario import LineConfig, Scenario
from loadlog.sim.scpi import ScpiInstrument, ScpiLoad, ScpiMeter
from loadlog.sim.serial_line import SerialLine
from loadlog.sim.tcp_line import TcpLine
from loadlog.sim.timetable import Fault
from loadlog.sim.wire_faults import WireFaults

T = TypeVar("T")
TICK_S = 0.05
COARSEST_STEP_S = 0.1


@dataclass(frozen=True, slots=True)
class Port:
    """Where a line is found, as a configuration file needs it. ``bus``: its name. ``address``: the stable name of a serial port, or
    ``host:tcp_port``."""

    bus: str
    kind: str
    address: str
    host: str = ""
    tcp_port: int = 0
    baudrate: int = 0


@dataclass(frozen=True, slots=True)
class TruthEvent:
    """What truly happened, and when. ``what``: a fault's name, or what the physics did by itself; ``phase``: begin, end, itself."""

    t_utc_ns: int
    t_bench_ns: int
    what: str
    target: str
    phase: str
    params: Mapping[str, float | str]


@dataclass
class Line:
    """One line of the bench: its port, its record, its faults."""

    config: LineConfig
    server: SerialLine | TcpLine
    log: WireLog
    faults: WireFaults

    @property
    def port(self) -> Port:
        """Where it is found."""
        c = self.config
        if isinstance(self.server, SerialLine):
            return Port(c.name, c.kind, str(self.server.link), baudrate=c.baudrate)
        return Port(c.name, c.kind, f"{self.server.host}:{self.server.tcp_port}", self.server.host, self.server.tcp_port)


class SimulatedBench(AbstractContextManager["SimulatedBench"]):
    """A bench with its lines served. ``bench`` is the physics; hold `now` while looking at it."""

    def __init__(
        self, scenario: Scenario, *, seed: int, speed: float, paced: bool, strict: bool | None, link_dir: Path, faults: bool
    ) -> None:
        self.scenario = scenario
        self.speed = speed
        self._paced = paced
        self._strict = paced if strict is None else strict
        self._link_dir = link_dir
        self._seed = seed
        self._lock = threading.RLock()
        self._stop = threading.Event()
        step_s = min(COARSEST_STEP_S, scenario.bench.step_s * max(1.0, speed / 5.0))
        self.bench = Bench(scenario, random.Random(seed), step_ns=round(step_s * NS), on_wire=self._wire_fault)
        self._timetable_waits = faults and scenario.bench.timetable_from == "first_request"
        if faults and not self._timetable_waits:
            self.bench.start_timetable()
        self.lines: dict[str, Line] = {}
        self._ticker = threading.Thread(target=self._tick, name="sim ticker", daemon=True)
        self._start_ns, self._start_utc_ns = time.monotonic_ns(), time.time_ns()
        for config in scenario.line:
            self.lines[config.name] = self._line(config)

    @classmethod
    def start(
        cls,
        scenario: Scenario,
        *,
        seed: int = 1,
        speed: float = 1.0,
        paced: bool = False,
        strict: bool | None = None,
        link_dir: Path | None = None,
        faults: bool = True,
    ) -> SimulatedBench:
        """A bench that runs; use it in a ``with`` block. ``paced``: serial lines carry characters at their baud rate. ``strict`` (default:
        as ``paced``): a request before 3.5 characters of silence is lost. ``faults``: the scenario's timetable runs.

        Raises:
            BusError: a port cannot be opened.
        """
        temporary = None if link_dir else Path(tempfile.mkdtemp(prefix="loadlog-sim-"))
        bench = cls(scenario, seed=seed, speed=speed, paced=paced, strict=strict, link_dir=link_dir or temporary or Path(), faults=faults)
        bench._temporary = temporary
        for line in bench.lines.values():
            line.server.start()
        bench._ticker.start()
        return bench

    _temporary: Path | None = None

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.stop()

    def stop(self) -> None:
        """End every thread, remove every stable name."""
        self._stop.set()
        for line in self.lines.values():
            line.server.stop()
        if self._ticker.ident is not None:
            self._ticker.join(5.0)
        if self._temporary:
            shutil.rmtree(self._temporary, ignore_errors=True)

    # -- what tests ask -----------------------------------------------------------------------------------------------

    @property
    def ports(self) -> dict[str, Port]:
        """Where each line is found, by its name."""
        return {name: line.port for name, line in self.lines.items()}

    def line(self, name: str) -> Line:
        """One line."""
        return self.lines[name]

    def now(self) -> Bench:
        """The physics brought up to the present."""
        with self._lock:
            if not self._stop.is_set():
                self.bench.advance_to(round((time.monotonic_ns() - self._start_ns) * self.speed))
            return self.bench

    def inject(self, fault: str, target: str = "", *, in_s: float = 0.0, for_s: float | None = None, **params: float | str) -> None:
        """A fault befalls ``target`` ``in_s`` from now (bench time) and stays ``for_s``, or until `restore`.

        Raises:
            ConfigError: unknown fault, target or parameter.
        """
        checked = self.scenario.checked_fault(fault, target, for_s is not None, params, "inject")
        with self._lock:
            self.now().schedule(Fault(fault, target, checked, None if for_s is None else round(for_s * NS)), round(in_s * NS))
            self.bench.advance_to(self.bench.now_ns)

    def restore(self, fault: str, target: str = "") -> None:
        """End what `inject` or the timetable began.

        Raises:
            UsageError: the fault happens at once and has no end.
        """
        if not FAULTS[fault].lasts:
            raise UsageError(f"fault {fault} has no end, it happens at once")
        with self._lock:
            bench = self.now()
            begun = [t for t in bench.truth if t.what == fault and t.target == target and t.phase == "begin"]
            bench.apply(Fault(fault, target, begun[-1].params if begun else {}), False)

    def truth(self) -> list[TruthEvent]:
        """What has truly happened so far."""
        with self._lock:
            return [TruthEvent(self.utc_ns(t.t_ns), t.t_ns, t.what, t.target, t.phase, t.params) for t in self.now().truth]

    def utc_ns(self, bench_ns: int) -> int:
        """UTC of a bench time."""
        return self._start_utc_ns + round(bench_ns / self.speed)

    # -- inside -------------------------------------------------------------------------------------------------------

    def _tick(self) -> None:
        while True:
            bench = self.now()
            due_ns = bench.next_fault_ns()
            wait_s = TICK_S if due_ns is None else min(TICK_S, max(0.0005, (due_ns - bench.now_ns) / NS / self.speed))
            if self._stop.wait(wait_s):
                return

    def _asked(self, answer: Callable[[], T]) -> T:
        """Answer at the present instant."""
        with self._lock:
            bench = self.now()
            if self._timetable_waits:
                self._timetable_waits = False
                bench.start_timetable()
                bench.advance_to(bench.now_ns)
            return answer()

    def _wire_fault(self, fault: Fault, begins: bool) -> None:
        for line in self.lines.values():
            if fault.target != line.config.name and fault.target not in line.config.answering:
                continue
            if fault.name == "adapter_unplugged":
                (line.server.unplug if begins else line.server.plug)()
            elif begins:
                line.faults.begin(fault)
            else:
                line.faults.end(fault)

    def _model(self, name: str) -> RegisterModel:
        if name in self.bench.loads:
            return LoadMap(self.bench, name)
        return ThermocoupleMap(lambda channel: self.bench.thermocouple_counts(name, channel))

    def _unit(self, name: str) -> Unit:
        model = self._model(name)
        return Unit(name, lambda pdu: self._asked(lambda: answer_pdu(model, pdu)))

    def _line(self, config: LineConfig) -> Line:
        faults = WireFaults(random.Random(f"{self._seed} {config.name}"), echo=config.echo)
        pace = Pace.of(config.baudrate, config.bits_per_character) if self._paced and config.is_serial else Pace()
        processing_ns = round(config.processing_s * NS)
        if config.kind.startswith("scpi"):
            return self._scpi_line(config, faults, pace, processing_ns)
        units = {number: self._unit(name) for number, name in config.units.items()}
        if config.kind == "modbus-tcp":
            log = WireLog()
            return Line(
                config,
                TcpLine(config.name, lambda: MbapConnection(config.name, units, faults, log, processing_ns), tcp_port=config.tcp_port),
                log,
                faults,
            )
        strict = self._strict and config.kind == "modbus-rtu"
        rtu = RtuLine(config.name, units, faults, pace=pace, processing_ns=processing_ns, strict=strict)
        if config.kind == "modbus-rtu-over-tcp":
            return Line(config, TcpLine(config.name, lambda: rtu, tcp_port=config.tcp_port, one_client=True), rtu.log, faults)
        server = SerialLine(rtu, self._link_dir / config.name, config.baudrate)
        rtu.hears = server.hears
        return Line(config, server, rtu.log, faults)

    def _scpi_instrument(self, name: str) -> ScpiInstrument:
        if name in self.bench.loads:
            return ScpiLoad(self.bench, name)
        serial = next(m.serial for m in self.scenario.meter if m.name == name)
        return ScpiMeter(serial, lambda: self.bench.meter_counts(name))

    def _scpi_line(self, config: LineConfig, faults: WireFaults, pace: Pace, processing_ns: int) -> Line:
        name, log = config.instrument, WireLog()
        instrument = self._scpi_instrument(name)

        def message(text: str) -> str | None:
            return self._asked(lambda: instrument.message(text))

        def make() -> ScpiConnection:
            return ScpiConnection(config.name, name, message, faults, log, processing_ns, pace)

        if not config.is_serial:
            return Line(config, TcpLine(config.name, make, tcp_port=config.tcp_port), log, faults)
        conversation = make()
        server = SerialLine(conversation, self._link_dir / config.name, config.baudrate)
        conversation.hears = server.hears
        return Line(config, server, log, faults)
