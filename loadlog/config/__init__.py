"""The configuration file: TOML, checked by pydantic; every setting with unit and default. ``config/bench.toml`` shows them all.

Unknown keys are refused with the nearest known one. Secrets never stand here: ``*_env`` names an environment variable, ``*_file`` a file.
`loading.py` beside the command line opens the file; this module only judges its content.
"""

from __future__ import annotations

import itertools
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from loadlog.config.explained import explain, nearest, parse_toml, printable, read_toml
from loadlog.config.forward import ForwardConfig
from loadlog.config.notify import NotifyConfig, NotifyTarget
from loadlog.config.plan import PlanConfig
from loadlog.config.section import NAME, Name, Section
from loadlog.config.web import WebConfig
from loadlog.model.event import KINDS

__all__ = [
    "NAME",
    "Config",
    "ForwardConfig",
    "Name",
    "NotifyConfig",
    "NotifyTarget",
    "PlanConfig",
    "Section",
    "WebConfig",
    "explain",
    "nearest",
    "parse_config",
    "parse_toml",
    "printable",
    "read_toml",
]

OF_SOURCE = ("source", "cutoff_v", "rated_ah")  # said of one device, true of its group
SERIAL_KINDS = ("modbus-rtu", "scpi-serial")
MODBUS_KINDS = ("modbus-rtu", "modbus-tcp", "modbus-rtu-over-tcp")


class BenchConfig(Section):
    """``name``: tag of everything recorded. ``data_dir``: recordings and control socket; relative to the configuration file."""

    name: Name
    data_dir: str = "data"


class StoreConfig(Section):
    """``commit_interval_s``: a sample is on disk at most this long after it was taken. ``rolling_keep_days``: how long recordings between
    runs are kept. ``run_keep_days``: how long runs that are not marked to be kept stay; unset: for ever. ``max_gib``: size of all
    recordings together, beyond which the oldest that are not marked go; unset: no limit. ``keep_unforwarded``: nothing goes before every
    target of ``[[forward]]`` has it. ``queue_samples``: samples held in memory while the disk is full or gone. ``reserve_mib``: file that
    is released first when the disk is full. ``low_mib``: free space below which `disk_low` is raised."""

    commit_interval_s: float = Field(default=1.0, ge=0.05, le=1.0)
    rolling_keep_days: float = Field(default=14.0, gt=0)
    run_keep_days: float | None = Field(default=None, gt=0)
    max_gib: float | None = Field(default=None, gt=0)
    keep_unforwarded: bool = True
    queue_samples: int = Field(default=100_000, ge=1000)
    reserve_mib: int = Field(default=8, ge=0)
    low_mib: int = Field(default=512, ge=0)


class BusConfig(Section):
    """One serial line or one TCP endpoint.

    ``parity``: N, E, O. ``stop_bits``: 1 or 2. ``rs485``: let the driver switch the transmitter by RTS. ``echo``: the adapter hears its own
    characters (two-wire). ``connect_timeout_s``: TCP connection. ``dead_probe_s``: how often a silent device is tried.
    """

    name: Name
    kind: Literal["modbus-rtu", "modbus-tcp", "modbus-rtu-over-tcp", "scpi-serial", "scpi-tcp"]
    port: str = ""
    baudrate: int = Field(default=9600, ge=300, le=4_000_000)
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    rs485: bool = False
    echo: bool = False
    host: str = ""
    tcp_port: int = Field(default=0, ge=0, le=65535)
    connect_timeout_s: float = Field(default=2.0, gt=0, le=30)
    dead_probe_s: float = Field(default=5.0, gt=0, le=600)

    @model_validator(mode="after")
    def _endpoint_is_named(self) -> BusConfig:
        if self.kind in SERIAL_KINDS:
            if not self.port:
                raise ValueError(f"kind {self.kind} needs port, a stable name such as /dev/serial/by-id/...")
            if self.host or self.tcp_port:
                raise ValueError(f"kind {self.kind} takes port, not host and tcp_port")
        elif not self.host or not self.tcp_port:
            raise ValueError(f"kind {self.kind} needs host and tcp_port")
        elif self.port:
            raise ValueError(f"kind {self.kind} takes host and tcp_port, not port")
        return self

    @property
    def bits_per_character(self) -> int:
        """Start bit, 8 data bits, parity, stop bits."""
        return 9 + (self.parity != "N") + self.stop_bits

    @property
    def address(self) -> str:
        """For messages: the port, or host:port."""
        return self.port or f"{self.host}:{self.tcp_port}"


class LimitConfig(Section):
    """Limits of one channel in its unit; ``on_delay`` and ``off_delay`` in s (ISA-18.2)."""

    low_low: float | None = None
    low: float | None = None
    high: float | None = None
    high_high: float | None = None
    deadband: float = Field(default=0.0, ge=0)
    on_delay: float = Field(default=0.0, ge=0)
    off_delay: float = Field(default=0.0, ge=0)

    @model_validator(mode="after")
    def _in_order(self) -> LimitConfig:
        given = [(k, getattr(self, k)) for k in ("low_low", "low", "high", "high_high") if getattr(self, k) is not None]
        if not given:
            raise ValueError("give at least one of low_low, low, high, high_high")
        for (name_a, a), (name_b, b) in itertools.pairwise(given):
            if a >= b:
                raise ValueError(f"{name_a} = {a:g} must be below {name_b} = {b:g}")
            if name_a in ("low_low", "low") and name_b in ("high", "high_high") and self.deadband >= b - a:
                raise ValueError(f"deadband = {self.deadband:g} is all that lies between {name_a} and {name_b}: no alarm would clear there")
        return self


class DeviceConfig(Section):
    """One polled instrument. ``unit_id``: Modbus unit, 1 to 247 (0 to 255 over TCP); not for SCPI. ``rate_hz``: polls per second.

    ``sense``: how it is wired. ``path_resistance_ohm``: both leads and contacts together. ``group``: devices that share one source.
    ``source``: what feeds it, a supply or a battery; said once a group is enough. ``cutoff_v``: end-of-discharge voltage of the battery,
    ``rated_ah``: its rated capacity, which the capacity found is compared with.
    ``identity``: expected identity texts, e.g. ``{ serial = "4711" }``; another answer is reported. ``fixed``: facts that are otherwise
    learned, by the name that `run show` gives them (``noise_voltage_v``, ``output_resistance_ohm``, ...).
    """

    name: Name
    role: Literal["load", "supply", "meter", "thermometer"]
    bus: str
    unit_id: int | None = Field(default=None, ge=0, le=255)
    profile: str
    rate_hz: float = Field(default=1.0, gt=0, le=200)
    sense: Literal["local", "remote"] = "local"
    path_resistance_ohm: float | None = Field(default=None, gt=0, le=10)
    group: Name | None = None
    source: Literal["supply", "battery"] | None = None
    cutoff_v: float | None = Field(default=None, gt=0, le=1500)
    rated_ah: float | None = Field(default=None, gt=0, le=1e6)
    fixed: dict[str, Annotated[float, Field(ge=0)]] = Field(default_factory=dict)
    identity: dict[str, str] = Field(default_factory=dict)
    limits: dict[str, LimitConfig] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _wiring_makes_sense(self) -> DeviceConfig:
        if self.path_resistance_ohm is not None and self.role != "load":
            raise ValueError(f"path_resistance_ohm is the path of a load, not of a {self.role}: remove it")
        if self.cutoff_v is not None and self.source == "supply":
            raise ValueError('cutoff_v is a battery\'s end of discharge, but source is "supply": set source = "battery" or remove cutoff_v')
        if self.source is not None and self.role == "thermometer":
            raise ValueError("source: a thermometer has none: remove it")
        return self


class ProtectiveActionConfig(Section):
    """Off by default. ``on``: event kinds of any device in ``watch`` (default: the device itself). ``try_at_start``: carry it out once when
    the service starts, to see that it works. A convenience, not a safety device."""

    on: list[str] = Field(min_length=1)
    device: str
    action: Literal["input_off"] = "input_off"
    watch: list[str] = Field(default_factory=list)
    try_at_start: bool = False

    @model_validator(mode="after")
    def _kinds_exist(self) -> ProtectiveActionConfig:
        for kind in self.on:
            if kind not in KINDS:
                raise ValueError(f"on: there is no event kind {kind!r}{nearest(kind, KINDS)}")
        return self


class Config(Section):
    """The whole file."""

    bench: BenchConfig
    store: StoreConfig = StoreConfig()
    bus: list[BusConfig] = Field(min_length=1)
    device: list[DeviceConfig] = Field(min_length=1)
    plan: list[PlanConfig] = Field(default_factory=list)
    protective_action: list[ProtectiveActionConfig] = Field(default_factory=list)
    web: WebConfig = WebConfig()
    forward: list[ForwardConfig] = Field(default_factory=list)
    notify: NotifyConfig | None = None

    @model_validator(mode="after")
    def _names_fit(self) -> Config:
        buses = {b.name: b for b in self.bus}
        devices = {d.name: d for d in self.device}
        _refuse_doubles("bus", [b.name for b in self.bus])
        _refuse_doubles("device", [d.name for d in self.device])
        _refuse_doubles("forward", [f.name for f in self.forward])
        _refuse_doubles("plan", [p.name for p in self.plan])
        for plan in self.plan:
            for name in plan.devices:
                if name not in devices:
                    raise ValueError(f"plan {plan.name}: there is no device {name!r}{nearest(name, devices)}")
        _refuse_doubles("bus endpoint", [b.address for b in self.bus])
        seen: dict[tuple[str, int | None], str] = {}
        for device in self.device:
            bus = buses.get(device.bus)
            if bus is None:
                raise ValueError(f"device {device.name}: there is no bus {device.bus!r}{nearest(device.bus, buses)}")
            _check_unit(device, bus)
            other = seen.setdefault((device.bus, device.unit_id), device.name)
            if other != device.name:
                raise ValueError(f"devices {other} and {device.name} both have unit_id {device.unit_id} on bus {bus.name}")
        _check_groups(self.device)
        for action in self.protective_action:
            for name in (action.device, *action.watch):
                if name not in devices:
                    raise ValueError(f"protective_action: there is no device {name!r}{nearest(name, devices)}")
        return self

    def resolved(self, device: DeviceConfig) -> DeviceConfig:
        """The device with what another one of its group says of their common source."""
        group = [d for d in self.device if device.group is not None and d.group == device.group]
        said = {key: getattr(d, key) for d in (*group, device) for key in OF_SOURCE if getattr(d, key) is not None}
        return device.model_copy(update=said)


def _check_unit(device: DeviceConfig, bus: BusConfig) -> None:
    if bus.kind not in MODBUS_KINDS:
        if device.unit_id is not None:
            raise ValueError(f"device {device.name}: unit_id is for Modbus; bus {bus.name} is {bus.kind}")
        return
    if device.unit_id is None:
        raise ValueError(f"device {device.name}: unit_id is missing (bus {bus.name} is {bus.kind})")
    if bus.kind != "modbus-tcp" and not 1 <= device.unit_id <= 247:
        raise ValueError(f"device {device.name}: unit_id {device.unit_id} is not in 1..247 (0 is broadcast, 248..255 reserved)")


def _check_groups(devices: list[DeviceConfig]) -> None:
    """Devices of a group share one source, so what is said of it must agree."""
    said: dict[tuple[str, str], tuple[str, Any]] = {}
    for device in devices:
        for key in OF_SOURCE:
            value = getattr(device, key)
            if device.group is None or value is None:
                continue
            name, other = said.setdefault((device.group, key), (device.name, value))
            if other != value:
                raise ValueError(
                    f"group {device.group}: {key} is {other!r} in {name} and {value!r} in {device.name}; they share one source"
                )
    for device in devices:
        known = {key: said.get((device.group or "", key), (device.name, getattr(device, key)))[1] for key in OF_SOURCE}
        for key in ("cutoff_v", "rated_ah"):
            if known[key] is not None and known["source"] != "battery":
                raise ValueError(f'device {device.name}: {key} = {known[key]:g} needs source = "battery"')


def _refuse_doubles(what: str, names: list[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"{what} {name!r} is given twice")


def parse_config(text: str, where: str) -> Config:
    """The configuration in ``text``; ``where`` is the file's name for messages.

    Raises:
        ConfigError: as `parse_toml`.
    """
    return parse_toml(Config, text, where)
