"""The simulated bench polled in process and in bench time: shipped profiles decode what the simulator's maps answer; the pipeline judges
it.

No wire, no threads, so hours pass in seconds. `acquisition` and `bus` are tested elsewhere.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Iterator

from loadlog.config import DeviceConfig
from loadlog.model.device import DeviceSpec
from loadlog.model.sample import PollFailure, Reading, Stamp
from loadlog.model.wire import ModbusRead, Reply, Request, ScpiQuery
from loadlog.pipeline import Pipeline
from loadlog.profiles import ReadPlan, device_spec, load_profile, shipped
from loadlog.sim.bench import Bench
from loadlog.sim.maps import LoadMap, ThermocoupleMap
from loadlog.sim.scenario import parse_scenario
from loadlog.sim.scpi import ScpiMeter
from loadlog.sim.timetable import Fault
from tests.checklists.traces import T0_NS, Record

PROFILES = {"load": "simulated-load", "thermometer": "simulated-thermocouples", "meter": "simulated-scpi-meter"}
STOCK = """
[bench]
name = "b"
[[supply]]
name = "psu"
voltage_v = 24.0
[[load]]
name = "load-1"
source = "psu"
setpoint = {level}
mode = "{mode}"
sense = "{sense}"
serial = 1
[[meter]]
name = "meter"
probes = "psu.terminals"
[[thermocouples]]
name = "case"
channels = ["psu.case", "load-1.outlet"]
[[line]]
name = "b"
kind = "modbus-rtu"
baudrate = 38400
units = {{ 1 = "load-1", 5 = "case" }}
"""


class SimulatedRun:
    """A scenario and the devices that poll it; `fault` puts something on the timetable, `run` feeds the pipeline until then."""

    def __init__(self, rnd: random.Random, scenario: str, devices: list[DeviceConfig]) -> None:
        self.rnd = rnd
        self.bench = Bench(parse_scenario(scenario, "scenario"), rnd)
        self.plans: dict[str, ReadPlan] = {}
        self.specs: list[DeviceSpec] = []
        for config in devices:
            profile = load_profile(shipped(PROFILES[config.role]), "shipped")
            self.plans[config.name] = ReadPlan.make(profile, None)
            self.specs.append(device_spec(config, profile))
        self.pipeline = Pipeline(self.specs, next_seq=1, next_event_id=1)
        self._models = {config.name: self._model(config) for config in devices}
        self._n = dict.fromkeys(self.plans, 0)
        self._due = [(0.1 + 0.017 * n, n) for n in range(len(devices))]

    def _model(self, config: DeviceConfig) -> LoadMap | ThermocoupleMap | ScpiMeter:
        bench, name = self.bench, config.name
        if config.role == "load":
            return LoadMap(bench, name)
        if config.role == "thermometer":
            return ThermocoupleMap(lambda channel: bench.thermocouple_counts(name, channel))
        return ScpiMeter(7001, lambda: bench.meter_counts(name))

    def fault(self, at_s: float, kind: str, target: str, for_s: float | None = None, **params: float | str) -> None:
        """At that bench time; parameters that are not given take their defaults."""
        checked = self.bench.scenario.checked_fault(kind, target, for_s is not None, dict(params), "test")
        now_ns = self.bench.now_ns
        self.bench.schedule(Fault(kind, target, checked, None if for_s is None else round(for_s * 1e9)), round(at_s * 1e9) - now_ns)

    def run(self, until_s: float) -> Record:
        """Samples and events until that bench time."""
        out = Record()
        for item in self._polls(until_s):
            sample, events = self.pipeline.feed(item)
            out.samples.append(sample)
            out.events.extend(events)
        return out

    def _polls(self, until_s: float) -> Iterator[Reading | PollFailure]:
        while self._due[0][0] < until_s:
            t_s, n = heapq.heappop(self._due)
            spec = self.specs[n]
            heapq.heappush(self._due, (t_s + spec.period_s, n))
            at_ns = round((t_s + self.rnd.uniform(0, 0.02 * spec.period_s)) * 1e9)
            self.bench.advance_to(at_ns)
            plan, count = self.plans[spec.name], self._n[spec.name]
            self._n[spec.name] = count + 1
            requests = plan.requests(count)
            decoded = plan.decode(count, [self._answer(spec.name, r, at_ns) for r in requests])
            yield Reading(spec.name, Stamp(T0_NS + at_ns, 4_000_000), decoded.counts, decoded.reasons)

    def _answer(self, device: str, request: Request, at_ns: int) -> Reply:
        model = self._models[device]
        if isinstance(request, ScpiQuery):
            assert isinstance(model, ScpiMeter)
            return Reply(request, (), model.message(request.text) or "", at_ns, at_ns)
        assert isinstance(request, ModbusRead)
        assert not isinstance(model, ScpiMeter)
        if request.function in (1, 2):
            return Reply(request, tuple(map(int, model.read_bits(request.function, request.address, request.count))), "", at_ns, at_ns)
        return Reply(request, tuple(model.read_words(request.function, request.address, request.count)), "", at_ns, at_ns)


def stock(rnd: random.Random, *, level: float = 5.0, mode: str = "CC", sense: str = "remote", path_ohm: float | None = 0.012,
          rate_hz: float = 10.0, meter: bool = False) -> SimulatedRun:  # fmt: skip
    """One load on a 24 V supply, on request with a meter at the source, and a thermocouple module."""
    load = DeviceConfig(
        name="load-1", role="load", bus="b", unit_id=1, profile="p", rate_hz=rate_hz, sense=sense, group="g",  # type: ignore[arg-type]
        path_resistance_ohm=path_ohm if sense == "remote" else None,
    )  # fmt: skip
    case = DeviceConfig(name="case", role="thermometer", bus="b", unit_id=5, profile="p", rate_hz=2.0)
    volts = DeviceConfig(name="meter", role="meter", bus="m", profile="p", rate_hz=2.0, group="g")
    return SimulatedRun(rnd, STOCK.format(level=level, mode=mode, sense=sense), [load, case, *([volts] if meter else [])])
