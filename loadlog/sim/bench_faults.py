"""What each physical fault does to the bench when it begins and when it ends. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from loadlog.sim.battery import Battery
from loadlog.sim.circuit import Mode
from loadlog.sim.supply import Supply
from loadlog.sim.timetable import Fault

if TYPE_CHECKING:
    from loadlog.sim.bench import Bench
    from loadlog.sim.stations import LoadUnit


_CYCLES_S = {"hiccup": (0.2, 1.2), "thermal_cycling": (60.0, 45.0)}  # on, off


@dataclass(slots=True)
class _Ramp:
    """A quantity that a fault moves to ``final`` within ``left_s``, e.g. a contact that grows worse."""

    final: float
    left_s: float
    now: float = 0.0

    def step(self, dt_s: float) -> None:
        if self.left_s > 0.0:
            self.now += (self.final - self.now) * min(1.0, dt_s / self.left_s)
            self.left_s -= dt_s
        if self.left_s <= 1e-9:
            self.now, self.left_s = self.final, 0.0


@dataclass(slots=True)
class _Cycle:
    """A supply that switches itself off and on without end: hiccup in fractions of a second, thermal cycling in minutes."""

    because: str
    on_s: float
    off_s: float
    left_s: float = 0.0

    def begin(self, supply: Supply) -> None:
        supply.switch_off(self.because, math.inf)
        self.left_s = self.off_s

    def step(self, supply: Supply, dt_s: float) -> None:
        self.left_s -= dt_s
        if self.left_s > 1e-9:
            return
        if supply.off_because:
            supply.switch_on()
            self.left_s = self.on_s
        else:
            self.begin(supply)


class PhysicalFaults:
    """Carries faults out on a bench. ``open_thermocouples``: (module, channel from 0)."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._contacts: dict[str, _Ramp] = {}
        self._blocked: dict[str, _Ramp] = {}
        self._droops: dict[str, _Ramp] = {}
        self._drifts: dict[str, float] = {}
        self._cycles: dict[str, _Cycle] = {}
        self.open_thermocouples: set[tuple[str, int]] = set()

    def apply(self, fault: Fault, begins: bool) -> None:
        """Begin or end ``fault``; an instantaneous one only begins."""
        getattr(self, f"_{fault.name}")(fault, begins)

    def step(self, dt_s: float) -> None:
        """Faults that take their time."""
        for name, ramp in self._contacts.items():
            ramp.step(dt_s)
            self._bench.loads[name].path.extra_contact_ohm = ramp.now
        for name, ramp in self._blocked.items():
            ramp.step(dt_s)
            self._bench.loads[name].heatsink.blocked_factor = 1.0 + ramp.now
        for name, ramp in self._droops.items():
            ramp.step(dt_s)
            self._supply(name).droop_v = ramp.now
        for name, volts_per_h in self._drifts.items():
            self._supply(name).drift_v += volts_per_h * dt_s / 3600.0
        for name, cycle in self._cycles.items():
            cycle.step(self._supply(name), dt_s)

    def _load(self, fault: Fault) -> LoadUnit:
        return self._bench.loads[fault.target]

    def _supply(self, name: str) -> Supply:
        source = self._bench.stations[name].source
        assert isinstance(source, Supply)  # the scenario has checked the target
        return source

    # -- loads and leads ----------------------------------------------------------------------------------------------

    def _sense_lead_off(self, fault: Fault, begins: bool) -> None:
        self._load(fault).sense_lead_on = not begins

    def _power_lead_off(self, fault: Fault, begins: bool) -> None:
        self._load(fault).path.closed = not begins

    def _knob(self, fault: Fault, begins: bool) -> None:
        del begins
        front = self._load(fault).front
        if "mode" in fault.params:
            front.turn_mode(Mode(str(fault.params["mode"])))
        front.turn_knob(float(fault.params["setpoint"]))

    def _input_off_by_hand(self, fault: Fault, begins: bool) -> None:
        self._load(fault).front.switch(not begins)

    def _input_on_by_hand(self, fault: Fault, begins: bool) -> None:
        del begins
        self._load(fault).front.switch(False)
        self._load(fault).front.switch(True)

    def _load_trip(self, fault: Fault, begins: bool) -> None:
        del begins
        self._load(fault).front.trip(str(fault.params["protection"]))

    def _reverse_polarity(self, fault: Fault, begins: bool) -> None:
        self._load(fault).reversed = begins

    def _fan_stop(self, fault: Fault, begins: bool) -> None:
        self._load(fault).heatsink.fan_runs = not begins

    def _regulation_error(self, fault: Fault, begins: bool) -> None:
        self._load(fault).front.regulation_error = float(fault.params["share"]) if begins else 0.0

    def _cooling_blocked(self, fault: Fault, begins: bool) -> None:
        ramp = self._blocked.setdefault(fault.target, _Ramp(0.0, 0.0))
        ramp.final = float(fault.params["factor"]) - 1.0 if begins else 0.0
        ramp.left_s = float(fault.params["over_s"]) if begins else 0.0

    def _contact_resistance(self, fault: Fault, begins: bool) -> None:
        ramp = self._contacts.setdefault(fault.target, _Ramp(0.0, 0.0))
        ramp.final = float(fault.params["ohm"]) if begins else 0.0
        ramp.left_s = float(fault.params["over_s"]) if begins else 0.0
        ramp.step(0.0)
        self._load(fault).path.extra_contact_ohm = ramp.now

    # -- sources ------------------------------------------------------------------------------------------------------

    def _supply_trip(self, fault: Fault, begins: bool) -> None:
        supply = self._supply(fault.target)
        form = str(fault.params["form"])
        if not begins:
            self._recover(fault.target, supply)
        elif form == "latch_off":
            supply.switch_off("latched")
        elif form == "dropout":
            supply.switch_off("dropout", float(fault.params.get("off_s", 0.4)))
        elif form in _CYCLES_S:
            on_s, off_s = _CYCLES_S[form]
            cycle = _Cycle(form, float(fault.params.get("on_s", on_s)), float(fault.params.get("off_s", off_s)))
            cycle.begin(supply)
            self._cycles[fault.target] = cycle
        else:
            supply.overload = "foldback" if form == "foldback" else "constant_current"
            present_a = self._bench.stations[fault.target].point.current_a
            supply.limit_a = float(fault.params.get("limit_a", 0.5 * present_a))

    def _recover(self, name: str, supply: Supply) -> None:
        self._cycles.pop(name, None)
        supply.overload, supply.limit_a, supply.limited = supply.form.overload, supply.form.current_limit_a, False
        if supply.off_because:
            supply.switch_on()

    def _supply_droop(self, fault: Fault, begins: bool) -> None:
        ramp = self._droops.setdefault(fault.target, _Ramp(0.0, 0.0))
        ramp.final = float(fault.params["volts"]) if begins else 0.0
        ramp.left_s = float(fault.params["over_s"]) if begins else 0.0
        ramp.step(0.0)
        self._supply(fault.target).droop_v = ramp.now

    def _supply_drift(self, fault: Fault, begins: bool) -> None:
        if begins:
            self._drifts[fault.target] = float(fault.params["volts_per_h"])
        else:
            self._drifts.pop(fault.target, None)

    def _supply_noise(self, fault: Fault, begins: bool) -> None:
        self._supply(fault.target).extra_noise_v = float(fault.params["volts"]) if begins else 0.0

    def _supply_hot(self, fault: Fault, begins: bool) -> None:
        del begins
        supply = self._supply(fault.target)
        supply.heat_to(supply.form.shutdown_c, self._bench.ambient_c)

    def _battery_renew(self, fault: Fault, begins: bool) -> None:
        del begins
        source = self._bench.stations[fault.target].source
        assert isinstance(source, Battery)  # the scenario has checked the target
        source.renew(float(fault.params["soc"]))

    # -- room and sensors ---------------------------------------------------------------------------------------------

    def _thermocouple_open(self, fault: Fault, begins: bool) -> None:
        spot = (fault.target, int(fault.params["channel"]) - 1)
        (self.open_thermocouples.add if begins else self.open_thermocouples.discard)(spot)

    def _ambient(self, fault: Fault, begins: bool) -> None:
        self._bench.ambient_c = float(fault.params["celsius"]) if begins else self._bench.scenario.bench.ambient_c
