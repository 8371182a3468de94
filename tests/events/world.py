"""A drawn bench in virtual time: physics and faults are those of `loadlog.sim`; instruments read it with errors, noise and rounding;
what they read passes the real validators and detectors. No wire, no threads, so hours pass in seconds.

Invariants: everything drawn comes from one `random.Random`; an order of ours reaches the bench and the pipeline, a fault only the bench.
"""

from __future__ import annotations

import heapq
import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field

from loadlog.model.clock import ClockStep
from loadlog.model.device import ChannelSpec, DeviceSpec, LimitSpec
from loadlog.model.event import Event
from loadlog.model.quantity import Accuracy
from loadlog.model.sample import FailureCause, PollFailure, Reading, Sample, Stamp
from loadlog.pipeline import Pipeline
from loadlog.sim.bench import Bench
from loadlog.sim.circuit import Mode
from loadlog.sim.scenario import Scenario
from loadlog.sim.timetable import Fault
from tests.checklists.traces import MODES, PROTECTIONS, T0_NS, load_spec, meter_spec, number, supply_spec

ERROR_SHARE = 0.6  # of the accuracy specification, for the drawn gain and offset
MODE_NUMBERS = {name: n for n, name in MODES.items()}
BITS = {name: bit for bit, name in PROTECTIONS.items()}
SLOWEST_STEP_S = 1.0
MEASURED = ("voltage_v", "current_a", "power_w", "temperature_c", "ambient_c")


@dataclass
class Setting:
    """What stands on the bench. ``noise``, ``slow_noise`` in counts: white, and autocorrelated over ``slow_samples``. ``second``: another
    load on the same source. ``late_share``: share of polls that come late. ``renewed_s``: a load renews its readings so often, 0 at every
    poll; ``mean_s``: it shows means of so long; ``late_report``: it reports set-point, mode and input as they were a poll ago;
    ``converter``: it tells only every so many counts apart."""

    rate_hz: float = 10.0
    coarse: bool = False
    mode: str = "CC"
    level: float = 5.0
    second_level: float = 3.0
    remote: bool = True
    path_ohm: float = 0.012
    path_known: bool = True
    configured_ohm: float | None = None  # where the configuration says another path than there is
    status: bool = True
    slow_channels: int = 5
    status_every: int = 1  # input, mode and protection, in polls
    noise: float = 0.6
    slow_noise: float = 0.0
    slow_samples: float = 10.0
    source: str = "supply"
    emf_v: float = 24.0
    output_ohm: float = 0.01
    source_noise_v: float = 0.0002
    limit_a: float = 30.0
    overload: str = "constant_current"
    soc: float = 0.9
    capacity_ah: float = 20.0
    undervoltage_v: float = 0.0
    source_told: bool = False  # the configuration says what feeds the load
    cutoff_v: float | None = None  # as configured
    voltage_limits: dict[str, float] = field(default_factory=dict)  # configured, as of `LimitSpec`
    meter: bool = False
    polled: bool = False  # the supply is a device of the group: its own voltage, current and mode are read
    second: bool = False
    ambient: bool = False
    late_share: float = 0.0
    renewed_s: float = 0.0
    mean_s: float = 0.0
    converter: int = 1
    late_report: bool = False
    temperature_limit_c: float | None = None
    heatsink: dict[str, float] = field(default_factory=dict)
    fine_physics: bool = False

    @property
    def period_s(self) -> float:
        """Poll period."""
        return 1.0 / self.rate_hz

    @property
    def count_v(self) -> float:
        """One count of voltage, and of current."""
        return 0.01 if self.coarse else 0.001

    @property
    def sigma_v(self) -> float:
        """Standard deviation of one voltage reading at rest: noise, rounding and the source's own noise."""
        return math.hypot(self._counts * self.count_v, self.source_noise_v)

    @property
    def sigma_in_cv(self) -> float:
        """The same of one current reading in CV, where the source's noise makes current through its resistance."""
        return math.hypot(self._counts * self.count_v, self.source_noise_v / self.output_ohm)

    @property
    def _counts(self) -> float:
        return math.sqrt(self.noise**2 + self.slow_noise**2 + 1.0 / 12.0)


class Noise:
    """White plus first-order autoregressive noise in counts."""

    def __init__(self, rnd: random.Random, white: float, slow: float, samples: float) -> None:
        self._rnd = rnd
        self._white, self._slow = white, slow
        self._keep = math.exp(-1.0 / samples)
        self._state = slow * rnd.gauss(0.0, 1.0)
        self.factor = 1.0

    def draw(self) -> float:
        """The next deviation."""
        if self._slow:
            self._state = self._keep * self._state + self._slow * math.sqrt(1.0 - self._keep**2) * self._rnd.gauss(0.0, 1.0)
        return self.factor * (self._white * self._rnd.gauss(0.0, 1.0) + self._state)


class Instrument:
    """One measured channel: gain and offset within the specification, means over ``mean_s``, noise, rounding to ``converter`` counts,
    renewed every ``renewed_s``, ``ahead_s`` before its whole multiples."""

    def __init__(
        self, rnd: random.Random, spec: ChannelSpec, noise: Noise, renewed_s: float = 0.0, mean_s: float = 0.0, ahead_s: float = 0.0,
        converter: int = 1,
    ) -> None:  # fmt: skip
        accuracy = spec.accuracy or Accuracy(0.0, 0.0)
        self.gain = rnd.uniform(-1.0, 1.0) * ERROR_SHARE * accuracy.percent_of_reading / 100.0
        self.offset = rnd.uniform(-1.0, 1.0) * ERROR_SHARE * accuracy.absolute
        self.noise = noise
        self._step, self._converter = spec.scale.step, converter
        self.frozen: int | None = None
        self.last = 0
        self._renewed_s, self._mean_s, self._ahead_s = renewed_s, mean_s, ahead_s
        self._renewal: float | None = None
        self._mean, self._read_s = 0.0, -math.inf

    def read(self, true: float, now_s: float) -> int:
        """The reading in counts at that bench time."""
        if self._renewed_s:
            renewal = (now_s + self._ahead_s) // self._renewed_s
            if self._renewal == renewal:
                return self.last
            self._renewal = renewal
        if self._mean_s:
            true = self._mean = true + (self._mean - true) * math.exp(-(now_s - self._read_s) / self._mean_s)
            self._read_s = now_s
        if self.frozen is None:
            value = true * (1.0 + self.gain) + (self.offset if true else 0.0)
            self.last = self._converter * round((value / self._step + self.noise.draw()) / self._converter)
        return self.last


@dataclass
class Seen:
    """One sample as the judge needs it."""

    t_s: float
    end_utc_ns: int
    voltage_v: float | None


@dataclass
class Trace:
    """What a run gave. ``quiet_until_s``: bench time before which nothing happened."""

    seen: dict[str, list[Seen]] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    samples: int = 0

    def raised(self) -> list[Event]:
        """First state of every event."""
        first: dict[int, Event] = {}
        for event in self.events:
            first.setdefault(event.id, event)
        return list(first.values())

    def last(self, event_id: int) -> Event:
        """Last state of an event."""
        return [e for e in self.events if e.id == event_id][-1]


class World:
    """A bench with its timetable; `at` enters an action, `fault` a fault, `order` an order of ours; `run` plays."""

    def __init__(self, rnd: random.Random, setting: Setting) -> None:
        self.rnd, self.setting = rnd, setting
        step_s = min(setting.period_s, 0.02 if setting.fine_physics else SLOWEST_STEP_S)
        self.bench = Bench(_scenario(setting), rnd, step_ns=round(step_s * 1e9))
        self.specs = _specs(setting)
        self.pipeline = Pipeline(self.specs, next_seq=1, next_event_id=1)
        self._ahead_s = {spec.name: rnd.uniform(0.0, setting.renewed_s) for spec in self.specs if setting.renewed_s}
        self.instruments = {
            (spec.name, channel.name): Instrument(rnd, channel, self._noise(spec, channel), *self._lag(spec, channel))
            for spec in self.specs
            for channel in spec.channels
            if channel.name in MEASURED
        }
        self.silent: set[str] = set()
        self.void: set[tuple[str, str]] = set()
        self.replaced: dict[tuple[str, str], float] = {}
        self.texts: dict[str, dict[str, str]] = {}  # identity, of devices that are asked for it
        self.once: dict[tuple[str, str], float] = {}  # the next reading only: a late poll and the one after it can lie within one period
        self.paused = False
        self.clock_ns = 0
        self.trace = Trace({spec.name: [] for spec in self.specs})
        self._polls = dict.fromkeys((spec.name for spec in self.specs), 0)
        self._reports: dict[str, dict[str, float]] = {}  # status and set-point as they were at the last poll
        self._actions: list[tuple[float, int, Callable[[], object]]] = []

    def _noise(self, spec: DeviceSpec, channel: ChannelSpec) -> Noise:
        setting = self.setting
        if spec.role in ("meter", "supply"):
            return Noise(self.rnd, 0.7, 0.0, 1.0)
        if channel.name in ("temperature_c", "ambient_c"):
            return Noise(self.rnd, 0.4, 0.0, 1.0)
        return Noise(self.rnd, setting.noise, setting.slow_noise, setting.slow_samples)

    def _lag(self, spec: DeviceSpec, channel: ChannelSpec) -> tuple[float, float, float, int]:
        if spec.role != "load" or channel.name not in ("voltage_v", "current_a", "power_w"):
            return 0.0, 0.0, 0.0, 1
        setting = self.setting
        return setting.renewed_s, setting.mean_s, self._ahead_s.get(spec.name, 0.0), 1 if channel.name == "power_w" else setting.converter

    # -- what happens -------------------------------------------------------------------------------------------------

    @property
    def now_s(self) -> float:
        """Bench time."""
        return self.bench.now_ns / 1e9

    def at(self, t_s: float, action: Callable[[], object]) -> None:
        """Do something at that bench time."""
        heapq.heappush(self._actions, (t_s, len(self._actions) + 1_000_000 * int(t_s), action))

    def fault(self, t_s: float, name: str, target: str = "load-1", for_s: float | None = None, **params: float | str) -> None:
        """A fault of the simulator; parameters that are not given take their defaults."""
        checked = self.bench.scenario.checked_fault(name, target, for_s is not None, dict(params), "suite")
        fault = Fault(name, target, checked, None if for_s is None else round(for_s * 1e9))
        self.at(t_s, lambda: self.bench.schedule(fault))

    def order(self, t_s: float, channel: str, value: float, device: str = "load-1") -> None:
        """An order of ours at that bench time; ``mode`` by its number."""
        self.at(t_s, lambda: self._order(device, channel, value))

    def _order(self, device: str, channel: str, value: float) -> None:
        front = self.bench.loads[device].front
        if channel == "setpoint":
            front.order_level(value)
        elif channel == "mode":
            front.order_mode(Mode(MODES[int(value)]))
        else:
            front.switch(bool(value))
        self.bench.refresh()
        self.pipeline.order(device, channel, float(value), self.utc_ns())

    def step_clock(self, step_s: float) -> None:
        """The system clock steps."""
        self.clock_ns += round(step_s * 1e9)
        self.trace.events += self.pipeline.clock_stepped(ClockStep(self.utc_ns(), round(step_s * 1e9)))

    def utc_ns(self, t_ns: int | None = None) -> int:
        """UTC of a bench time by the clock in force."""
        return T0_NS + self.clock_ns + (self.bench.now_ns if t_ns is None else t_ns)

    def measured_by(self, device: str) -> Noise:
        """The noise of a device's voltage."""
        return self.instruments[device, "voltage_v"].noise

    # -- polls --------------------------------------------------------------------------------------------------------

    def run(self, until_s: float) -> Trace:
        """Poll every device at its period until then."""
        due = [(0.1 + 0.017 * n, n) for n in range(len(self.specs))]
        heapq.heapify(due)
        while due[0][0] < until_s:
            t_s, n = heapq.heappop(due)
            spec = self.specs[n]
            heapq.heappush(due, (t_s + spec.period_s, n))
            late_s = self.rnd.uniform(0.3, 0.9) * spec.period_s if self.rnd.random() < self.setting.late_share else 0.0
            self._go_to(t_s + late_s + self.rnd.uniform(0.0, 0.02) * spec.period_s)
            if not self.paused:
                self._feed(spec, late_s)
        return self.trace

    def _go_to(self, t_s: float) -> None:
        while self._actions and self._actions[0][0] <= t_s:
            at_s, _, action = heapq.heappop(self._actions)
            self.bench.advance_to(round(at_s * 1e9))
            action()
            self.bench.advance_to(self.bench.now_ns)
        self.bench.advance_to(round(t_s * 1e9))

    def _feed(self, spec: DeviceSpec, late_s: float) -> None:
        half_s = min(0.004, 0.1 * spec.period_s)
        stamp = Stamp(self.utc_ns(), round(half_s * 1e9), self.bench.now_ns, late_s)
        item: Reading | PollFailure
        if spec.name in self.silent:
            item = PollFailure(spec.name, stamp, FailureCause.TIMEOUT, "no reply")
        else:
            item = Reading(spec.name, stamp, self._counts(spec), texts=self.texts.get(spec.name, {}))
        sample, events = self.pipeline.feed(item)
        self.remember(sample, events)

    def remember(self, sample: Sample, events: list[Event]) -> None:
        """Keep what the judge needs; studies put themselves in between."""
        self.trace.events += events
        self.trace.samples += 1
        end_ns = sample.stamp.t_utc_ns + sample.stamp.half_width_ns
        self.trace.seen[sample.device].append(Seen(self.now_s, end_ns, sample.values.get("voltage_v")))

    def _counts(self, spec: DeviceSpec) -> dict[str, int | None]:
        n = self._polls[spec.name]
        self._polls[spec.name] = n + 1
        truth = self._truth(spec)
        counts: dict[str, int | None] = {}
        for channel in spec.channels:
            if n % channel.every:
                continue
            spot = (spec.name, channel.name)
            value = self.once.pop(spot, self.replaced.get(spot, truth[channel.name]))
            if spot in self.void:
                counts[channel.name] = None
            elif spot in self.instruments:
                counts[channel.name] = self.instruments[spot].read(value, self.now_s)
            else:
                counts[channel.name] = round(value / channel.scale.step)
        return counts

    def _truth(self, spec: DeviceSpec) -> dict[str, float]:
        if spec.role == "meter":
            return {"voltage_v": self.bench.stations["source"].point.terminal_v}
        if spec.role == "supply":
            point = self.bench.stations["source"].point
            return {"voltage_v": point.terminal_v, "current_a": point.current_a, "mode": float(point.limited)}
        if spec.role == "thermometer":
            return {"ambient_c": self.bench.ambient_c}
        front, state = self.bench.loads[spec.name].front, self.bench.state_of(spec.name)
        report = {
            "setpoint": front.level, "input_on": float(front.input_on), "mode": float(MODE_NUMBERS[front.mode.value]),
            "protection": float(sum(1 << BITS[name] for name in front.latched)),
        }  # fmt: skip
        if self.setting.late_report:
            before, self._reports[spec.name] = self._reports.get(spec.name, report), report
            report = before
        measured = {
            "voltage_v": state.sensed_v, "current_a": state.current_a, "power_w": state.power_w, "temperature_c": state.heatsink_c,
        }  # fmt: skip
        return {**measured, **report}


def _scenario(setting: Setting) -> Scenario:
    path = {"lead_ohm": 0.8 * setting.path_ohm, "contact_ohm": 0.2 * setting.path_ohm}
    sense = "remote" if setting.remote else "local"
    common = {"source": "source", "sense": sense, "path": path, "heatsink": setting.heatsink}
    loads = [{"name": "load-1", "mode": setting.mode, "setpoint": setting.level, "undervoltage_stop_v": setting.undervoltage_v, **common}]
    if setting.second:
        loads.append({"name": "load-2", "mode": "CC", "setpoint": setting.second_level, **common})
    data: dict[str, object] = {
        "bench": {"name": "suite"}, "load": loads, "line": [{"name": "l", "kind": "modbus-rtu", "units": {1: "load-1"}}],
    }  # fmt: skip
    if setting.source == "supply":
        data["supply"] = [
            {"name": "source", "voltage_v": setting.emf_v, "output_ohm": setting.output_ohm, "current_limit_a": setting.limit_a,
             "overload": setting.overload, "slow_noise_v": setting.source_noise_v}
        ]  # fmt: skip
    else:
        data["battery"] = [{"name": "source", "soc": setting.soc, "capacity_ah": setting.capacity_ah}]
    return Scenario.model_validate(data)


def _specs(setting: Setting) -> list[DeviceSpec]:
    limits = {"voltage_v": LimitSpec(**setting.voltage_limits)} if setting.voltage_limits else {}
    if setting.temperature_limit_c is not None:
        limits["temperature_c"] = LimitSpec(high=setting.temperature_limit_c, deadband=1.0)  # its noise
    specs = [
        load_spec(
            f"load-{n}", period_s=setting.period_s, step="0.01" if setting.coarse else "0.001", slow=setting.slow_channels, group="g",
            source=setting.source if setting.source_told else "", cutoff_v=setting.cutoff_v, status=setting.status,
            status_every=setting.status_every,
            sense="remote" if setting.remote else "local", limits=limits,
            path_resistance_ohm=(setting.configured_ohm or setting.path_ohm) if setting.remote and setting.path_known else None,
        )
        for n in range(1, 3 if setting.second else 2)
    ]  # fmt: skip
    if setting.meter:
        specs.append(meter_spec(period_s=max(0.2, setting.period_s)))
    if setting.polled:
        specs.append(supply_spec(period_s=max(0.2, setting.period_s)))
    if setting.ambient:
        channel = number("ambient_c", "°C", "0.1", Accuracy(0.1, 1.0), possible_low=-270.0)
        specs.append(DeviceSpec("room", "thermometer", "bus", 2.0, (channel,), group="g"))
    return specs
