"""A scenario file: which sources, loads, sensors and lines stand on the simulated bench, and the timetable of their faults. TOML.

Pure: text in, `Scenario` out. Every key is checked; what is wrong is said in one line with file, key and nearest known one.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, model_validator

from loadlog.config import MODBUS_KINDS, SERIAL_KINDS, Name, Section, nearest, parse_toml
from loadlog.model.errors import ConfigError
from loadlog.sim.faults import FAULTS, check_params


class Named(Section):
    """A part of the bench; its name stands in faults, lines and other parts."""

    name: Name


class SupplyConfig(Named):
    """Overrides of `supply.SupplyForm`, same names."""

    voltage_v: float = Field(default=24.0, gt=0, le=1000)
    output_ohm: float = Field(default=0.004, ge=0)
    current_limit_a: float = Field(default=10.5, gt=0)
    overload: Literal["constant_current", "foldback", "hiccup", "latch_off"] = "constant_current"
    short_circuit_a: float = Field(default=2.5, gt=0)
    trip_delay_s: float = Field(default=0.1, ge=0)
    hiccup_off_s: float = Field(default=1.2, gt=0)
    rise_s: float = Field(default=0.06, gt=0)
    drift_v_per_k: float = -0.0002
    slow_noise_v: float = Field(default=0.0003, ge=0)
    slow_noise_s: float = Field(default=5.0, gt=0)
    loss_share: float = Field(default=0.12, ge=0, le=2)
    standby_w: float = Field(default=2.0, ge=0)
    case_k_per_w: float = Field(default=1.6, gt=0)
    case_tau_s: float = Field(default=240.0, gt=0)
    shutdown_c: float = 95.0
    restart_c: float = 70.0


class BatteryConfig(Named):
    """Overrides of `battery.BatteryForm`, same names."""

    cells: int = Field(default=10, ge=1, le=40)
    capacity_ah: float = Field(default=2.6, gt=0)
    soc: float = Field(default=0.95, ge=0, le=1)
    r0_ohm: float = Field(default=0.11, ge=0)
    r1_ohm: float = Field(default=0.06, ge=0)
    tau1_s: float = Field(default=25.0, gt=0)
    protect_v: float = Field(default=27.0, ge=0)
    limit_a: float = Field(default=25.0, gt=0)
    case_k_per_w: float = Field(default=5.0, gt=0)
    case_tau_s: float = Field(default=900.0, gt=0)


class PathConfig(Section):
    """Overrides of `conductors.PathForm`, same names."""

    lead_ohm: float = Field(default=0.010, ge=0)
    contact_ohm: float = Field(default=0.002, ge=0)
    lead_k_per_w: float = Field(default=12.0, gt=0)
    lead_tau_s: float = Field(default=120.0, gt=0)
    contact_k_per_w: float = Field(default=18.0, gt=0)
    contact_tau_s: float = Field(default=40.0, gt=0)


class HeatsinkConfig(Section):
    """Overrides of `thermal.HeatsinkForm`, same names."""

    fast_k_per_w: float = Field(default=0.03, gt=0)
    fast_tau_s: float = Field(default=4.0, gt=0)
    slow_k_per_w: float = Field(default=0.12, gt=0)
    slow_tau_s: float = Field(default=90.0, gt=0)
    still_air_factor: float = Field(default=3.5, ge=1)
    outlet_share: float = Field(default=0.45, ge=0, le=1)
    fan_starts_k: float = Field(default=0.0, ge=0)
    fan_stops_k: float = Field(default=0.0, ge=0)


class LoadConfig(Named):
    """One electronic load. ``setpoint`` in A, V, W or Ω by ``mode``. ``sense``: how it is wired and switched.
    ``undervoltage_stop_v``: 0 is off."""

    source: str
    mode: Literal["CC", "CV", "CP", "CR"] = "CC"
    setpoint: float = Field(default=0.0, ge=0, le=10_000)
    input_on: bool = True
    sense: Literal["local", "remote"] = "local"
    undervoltage_stop_v: float = Field(default=0.0, ge=0)
    serial: int = Field(default=1, ge=0, le=0xFFFFFFFF)
    label: str = Field(default="", max_length=16)
    path: PathConfig = PathConfig()
    heatsink: HeatsinkConfig = HeatsinkConfig()


class ThermocouplesConfig(Named):
    """A module of up to four thermocouples. ``channels``: ``ambient``, ``<source>.case``, ``<load>.heatsink``, ``.outlet``,
    ``.connector`` or ``.lead``, or ``open``."""

    channels: list[str] = Field(min_length=1, max_length=4)


class MeterConfig(Named):
    """A voltmeter. ``probes``: ``<source>.terminals``, ``<load>.terminals`` or ``open``."""

    probes: str
    serial: int = Field(default=1, ge=0)


class LineConfig(Named):
    """One serial line or one TCP endpoint. ``units``: unit number to instrument (Modbus); ``instrument``: the one that speaks SCPI.
    ``processing_s``: from the end of a request until the answer begins. ``tcp_port`` 0: any free one. ``echo``: two-wire echo."""

    kind: Literal["modbus-rtu", "modbus-tcp", "modbus-rtu-over-tcp", "scpi-serial", "scpi-tcp"]
    baudrate: int = Field(default=19200, ge=300, le=4_000_000)
    bits_per_character: Literal[10, 11] = 10
    units: dict[Annotated[int, Field(strict=False)], str] = Field(default_factory=dict)  # keys are texts in TOML
    instrument: str = ""
    processing_s: float = Field(default=0.002, ge=0, le=10)
    tcp_port: int = Field(default=0, ge=0, le=65535)
    echo: bool = False

    @model_validator(mode="after")
    def _who_answers(self) -> LineConfig:
        if self.kind in MODBUS_KINDS:
            if not self.units or self.instrument:
                raise ValueError(f'kind {self.kind} takes units, e.g. units = {{ 1 = "load-1" }}, and no instrument')
            low = 1 if self.kind != "modbus-tcp" else 0
            for unit in self.units:
                if not low <= unit <= 247:
                    raise ValueError(f"unit {unit} is outside {low} to 247")
        elif self.units or not self.instrument:
            raise ValueError(f"kind {self.kind} takes instrument, the one that answers, and no units")
        return self

    @property
    def answering(self) -> list[str]:
        """Names of the instruments on this line."""
        return [self.instrument] if self.instrument else list(self.units.values())

    @property
    def is_serial(self) -> bool:
        """A pseudo-terminal; otherwise TCP."""
        return self.kind in SERIAL_KINDS


class FaultEntry(Section):
    """One line of the timetable: at ``at_s`` the ``fault`` befalls ``target`` and stays ``for_s`` (for good when not given)."""

    model_config = ConfigDict(extra="allow", frozen=True)

    at_s: float = Field(ge=0)
    fault: str
    target: str = ""
    for_s: float | None = Field(default=None, gt=0)


class BenchSection(Named):
    """``timetable_from``: the timetable begins at ``start``, or at the ``first_request`` that any line answers. ``repeat_s``: it
    repeats with this period, 0 never. ``step_s``: step of the physics."""

    ambient_c: float = Field(default=23.0, ge=-40, le=85)
    step_s: float = Field(default=0.02, gt=0, le=1)
    timetable_from: Literal["start", "first_request"] = "start"
    repeat_s: float = Field(default=0.0, ge=0)


class Scenario(Section):
    """The whole file."""

    bench: BenchSection
    supply: list[SupplyConfig] = Field(default_factory=list)
    battery: list[BatteryConfig] = Field(default_factory=list)
    load: list[LoadConfig] = Field(default_factory=list)
    thermocouples: list[ThermocouplesConfig] = Field(default_factory=list)
    meter: list[MeterConfig] = Field(default_factory=list)
    line: list[LineConfig] = Field(min_length=1)
    fault: list[FaultEntry] = Field(default_factory=list)

    @model_validator(mode="after")
    def _names_fit(self) -> Scenario:
        self._refuse_doubles()
        sources = [s.name for s in (*self.supply, *self.battery)]
        loads = [load.name for load in self.load]
        for load in self.load:
            _must_be(load.source, sources, f"load {load.name}: there is no supply or battery")
        for module in self.thermocouples:
            for point in module.channels:
                _must_be(point, self.points(), f"thermocouples {module.name}: there is no point")
        for meter in self.meter:
            _must_be(meter.probes, [f"{n}.terminals" for n in (*sources, *loads)] + ["open"], f"meter {meter.name}: there are no terminals")
        for line in self.line:
            self._check_line(line)
        return self

    def _refuse_doubles(self) -> None:
        names = [item.name for item in (*self.supply, *self.battery, *self.load, *self.thermocouples, *self.meter)]
        for kind, given in (("instrument or source", names), ("line", [line.name for line in self.line])):
            for name in given:
                if given.count(name) > 1:
                    raise ValueError(f"{kind} {name!r} is given twice")

    def points(self) -> list[str]:
        """Where a thermocouple can be put."""
        cases = [f"{s.name}.case" for s in (*self.supply, *self.battery)]
        spots = [f"{load.name}.{spot}" for load in self.load for spot in ("heatsink", "outlet", "connector", "lead")]
        return ["ambient", "open", *cases, *spots]

    def _check_line(self, line: LineConfig) -> None:
        speakers: dict[str, list[Named]] = {"modbus": [*self.load, *self.thermocouples], "scpi": [*self.load, *self.meter]}
        language = line.kind.split("-")[0]
        known = [item.name for item in speakers[language]]
        for name in line.answering:
            _must_be(name, known, f"line {line.name}: there is no instrument that speaks {language.upper()}")

    def targets(self, kind: str) -> list[str]:
        """Names that a fault of target ``kind`` may take."""
        lines = [line.name for line in self.line]
        return {
            "load": [x.name for x in self.load],
            "supply": [x.name for x in self.supply],
            "battery": [x.name for x in self.battery],
            "thermocouples": [x.name for x in self.thermocouples],
            "bench": ["", self.bench.name],
            "line": lines,
            "wire": lines + [name for line in self.line for name in line.answering],
        }[kind]

    def checked_fault(self, fault: str, target: str, lasts: bool, params: dict[str, Any], where: str) -> dict[str, float | str]:
        """Parameters of a fault, complete.

        Raises:
            ConfigError: unknown fault, target or key.
        """
        kind = FAULTS.get(fault)
        if kind is None:
            raise ConfigError(f"there is no fault {fault!r}{nearest(fault, FAULTS)}", where=where)
        known = self.targets(kind.target)
        if target not in known:
            raise ConfigError(f"fault {fault}: target {target!r} is no {kind.target} of this bench{nearest(target, known)}", where=where)
        if lasts and not kind.lasts:
            raise ConfigError(f"fault {fault}: for_s has no meaning, it happens at once", where=where)
        return check_params(kind, params, where)


def _must_be(name: str, known: Iterable[str], what: str) -> None:
    names = list(known)
    if name not in names:
        raise ValueError(f"{what} {name!r}{nearest(name, names)}")


def parse_scenario(text: str, where: str) -> Scenario:
    """The scenario in ``text``; ``where`` is the file's name for messages.

    Raises:
        ConfigError: one line with file, key, what is wrong and what is allowed.
    """
    scenario = parse_toml(Scenario, text, where)
    for number, entry in enumerate(scenario.fault, 1):
        scenario.checked_fault(
            entry.fault, entry.target, entry.for_s is not None, dict(entry.model_extra or {}), f"{where}: fault[{number}]"
        )
    return scenario
