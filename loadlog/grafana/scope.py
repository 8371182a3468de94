"""For whom dashboards are made: for every bench of a database, chosen by variables, or for one whose names and limits are known."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field

from loadlog.model.device import DeviceSpec, LimitSpec

UNITS = {"V": "volt", "A": "amp", "W": "watt", "°C": "celsius", "Ω": "ohm", "W·h": "watth", "A·h": "suffix: A·h", "rpm": "rotrpm", "s": "s"}
UID_CHARACTERS = 40  # the most that Grafana takes


@dataclass(frozen=True, slots=True)
class Plotted:
    """One channel in a plot. ``unit``: as Grafana names it, empty where it has none."""

    name: str
    title: str
    unit: str
    limits: LimitSpec | None = None


STANDARD = (
    Plotted("voltage_v", "Voltage", "volt"),
    Plotted("current_a", "Current", "amp"),
    Plotted("power_w", "Power", "watt"),
    Plotted("temperature_c", "Temperature", "celsius"),
)
# Any of these in a point shows that the device answered, since a failed poll is a point with its quality alone. The usual channels and
# those of the shipped profiles; where one bench is known, its own.
ANSWERS = (
    "voltage_v", "current_a", "power_w", "resistance_ohm", "charge_ah", "energy_wh", "temperature_c", "ambient_c", "setpoint", "fan_rpm",
    "temperature_1_c", "temperature_2_c", "temperature_3_c", "temperature_4_c", "cold_junction_c",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Scope:
    """``bench``: its name; empty for every bench of the database. ``interval_s``: of the reduction while forwarding, 0 where every sample
    is sent; then a channel's extremes are fields of their own. ``slowest_s``: longest time between two points of a device, s."""

    bench: str = ""
    devices: tuple[DeviceSpec, ...] = ()
    interval_s: float = 0.0
    slowest_s: float = 1.0
    heartbeat_s: float = 10.0
    fields_by_device: Mapping[str, tuple[Plotted, ...]] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "fields_by_device", {device.name: tuple(_plotted(device)) for device in self.devices})

    @property
    def is_one(self) -> bool:
        """Made for one bench."""
        return bool(self.bench)

    @property
    def chosen(self) -> str:
        """The condition that picks the bench."""
        return f"\"bench\" = '{self.bench}'" if self.bench else '"bench" =~ /^($bench)$/'

    @property
    def step(self) -> str:
        """The least width of an interval in a plot, so that a slow device gives a line and not dots with gaps."""
        width_s = max(self.interval_s, self.slowest_s)
        return f"{width_s:.0f}s" if width_s >= 1 else f"{max(round(width_s * 1000), 10)}ms"

    @property
    def answers(self) -> tuple[str, ...]:
        """Channels of which any shows that a device answered."""
        own = dict.fromkeys(c.name for device in self.devices for c in device.channels if c.kind == "number" and c.every == 1)
        return tuple(own) or ANSWERS

    def uid(self, what: str) -> str:
        """Of a dashboard; the same whenever it is written, so that links to it last."""
        uid = f"loadlog-{self.bench}-{what}" if self.bench else f"loadlog-{what}"
        if len(uid) <= UID_CHARACTERS:
            return uid
        return f"loadlog-{hashlib.sha256(self.bench.encode()).hexdigest()[:12]}-{what}"

    def title(self, what: str) -> str:
        """Of a dashboard."""
        return f"{self.bench}: {what}" if self.bench else f"loadlog: {what}"

    def low(self, channel: str) -> str:
        """The field that holds a channel's smallest value in an interval."""
        return f"{channel}_min" if self.interval_s else channel

    def high(self, channel: str) -> str:
        """As `low`, the largest."""
        return f"{channel}_max" if self.interval_s else channel


def _plotted(device: DeviceSpec) -> list[Plotted]:
    """The measured quantities of a device: what it reads, not how it is set, and whatever has a limit."""
    out = []
    for channel in device.channels:
        if channel.kind == "number" and (channel.unit in ("V", "A", "W", "°C") or channel.name in device.limits):
            title = channel.name.rpartition("_")[0].replace("_", " ").capitalize() or channel.name
            unit = UNITS.get(channel.unit, f"suffix: {channel.unit}" if channel.unit else "")
            out.append(Plotted(channel.name, title, unit, device.limits.get(channel.name)))
    return out


EVERY_BENCH = Scope()
