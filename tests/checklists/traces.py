"""A small physical bench for tests of validation and detectors: one Thevenin source, loads and a meter on it, readings with noise in
counts.

Independent of `loadlog.sim` and of the detectors: the physics here is the textbook's (Ohm, Kirchhoff), solved by bisection. Everything
drawn comes from a `random.Random`, whose seed the tests print.
"""

from __future__ import annotations

import heapq
import math
import os
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from loadlog.model.device import ChannelSpec, DeviceSpec, LimitSpec
from loadlog.model.event import Event
from loadlog.model.quantity import Accuracy, Scale
from loadlog.model.sample import FailureCause, PollFailure, Reading, Sample, Stamp
from loadlog.pipeline import Pipeline

T0_NS = 1_770_000_000_000_000_000
MODES = {0: "CC", 1: "CV", 2: "CP", 3: "CR"}
PROTECTIONS = {2: "over_voltage", 3: "over_current", 4: "over_power", 5: "over_temperature", 6: "reverse_polarity", 7: "undervoltage_stop"}


def fresh_random() -> random.Random:
    """A new seed at every run; printed, and fixed by LOADLOG_SEED to repeat a run."""
    seed = int(os.environ.get("LOADLOG_SEED") or random.SystemRandom().randrange(10**9))
    print(f"seed: LOADLOG_SEED={seed}")
    return random.Random(seed)


def number(name: str, unit: str, step: str, accuracy: Accuracy | None = None, **more: object) -> ChannelSpec:
    """A number channel of one count = ``step``."""
    return ChannelSpec(name, unit, "number", Scale.of(step), float(step), accuracy, **more)  # type: ignore[arg-type]


def load_spec(
    name: str = "load-1", *, period_s: float = 0.1, step: str = "0.001", slow: int = 10, status: bool = True, status_every: int = 1,
    **more: object,
) -> DeviceSpec:  # fmt: skip
    """A load with the accuracy of the manual: ±(0.05 % + 10 counts) V, ±(0.1 % + 10 counts) A. ``slow``, ``status_every``: every how many
    polls temperature and set-point, and the status, are read."""
    count = float(step)
    channels = [
        number("voltage_v", "V", step, Accuracy(0.05, 10 * count), low=0.0, high=150.0, possible_low=-1.0, possible_high=200.0),
        number("current_a", "A", step, Accuracy(0.1, 10 * count), low=0.0, high=40.0, possible_low=-1.0, possible_high=60.0),
        number("power_w", "W", "0.01", Accuracy(0.2, 0.1 if count < 0.01 else 1.0), low=0.0, high=400.0),
        number("temperature_c", "°C", "0.1", Accuracy(0.0, 2.0), high=85.0, possible_low=-60.0, possible_high=300.0, every=slow),
    ]
    if status:
        channels += [
            ChannelSpec("input_on", "", "bool", Scale.of(1), 1.0, every=status_every),
            ChannelSpec("mode", "", "enum", Scale.of(1), 1.0, names=MODES, every=status_every),
            ChannelSpec("protection", "", "bits", Scale.of(1), 1.0, names=PROTECTIONS, every=status_every),
            number("setpoint", "", "0.001", every=slow),
        ]
    settings: dict[str, object] = {"sense": "remote", "path_resistance_ohm": 0.012, "group": "g", **more}
    return DeviceSpec(name, "load", "bus", period_s, tuple(channels), **settings)  # type: ignore[arg-type]


def meter_spec(name: str = "meter", *, period_s: float = 0.5, group: str | None = "g") -> DeviceSpec:
    """A meter: ±(0.005 % + 5 counts of 0.1 mV)."""
    channel = number("voltage_v", "V", "0.0001", Accuracy(0.005, 0.0005), low=-100.0, high=100.0)
    return DeviceSpec(name, "meter", "bus", period_s, (channel,), group=group)


def supply_spec(name: str = "psu", *, period_s: float = 0.5, group: str | None = "g") -> DeviceSpec:
    """A supply that is read: ±(0.05 % + 2 counts of 1 mV), ±(0.1 % + 5 counts of 1 mA), and whether it regulates or limits."""
    channels = (
        number("voltage_v", "V", "0.001", Accuracy(0.05, 0.002), low=0.0, high=150.0, possible_low=-1.0, possible_high=200.0),
        number("current_a", "A", "0.001", Accuracy(0.1, 0.005), low=0.0, high=40.0, possible_low=-1.0, possible_high=60.0),
        ChannelSpec("mode", "", "enum", Scale.of(1), 1.0, names={0: "CV", 1: "CC"}),
    )
    return DeviceSpec(name, "supply", "bus", period_s, channels, group=group)


def thermometer_spec(name: str = "case", *, period_s: float = 0.5, limits: dict[str, LimitSpec] | None = None) -> DeviceSpec:
    """Two thermocouples of 0.1 K, 0x7FFF when open."""
    names = ("temperature_1_c", "temperature_2_c")
    channels = tuple(number(n, "°C", "0.1", Accuracy(0.1, 1.0), sentinels=frozenset({0x7FFF}), possible_low=-270.0) for n in names)
    return DeviceSpec(name, "thermometer", "bus", period_s, channels, limits=limits or {})


@dataclass
class Source:
    """``emf_v`` behind ``ohm``; slow noise of deviation ``slow_v`` correlated over ``slow_s``; ``drift_v_per_s``. ``state``: on, off, or a
    current limit ``limit_a``."""

    emf_v: float = 24.0
    ohm: float = 0.02
    slow_v: float = 0.0003
    slow_s: float = 5.0
    drift_v_per_s: float = 0.0
    is_on: bool = True
    limit_a: float = math.inf
    wander_v: float = 0.0
    sag: Callable[[float], float] | None = None

    def open_v(self, t_s: float) -> float:
        """Open-circuit voltage now."""
        if not self.is_on:
            return 0.0
        return self.emf_v + self.wander_v + self.drift_v_per_s * t_s - (self.sag(t_s) if self.sag else 0.0)


@dataclass
class Load:
    """One load; ``sense_ok`` False: the lead is off. ``lead_ok`` False: the power lead is off. ``noise``: counts."""

    spec: DeviceSpec
    mode: str = "CC"
    level: float = 5.0
    input_on: bool = True
    path_ohm: float = 0.012
    sense_ok: bool = True
    lead_ok: bool = True
    protection: int = 0
    heatsink_c: float = 40.0
    noise: float = 0.6
    gain_error: float = 0.0
    answers: bool = True

    @property
    def conducts(self) -> bool:
        """Current may flow."""
        return self.input_on and self.lead_ok

    def current(self, terminal_v: float) -> float:
        """What it draws from a source at this voltage."""
        if not self.conducts or terminal_v <= 0.0:
            return 0.0
        path = 0.0 if self.senses_remote else self.path_ohm
        most = terminal_v / (self.path_ohm + 0.02)
        if self.mode == "CC":
            wanted = self.level
        elif self.mode == "CR":
            wanted = terminal_v / (self.level + path)
        elif self.mode == "CV":
            wanted = max(terminal_v - self.level, 0.0) / max(path, 1e-4)
        else:
            root = terminal_v**2 - 4.0 * path * self.level
            wanted = math.inf if root < 0 else 2.0 * self.level / (terminal_v + math.sqrt(root))
        return min(wanted, most)

    @property
    def senses_remote(self) -> bool:
        """Voltage is taken at the source."""
        return self.spec.sense == "remote" and self.sense_ok


@dataclass
class Bench:
    """A source with what hangs on it; `run` polls every device at its period and plays ``timetable``."""

    rnd: random.Random
    source: Source = field(default_factory=Source)
    loads: list[Load] = field(default_factory=list)
    meters: list[DeviceSpec] = field(default_factory=list)
    jitter_s: float = 0.001
    half_width_s: float = 0.004
    t_s: float = 0.0
    _timetable: list[tuple[float, int, Callable[[], None]]] = field(default_factory=list)
    _polls: dict[str, int] = field(default_factory=dict)
    _wander_t_s: float = 0.0

    def at(self, t_s: float, action: Callable[[], object]) -> None:
        """Do something at that time."""
        heapq.heappush(self._timetable, (t_s, len(self._timetable), action))  # type: ignore[arg-type]

    @property
    def specs(self) -> list[DeviceSpec]:
        """All devices."""
        return [load.spec for load in self.loads] + self.meters

    def run(self, until_s: float) -> Iterator[Reading | PollFailure]:
        """Readings of all devices in the order of their times."""
        due = [(self.t_s + 0.013 * n, n) for n in range(len(self.specs))]
        heapq.heapify(due)
        while due[0][0] < until_s:
            t_s, n = heapq.heappop(due)
            spec = self.specs[n]
            heapq.heappush(due, (t_s + spec.period_s, n))
            poll_t_s = t_s + self.rnd.uniform(0.0, self.jitter_s)
            while self._timetable and self._timetable[0][0] <= poll_t_s:
                heapq.heappop(self._timetable)[2]()
            self.t_s = poll_t_s
            yield self._poll(spec, poll_t_s)

    def solve(self, t_s: float) -> tuple[float, list[float]]:
        """Terminal voltage of the source and the currents."""
        source = self.source
        if t_s > self._wander_t_s and source.slow_v > 0.0:
            keep = math.exp(-(t_s - self._wander_t_s) / source.slow_s)
            source.wander_v = keep * source.wander_v + source.slow_v * math.sqrt(1 - keep**2) * self.rnd.gauss(0, 1)
            self._wander_t_s = t_s
        open_v = source.open_v(t_s)
        if all(load.mode == "CC" or not load.conducts for load in self.loads):
            v = open_v - source.ohm * sum(load.current(open_v) for load in self.loads)
            if v > 1.0 and sum(load.current(v) for load in self.loads) <= source.limit_a:
                return v, [load.current(v) for load in self.loads]
        low, high = 0.0, max(open_v, 0.0)
        for _ in range(50):
            v = 0.5 * (low + high)
            drawn = sum(load.current(v) for load in self.loads)
            if drawn > min(source.limit_a, (open_v - v) / source.ohm):
                high = v
            else:
                low = v
        return low, [load.current(low) for load in self.loads]

    def _poll(self, spec: DeviceSpec, t_s: float) -> Reading | PollFailure:
        n = self._polls.get(spec.name, 0)
        self._polls[spec.name] = n + 1
        t_ns = T0_NS + round(t_s * 1e9)
        stamp = Stamp(t_ns, round(self.half_width_s * 1e9))
        terminal_v, currents = self.solve(t_s)
        load = next((x for x in self.loads if x.spec.name == spec.name), None)
        if load is None:
            return Reading(spec.name, stamp, {"voltage_v": self._count(spec.channels[0], terminal_v, 0.5)})
        if not load.answers:
            return PollFailure(spec.name, stamp, FailureCause.TIMEOUT, "no reply")
        current = currents[self.loads.index(load)]
        return Reading(spec.name, stamp, self._load_counts(load, terminal_v, current, n))

    def _load_counts(self, load: Load, terminal_v: float, current: float, n: int) -> dict[str, int | None]:
        own_v = terminal_v - current * load.path_ohm if load.lead_ok else 0.0
        voltage = terminal_v if load.senses_remote else own_v
        voltage *= 1.0 + load.gain_error
        truth = {
            "voltage_v": voltage, "current_a": current, "power_w": voltage * current, "temperature_c": load.heatsink_c,
            "setpoint": load.level, "input_on": int(load.input_on), "mode": list(MODES.values()).index(load.mode), "protection":
            load.protection,
        }  # fmt: skip
        counts: dict[str, int | None] = {}
        for channel in load.spec.channels:
            if n % channel.every == 0:
                value = truth[channel.name]
                noisy = channel.kind == "number" and channel.name != "setpoint"
                counts[channel.name] = self._count(channel, value, load.noise) if noisy else channel.scale.count(value)
        return counts

    def _count(self, channel: ChannelSpec, value: float, noise: float) -> int:
        if channel.name == "current_a" and value <= 0.0:
            return 0
        return round(value / channel.scale.step + self.rnd.gauss(0.0, noise))


@dataclass
class Record:
    """What a run of a bench gave."""

    samples: list[Sample] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    readings: list[Reading | PollFailure] = field(default_factory=list)

    def raised(self, *kinds: str) -> list[Event]:
        """The first state of each event of these kinds; all kinds when none is given."""
        first: dict[int, Event] = {}
        for event in self.events:
            if not kinds or event.kind in kinds:
                first.setdefault(event.id, event)
        return list(first.values())

    def last(self, kind: str) -> Event:
        """The last state of the last event of that kind."""
        return [e for e in self.events if e.kind == kind][-1]


def record(bench: Bench, until_s: float, pipeline: Pipeline | None = None) -> Record:
    """Feed a pipeline; nothing is kept of the samples but the list."""
    pipeline = pipeline or Pipeline(bench.specs, next_seq=1, next_event_id=1)
    out = Record()
    for item in bench.run(until_s):
        sample, events = pipeline.feed(item)
        out.readings.append(item)
        out.samples.append(sample)
        out.events.extend(events)
    return out


def at_s(t_utc_ns: int) -> float:
    """Bench time of a stamp."""
    return (t_utc_ns - T0_NS) / 1e9


def covers(event: Event, t_s: float) -> bool:
    """The onset interval contains that bench time."""
    return at_s(event.onset.earliest_utc_ns) <= t_s <= at_s(event.onset.latest_utc_ns)


def with_limits(spec: DeviceSpec, **limits: LimitSpec) -> DeviceSpec:
    """The device with these limits by channel."""
    return replace(spec, limits=limits)
