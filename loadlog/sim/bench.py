"""The simulated bench stepped in time: stations, sensors, timetable, and the record of what truly happened. Pure: no clock, no thread.

Bench time is integer nanoseconds from 0. Physics moves on a fixed grid; faults begin and end at their exact time in between. `advance`
may be called as often or as seldom as wanted: the same seed and timetable give the same bench bit for bit, whoever looks at it and when.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from loadlog.model.clock import NS
from loadlog.sim import noise
from loadlog.sim.battery import Battery, BatteryForm
from loadlog.sim.bench_faults import PhysicalFaults
from loadlog.sim.faults import FAULTS
from loadlog.sim.instruments import METER, THERMOCOUPLE, Channel
from loadlog.sim.noise import Chance
from loadlog.sim.scenario import Scenario, ThermocouplesConfig
from loadlog.sim.stations import LoadState, LoadUnit, Station
from loadlog.sim.supply import Supply, SupplyForm
from loadlog.sim.timetable import Fault, Timetable


@dataclass(frozen=True, slots=True)
class Truth:
    """Something that truly happened. ``phase``: ``begin`` or ``end`` of a fault, ``itself`` for what the physics did (a protection
    tripped, a source switched off). ``t_ns``: bench time."""

    t_ns: int
    what: str
    target: str
    phase: str
    params: Mapping[str, float | str] = field(default_factory=dict)


WireHandler = Callable[[Fault, bool], None]


class Bench:
    """``on_wire`` is called when a wire fault begins (True) or ends (False)."""

    def __init__(self, scenario: Scenario, rng: Chance, *, step_ns: int | None = None, on_wire: WireHandler | None = None) -> None:
        self.scenario = scenario
        self.seed = rng.getrandbits(64)
        self.ambient_c = scenario.bench.ambient_c
        self.now_ns = 0
        self._step_ns = step_ns or round(scenario.bench.step_s * NS)
        self._steps = 0
        self._on_wire = on_wire
        self._timetable = Timetable()
        self._repeat_ns = 0
        self._repeat_at_ns: int | None = None
        self.truth: list[Truth] = []
        self.loads = {c.name: LoadUnit(c, self.seed) for c in scenario.load}
        self.stations = self._stations()
        self._station_of = {load.name: station for station in self.stations.values() for load in station.loads}
        self._modules = {m.name: m for m in scenario.thermocouples}
        self._thermocouples = {
            (m.name, k): Channel(THERMOCOUPLE, noise.key_of(self.seed, m.name, str(k))) for m in scenario.thermocouples for k in range(5)
        }
        self._meters = {m.name: Channel(METER, noise.key_of(self.seed, m.name)) for m in scenario.meter}
        self.faults = PhysicalFaults(self)
        self.refresh()

    def _stations(self) -> dict[str, Station]:
        sources: dict[str, Supply | Battery] = {}
        for supply in self.scenario.supply:
            sources[supply.name] = Supply(SupplyForm(**supply.model_dump(exclude={"name"})), noise.key_of(self.seed, supply.name))
        for pack in self.scenario.battery:
            sources[pack.name] = Battery(BatteryForm(**pack.model_dump(exclude={"name"})))
        return {
            name: Station(name, source, [load for load in self.loads.values() if load.config.source == name])
            for name, source in sources.items()
        }

    # -- time ---------------------------------------------------------------------------------------------------------

    def start_timetable(self) -> None:
        """The scenario's timetable begins now."""
        self._repeat_ns = round(self.scenario.bench.repeat_s * NS)
        self._enter_scenario(self.now_ns)

    def _enter_scenario(self, from_ns: int) -> None:
        entries = []
        for entry in self.scenario.fault:
            params = self.scenario.checked_fault(
                entry.fault, entry.target, entry.for_s is not None, dict(entry.model_extra or {}), "scenario"
            )
            for_ns = None if entry.for_s is None else round(entry.for_s * NS)
            entries.append((round(entry.at_s * NS), Fault(entry.fault, entry.target, params, for_ns)))
        self._timetable.enter_all(entries, from_ns)
        self._repeat_at_ns = from_ns + self._repeat_ns if self._repeat_ns else None

    def schedule(self, fault: Fault, in_ns: int = 0) -> None:
        """Enter one fault, ``in_ns`` from now."""
        self._timetable.enter(self.now_ns + in_ns, fault)

    def advance(self, dt_s: float) -> None:
        """Move on by ``dt_s``."""
        self.advance_to(self.now_ns + round(dt_s * NS))

    def advance_to(self, t_ns: int) -> None:
        """Move on to bench time ``t_ns``; earlier times are ignored."""
        while True:
            if self._repeat_at_ns is not None and self._repeat_at_ns <= t_ns:
                self._enter_scenario(self._repeat_at_ns)
            grid_ns = (self._steps + 1) * self._step_ns
            due = self._timetable.pop_until(min(t_ns, grid_ns))
            if due is not None:
                self.now_ns = max(self.now_ns, due.at_ns)
                self.apply(due.fault, due.begins)
            elif grid_ns <= t_ns:
                self.now_ns = grid_ns
                self._step()
            else:
                break
        self.now_ns = max(self.now_ns, t_ns)

    def next_fault_ns(self) -> int | None:
        """When the timetable acts next, bench time."""
        times = [t for t in (self._timetable.next_ns(), self._repeat_at_ns) if t is not None]
        return min(times, default=None)

    def _step(self) -> None:
        self._steps += 1
        dt_s = self._step_ns / NS
        off_before = {name: station.source.off_because for name, station in self.stations.items()}
        self.faults.step(dt_s)
        for name, station in self.stations.items():
            happened = station.step(self.ambient_c, dt_s, self._steps)
            if station.source.off_because != off_before[name]:
                happened.append((f"source_{station.source.off_because or 'on'}", name))
            self.truth += [Truth(self.now_ns, what, target, "itself") for what, target in happened]

    def refresh(self) -> None:
        """Solve every circuit again, after a change."""
        for station in self.stations.values():
            station.solve_now(self.ambient_c)

    def apply(self, fault: Fault, begins: bool) -> None:
        """A fault begins or ends now."""
        self.truth.append(Truth(self.now_ns, fault.name, fault.target, "begin" if begins else "end", fault.params))
        if not FAULTS[fault.name].on_wire:
            self.faults.apply(fault, begins)
            self.refresh()
        elif self._on_wire is not None:
            self._on_wire(fault, begins)

    # -- what is true, and what instruments show ----------------------------------------------------------------------

    def state_of(self, load: str) -> LoadState:
        """What is true at a load now."""
        return self._station_of[load].state_of(self.loads[load], self.ambient_c)

    def station_of(self, load: str) -> Station:
        """The station a load stands on."""
        return self._station_of[load]

    @property
    def index(self) -> int:
        """Number of the present step; readings depend on it."""
        return self._steps

    def temperature_c(self, point: str) -> float | None:
        """True temperature at a point of the scenario; None where there is none."""
        if point == "open":
            return None
        owner, _, spot = point.rpartition(".")
        if point == "ambient":
            return self.ambient_c
        if spot == "case":
            return self.ambient_c + self.stations[owner].source.case_rise_k
        load = self.loads[owner]
        rises = {
            "heatsink": load.heatsink.rise_k,
            "outlet": load.heatsink.outlet_rise_k,
            "connector": load.path.contact_rise_k,
            "lead": load.path.lead_rise_k,
        }
        return self.ambient_c + rises[spot]

    def thermocouple_counts(self, module: str, channel: int) -> int | None:
        """Reading of channel 0 to 3 in 0.1 °C, 4 the cold junction; None while open or not fitted."""
        config: ThermocouplesConfig = self._modules[module]
        if channel == 4:
            return self._thermocouples[module, 4].read(self.ambient_c + 1.5, self.index)
        if channel >= len(config.channels) or (module, channel) in self.faults.open_thermocouples:
            return None
        true_c = self.temperature_c(config.channels[channel])
        return None if true_c is None else self._thermocouples[module, channel].read(true_c, self.index)

    def meter_counts(self, meter: str) -> int | None:
        """Reading of a meter in 0.1 mV; None with an open probe."""
        probes = next(m.probes for m in self.scenario.meter if m.name == meter)
        if probes == "open":
            return None
        owner = probes.rpartition(".")[0]
        true_v = self.stations[owner].point.terminal_v if owner in self.stations else self.state_of(owner).terminal_v
        return self._meters[meter].read(true_v, self.index)
