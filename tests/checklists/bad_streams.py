"""Drawn groups of devices with drawn (also contradictory) configurations, and streams of readings that mean nothing: levels that jump, hold
or vanish, counts up to 64 bits, stamps that step, repeat and go back, hours without a poll, failures, orders."""

from __future__ import annotations

import random
from collections.abc import Iterator

from loadlog.model.device import ChannelSpec, DeviceSpec, LimitSpec
from loadlog.model.quantity import Accuracy, Scale
from loadlog.model.sample import FailureCause, PollFailure, Reading, Stamp
from tests.checklists.traces import PROTECTIONS, T0_NS, load_spec, meter_spec, number

LEVELS = {
    "voltage_v": (0.0, 12.0, 24.0, 24.0, 24.0, 25.0, 36.0), "current_a": (0.0, 0.0, 3.0, 5.0, 5.0, 5.5, 8.0, -3.0), "power_w": (0.0, 120.0),
    "temperature_c": (20.0, 40.0, 60.0, 95.0), "ambient_c": (20.0, 30.0), "setpoint": (0.0, 5.0, 7.0, 24.0, 120.0),
}  # fmt: skip
CODES = (0, 1, 0, 1, 2, 3, 4, 32, 128, 255)
EXTREMES = (2**63 - 1, -(2**63), 10**9, -(10**9), 0)
FIXED = {
    "noise_voltage_v": (1e-9, 1e-3, 10.0), "noise_current_a": (1e-3,), "current_share": (0.0, 0.5, 1.0), "output_resistance_ohm": (0.02,),
    "thermal_resistance_k_per_w": (0.2,), "thermal_time_constant_fast_s": (30.0,), "thermal_time_constant_slow_s": (300.0,),
}  # fmt: skip


def supply_spec(name: str = "psu", period_s: float = 0.5) -> DeviceSpec:
    """A supply that reports its mode."""
    channels = (
        number("voltage_v", "V", "0.001", Accuracy(0.05, 0.01), low=0.0, high=60.0, possible_low=-1.0, possible_high=80.0),
        number("current_a", "A", "0.001", Accuracy(0.1, 0.01), low=0.0, high=60.0, possible_low=-1.0, possible_high=80.0),
        ChannelSpec("mode", "", "enum", Scale.of(1), 1.0, names={0: "CV", 1: "CC"}),
        ChannelSpec("protection", "", "bits", Scale.of(1), 1.0, names=PROTECTIONS),
        ChannelSpec("input_on", "", "bool", Scale.of(1), 1.0), number("setpoint", "", "0.001"),
    )  # fmt: skip
    return DeviceSpec(name, "supply", "bus", period_s, channels, group="g")


def room_spec() -> DeviceSpec:
    """A thermometer that reads the air."""
    return DeviceSpec(
        "room", "thermometer", "bus", 2.0, (number("ambient_c", "°C", "0.1", Accuracy(0.1, 1.0), possible_low=-270.0),), group="g"
    )


def group_of(rnd: random.Random) -> list[DeviceSpec]:
    """One or two loads, on occasion with a meter, a supply and a thermometer."""
    devices = [_load(rnd, "load-1"), _load(rnd, "load-2"), meter_spec(), supply_spec(), room_spec()]
    return [device for n, device in enumerate(devices) if n == 0 or rnd.random() < 0.5]


def _load(rnd: random.Random, name: str) -> DeviceSpec:
    limits = {}
    if rnd.random() < 0.6:  # crossed as often as not
        low, high = rnd.uniform(0, 60), rnd.uniform(0, 60)
        limits["voltage_v"] = LimitSpec(
            low=low, high=high, low_low=rnd.choice([None, high]), high_high=rnd.choice([None, low]), deadband=rnd.choice([0.0, 5.0]),
            on_delay_s=rnd.choice([0.0, 1.0]), off_delay_s=rnd.choice([0.0, 2.0]),
        )  # fmt: skip
    if rnd.random() < 0.6:
        limits["temperature_c"] = LimitSpec(high=rnd.uniform(20, 90), low=rnd.choice([None, 50.0]))
    return load_spec(
        name, period_s=rnd.choice([0.02, 0.1, 0.5, 2.0]), step=rnd.choice(["0.001", "0.01"]), slow=rnd.choice([1, 10]),
        status=rnd.random() < 0.7, status_every=rnd.choice([1, 5]), sense=rnd.choice(["remote", "local"]),
        path_resistance_ohm=rnd.choice([None, 0.012, 1e-9, 50.0]), source=rnd.choice(["", "battery", "supply"]),
        cutoff_v=rnd.choice([None, 18.0, 30.0, 1e6]), limits=limits,
        fixed={key: rnd.choice(values) for key, values in FIXED.items() if rnd.random() < 0.2},
    )  # fmt: skip


class _Device:
    """What one device answers."""

    def __init__(self, rnd: random.Random, spec: DeviceSpec) -> None:
        self.rnd, self.spec = rnd, spec
        self.levels = {c.name: self._level(c) for c in spec.channels}
        self.noise = {c.name: rnd.choice([0.0, 0.0, 0.5, 3.0]) for c in spec.channels}
        self.missing: set[str] = set()
        self.due_s = self.off_s = 0.0
        self.polls = 0
        self.last: int | None = None

    def _level(self, channel: ChannelSpec) -> float:
        if channel.kind != "number":
            return self.rnd.choice(CODES)
        if self.rnd.random() < 0.03:
            return self.rnd.choice(EXTREMES)
        return self.rnd.choice(LEVELS[channel.name]) / channel.scale.step

    def counts(self) -> dict[str, int | None]:
        rnd, out = self.rnd, {}
        for channel in self.spec.channels:
            name = channel.name
            if rnd.random() < 0.01:
                self.levels[name] = self._level(channel)
            if rnd.random() < 0.01:
                self.noise[name] = rnd.choice([0.0, 0.5, 3.0, 100.0])
            if rnd.random() < 0.002:
                self.missing ^= {name}
            if self.polls % channel.every == 0 and name not in self.missing:
                wild = rnd.gauss(0.0, self.noise[name]) if channel.kind == "number" else 0.0
                out[name] = None if rnd.random() < 0.01 else max(-(2**63), min(2**63 - 1, round(self.levels[name] + wild)))
        self.polls += 1
        return out

    def stamp(self) -> Stamp:
        rnd = self.rnd
        if rnd.random() < 0.003:
            self.off_s += rnd.choice([-1e4, -3600.0, -1.0, -0.1, 0.1, 1.0, 60.0, 3600.0, 1e5])
        early_s = rnd.uniform(-0.5, 0.5) if rnd.random() < 0.02 else 0.0
        t_ns = T0_NS + round((self.due_s + self.off_s + early_s) * 1e9)
        if self.last is not None and rnd.random() < 0.02:
            t_ns = self.last
        self.last = t_ns
        half_ns = rnd.choice([0, 1_000_000, 4_000_000, 4_000_000, 1_000_000_000])
        return Stamp(t_ns, half_ns, round(self.due_s * 1e9), rnd.choice([0.0, 0.0, 0.05, 2.0]))


def stream(rnd: random.Random, specs: list[DeviceSpec], polls: int) -> Iterator[Reading | PollFailure]:
    """Polls of all devices."""
    devices = [_Device(rnd, spec) for spec in specs]
    for _ in range(polls):
        one = min(devices, key=lambda d: d.due_s)
        stamp = one.stamp()
        if rnd.random() < 0.02:
            yield PollFailure(one.spec.name, stamp, rnd.choice(list(FailureCause)), "x")
        else:
            yield Reading(one.spec.name, stamp, one.counts())
        one.due_s += one.spec.period_s * (rnd.choice([40, 5000, 50_000]) if rnd.random() < 0.001 else 1)
