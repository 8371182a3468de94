"""A station: one source with every load connected to it; its circuit solved and its heat advanced step by step. Pure.

Quantities between two steps follow at once from the circuit (no memory): a lead that falls off shows in the very next reading. Heat,
charge and the source's state move only at the steps of a fixed grid, so that they do not depend on when anybody looks.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from loadlog.sim import noise
from loadlog.sim.battery import Battery
from loadlog.sim.circuit import Branch, Mode, OperatingPoint, solve
from loadlog.sim.conductors import Path, PathForm
from loadlog.sim.instruments import CURRENT, HEATSINK, POWER, VOLTAGE, Channel, LoadFront, Ratings
from loadlog.sim.scenario import LoadConfig
from loadlog.sim.supply import Supply
from loadlog.sim.thermal import Heatsink, HeatsinkForm

Source = Supply | Battery


@dataclass(frozen=True, slots=True)
class LoadState:
    """What is true at a load at one instant. ``sensed_v``: where it measures."""

    terminal_v: float
    sensed_v: float
    current_a: float
    path_ohm: float
    heatsink_c: float
    fan_rpm: float

    @property
    def power_w(self) -> float:
        """What the load reports: sensed voltage times current."""
        return self.sensed_v * self.current_a

    @property
    def dissipation_w(self) -> float:
        """What heats the load."""
        return self.terminal_v * self.current_a


class LoadUnit:
    """One load: front, path, heatsink, and the errors of its readings."""

    def __init__(self, config: LoadConfig, seed: int) -> None:
        def key(what: str) -> int:
            return noise.key_of(seed, config.name, what)

        self.config = config
        remote = config.sense == "remote"
        self.front = LoadFront(
            Mode(config.mode), config.setpoint, config.input_on, remote, config.undervoltage_stop_v, key("setpoint"), Ratings()
        )
        self.path = Path(PathForm(**config.path.model_dump()))
        self.heatsink = Heatsink(HeatsinkForm(**config.heatsink.model_dump()))
        self.voltage = Channel(VOLTAGE, key("voltage"))
        self.current = Channel(CURRENT, key("current"))
        self.power = Channel(POWER, key("power"))
        self.temperature = Channel(HEATSINK, key("temperature"))
        self.fan_key = key("fan")
        self.sense_lead_on = remote
        self.reversed = False

    @property
    def name(self) -> str:
        """Name in the scenario."""
        return self.config.name

    @property
    def senses_remotely(self) -> bool:
        """Switched to remote sense and the sense leads are on; the load itself knows only the switch."""
        return self.front.remote and self.sense_lead_on

    def branch(self, ambient_c: float) -> Branch:
        """This load as the circuit sees it."""
        conducts = self.front.conducts and self.path.closed and not self.reversed
        return Branch(self.front.mode, self.front.real_level, self.path.ohm(ambient_c), self.senses_remotely, conducts)

    def state(self, source_v: float, current_a: float, ambient_c: float) -> LoadState:
        """What is true here when the source holds ``source_v``."""
        path_ohm = self.path.ohm(ambient_c)
        terminal_v = source_v - current_a * path_ohm if self.path.closed else 0.0
        sensed_v = source_v if self.senses_remotely else terminal_v
        sign = -1.0 if self.reversed else 1.0
        heatsink_c = ambient_c + self.heatsink.rise_k
        return LoadState(sign * terminal_v, sign * sensed_v, current_a, path_ohm, heatsink_c, self.heatsink.fan_rpm)


class Station:
    """``source`` with its ``loads``. `solve_now` must be called after every change; `step` does it by itself."""

    def __init__(self, name: str, source: Source, loads: Sequence[LoadUnit]) -> None:
        self.name = name
        self.source = source
        self.loads = tuple(loads)
        self.point = OperatingPoint(0.0, (0.0,) * len(self.loads), False)

    def solve_now(self, ambient_c: float) -> None:
        """Bring the operating point up to date."""
        branches = [load.branch(ambient_c) for load in self.loads]
        self.point = solve(self.source.line(ambient_c), branches, self.source.limited)
        self.source.limited = self.point.limited

    def state_of(self, load: LoadUnit, ambient_c: float) -> LoadState:
        """What is true at one of the loads."""
        return load.state(self.point.terminal_v, self.point.currents_a[self.loads.index(load)], ambient_c)

    def step(self, ambient_c: float, dt_s: float, index: int) -> list[tuple[str, str]]:
        """Advance by one step of the grid; returns what happened by itself as (what, to whom)."""
        happened: list[tuple[str, str]] = []
        for load in self.loads:
            now = self.state_of(load, ambient_c)
            load.front.count(max(0.0, now.sensed_v), now.current_a, dt_s)
            load.path.step(now.current_a, ambient_c, dt_s)
            load.heatsink.step(max(0.0, now.dissipation_w), dt_s)
            happened += [(name, load.name) for name in load.front.watch(now.sensed_v, now.current_a, now.heatsink_c)]
        self.source.step(self.point.terminal_v, self.point.current_a, ambient_c, dt_s, index)
        was_limited = self.source.limited
        self.solve_now(ambient_c)
        if self.source.limited != was_limited:
            happened.append(("source_limited" if self.source.limited else "source_regulates", self.name))
        return happened
