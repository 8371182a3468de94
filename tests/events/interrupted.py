"""Faults at, in or next to what interrupts the readings: is each told once, with its cause, at a time that holds the truth?

The scenarios let each fault happen in undisturbed polls. Here polls are lost around it, the instrument is silent for five seconds to hours,
nobody polls, channels have no value, readings jump, polls are late, or the system clock steps (stamps come from `SteadyUtc`, as in the
recorder, and the monotonic clock goes on). Everything is drawn; nothing here looks at what detectors think.

Asked of each: told once under its cause (all of the possible ones named where the readings cannot tell them apart), the onset's interval
holds the truth, and nothing is told of the interruption but that it was one. *Nothing* happens in some, so nothing may be told.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from loadlog.acquisition.stamps import SteadyUtc
from loadlog.model.clock import ClockStep
from loadlog.model.event import Event
from tests.checklists.traces import PROTECTIONS, T0_NS
from tests.events.draw import at_step, draw, supply_with
from tests.events.figure import Figure, Study, at_least
from tests.events.judge import likeliest
from tests.events.score import grid
from tests.events.world import Setting, World

BEFORE, SURE_AFTER = 130, 70  # polls
SLOW_RATES = (0.5, 1.0, 2.0)
POSITIONS = ("before", "in", "after")
ALWAYS = frozenset({"communication_lost", "communication_restored", "clock_step", "sample_gap", "late_polls"})


class SteadyWorld(World):
    """A bench whose stamps are those of the recorder: they never run back when the system clock does."""

    def __init__(self, rnd: random.Random, setting: Setting) -> None:
        super().__init__(rnd, setting)
        self._steady = SteadyUtc(self)  # type: ignore[arg-type]  # asks `to_utc` of it, no more

    def to_utc(self, monotonic_ns: int) -> int:
        """By the system clock."""
        return T0_NS + self.clock_ns + monotonic_ns

    def utc_ns(self, t_ns: int | None = None) -> int:
        """As the recorder stamps."""
        return self._steady.to_utc(self.bench.now_ns if t_ns is None else t_ns)

    def step_clock(self, step_s: float) -> None:
        """The system clock steps."""
        self.clock_ns += round(step_s * 1e9)
        self.trace.events += self.pipeline.clock_stepped(ClockStep(self.utc_ns(), round(step_s * 1e9)))


@dataclass
class Trial:
    """One fault and one interruption. ``possible``: causes that the readings cannot tell apart; empty: nothing happens. ``truth_ns``: when,
    by the stamps' clock. ``instant``: its onset is one, and readings show it at once."""

    fault: str
    interruption: str
    seed: str
    setting: Setting
    possible: frozenset[str]
    beside: frozenset[str]
    instant: bool
    truth_ns: int = 0
    told: list[Event] = field(default_factory=list)  # last states of what was told of it
    extra: list[Event] = field(default_factory=list)

    @property
    def is_found(self) -> bool:
        """Something was told of it."""
        return bool(self.told)

    @property
    def cause_right(self) -> bool:
        """The stated cause is the true one, or all of the possible ones are named."""
        first = self.told[0]
        if len(self.possible) > 1:
            return self.possible <= {first.kind, *first.alternatives}
        return likeliest(first) in self.possible

    @property
    def covers(self) -> bool:
        """The onset's interval holds the truth."""
        onset = self.told[0].onset
        return not self.instant or onset.earliest_utc_ns <= self.truth_ns <= onset.latest_utc_ns

    @property
    def wrong(self) -> str:
        """What went wrong, empty when nothing did."""
        out = []
        if self.possible and not self.told:
            out.append("missed")
        if self.told and not self.cause_right:
            out.append(f"cause: told {self.told[0].kind} {self.told[0].confidence:.2f} {dict(self.told[0].alternatives)}")
        if self.told and not self.covers:
            onset = self.told[0].onset
            ends = ((t - self.truth_ns) / 1e9 for t in (onset.earliest_utc_ns, onset.latest_utc_ns))
            out.append("onset: {:+.3f} to {:+.3f} s".format(*ends))
        if len(self.told) > 1:
            out.append(f"told {len(self.told)} times")
        return "; ".join(out + [f"beside: {e.kind} at {e.device} {e.state} {e.message}" for e in self.extra])


@dataclass
class Fault:
    """``make`` draws the bench; ``act`` enters the fault and returns the kinds that tell it, one of which must be, or all be named."""

    make: Callable[[random.Random], Setting]
    act: Callable[[random.Random, World, float], frozenset[str]]
    beside: frozenset[str] = frozenset()
    instant: bool = True
    lasts_s: float = 0.0  # that it takes to show


def _sense(rnd: random.Random) -> Setting:
    setting = draw(rnd, mode="CC", remote=True, path_known=True, status=True, source="supply", second=False)
    return at_step(rnd, setting, rnd.uniform(10.0, 30.0))


def _off(rnd: random.Random, world: World, t_s: float) -> frozenset[str]:
    world.fault(t_s, "sense_lead_off")
    return frozenset({"sense_fallback"})


def _supply(rnd: random.Random) -> Setting:
    return draw(rnd, source="supply", remote=True, mode=rnd.choice(["CC", "CP", "CR"]), second=rnd.random() < 0.3)


def _trips(rnd: random.Random, world: World, t_s: float) -> frozenset[str]:
    world.fault(t_s, "supply_trip", "source", form=rnd.choice(["latch_off", "foldback", "current_limit"]))
    return frozenset({"supply_trip"})


def _load(rnd: random.Random) -> Setting:
    return draw(rnd, status=True, mode=rnd.choice(["CC", "CP", "CR"]), second=False)


def _protects(rnd: random.Random, world: World, t_s: float) -> frozenset[str]:
    world.fault(t_s, "load_trip", protection=rnd.choice([n for n in PROTECTIONS.values() if n.startswith("over_")]))
    return frozenset({"load_trip"})


def _opens(rnd: random.Random, world: World, t_s: float) -> frozenset[str]:
    world.fault(t_s, "power_lead_off")
    setting = world.setting
    return frozenset({"open_circuit"} if setting.remote or setting.meter else {"open_circuit", "supply_trip"})


def _turned(rnd: random.Random, world: World, t_s: float) -> frozenset[str]:
    world.fault(t_s, "knob", setpoint=round(world.setting.level * rnd.choice([0.7, 0.85, 1.1, 1.25]), 3))
    return frozenset({"setpoint_changed"})


def _contact(rnd: random.Random) -> Setting:
    setting = draw(rnd, rate_hz=rnd.choice(SLOW_RATES), coarse=False, mode="CC", source="supply", meter=True, remote=False, second=False)
    setting.level = min(rnd.uniform(4.0, 8.0), 120.0 / setting.emf_v)
    return setting


def _heats(rnd: random.Random, world: World, t_s: float) -> frozenset[str]:
    ohm = rnd.uniform(1.0, 3.0) * world.setting.path_ohm
    world.fault(t_s, "contact_resistance", ohm=ohm, over_s=rnd.uniform(120.0, 600.0))
    return frozenset({"contact_heating"})


def _climb(rnd: random.Random) -> Setting:
    setting = supply_with(rnd, mode="CC", rate_hz=rnd.choice([1.0, 2.0, 5.0]), slow_channels=1)
    setting.level = 6.0
    setting.temperature_limit_c = 23.0 + setting.level * setting.emf_v * 0.15 * rnd.uniform(0.6, 0.85)
    return setting


def _climbs(rnd: random.Random, world: World, t_s: float) -> frozenset[str]:
    return frozenset({"over_temperature"})


FAULTS: Mapping[str, Fault] = {
    "nothing": Fault(draw, lambda rnd, world, t_s: frozenset()),
    "sense fallback": Fault(_sense, _off),
    "supply trip": Fault(_supply, _trips, frozenset({"current_limit_entered", "limit"})),
    "load trip": Fault(_load, _protects, frozenset({"protection"})),
    "open circuit": Fault(lambda rnd: draw(rnd, status=True, second=False), _opens),
    "set-point turned": Fault(lambda rnd: draw(rnd, status=True, mode="CC", second=False), _turned),
    "set-point turned, not reported": Fault(lambda rnd: draw(rnd, status=False, mode="CC", second=False), _turned),
    "contact heats": Fault(_contact, _heats, frozenset({"drift"}), instant=False, lasts_s=1200.0),
    "temperature climbs": Fault(_climb, _climbs, frozenset({"temperature_rising", "limit"}), instant=False, lasts_s=900.0),
}  # fmt: skip


def _span(rnd: random.Random, setting: Setting, position: str, t_s: float, length_s: float) -> tuple[float, float]:
    """Begin and end of an interruption in which the fault lies so."""
    near_s = rnd.uniform(0.2, 3.2) * setting.period_s
    begin_s = t_s - {"before": -near_s, "after": length_s + near_s}.get(position, rnd.random() * length_s)
    return begin_s, begin_s + length_s


def _long(rnd: random.Random, setting: Setting) -> float:
    """Five seconds to two hours, as far as it can be played."""
    most_s = min(7200.0, 15_000 * setting.period_s)
    return max(math.exp(rnd.uniform(math.log(5.0), math.log(most_s))), 2.5 * setting.period_s)


def _silence(rnd: random.Random, world: World, span_s: tuple[float, float], t_s: float) -> float:
    begin_s, end_s = span_s
    for name in [spec.name for spec in world.specs if spec.role == "load"]:
        world.at(begin_s, lambda n=name: world.silent.add(n))  # type: ignore[misc]
        world.at(end_s, lambda n=name: world.silent.discard(n))  # type: ignore[misc]
    return end_s


def _pause(rnd: random.Random, world: World, span_s: tuple[float, float], t_s: float) -> float:
    begin_s, end_s = span_s
    world.at(begin_s, lambda: setattr(world, "paused", True))
    world.at(end_s, lambda: setattr(world, "paused", False))
    return end_s


def _valueless(rnd: random.Random, world: World, span_s: tuple[float, float], t_s: float) -> float:
    """Half of the polls around it give no voltage, no current, or neither."""
    for k in range(-8, 9):
        names = rnd.choice([(), (), (), ("voltage_v",), ("current_a",), ("voltage_v", "current_a")])
        world.at(t_s + k * world.setting.period_s, lambda n=names: _void(world, n))  # type: ignore[misc]
    end_s = t_s + 9 * world.setting.period_s
    world.at(end_s, lambda: _void(world, ()))
    return end_s


def _void(world: World, names: tuple[str, ...]) -> None:
    world.void = {("load-1", name) for name in names}


def _jumps(rnd: random.Random, world: World, span_s: tuple[float, float], t_s: float) -> float:
    """Single readings far off beside it."""
    for k in rnd.sample([-6, -5, -4, -3, -2, -1, 1, 2, 3, 4, 5, 6], 2):
        spot, value = ("load-1", rnd.choice(["voltage_v", "current_a"])), rnd.uniform(0.0, 40.0)
        world.at(t_s + k * world.setting.period_s, lambda s=spot, v=value: world.once.update({s: v}))  # type: ignore[misc]
    return t_s


def _late(rnd: random.Random, world: World, span_s: tuple[float, float], t_s: float) -> float:
    setting = world.setting
    world.at(t_s - 20 * setting.period_s, lambda: setattr(setting, "late_share", 0.7))
    world.at(t_s + 20 * setting.period_s, lambda: setattr(setting, "late_share", 0.0))
    return t_s


def _stepped(sign: float) -> Callable[[random.Random, World, tuple[float, float], float], float]:
    def enter(rnd: random.Random, world: World, span_s: tuple[float, float], t_s: float) -> float:
        step_s = sign * math.exp(rnd.uniform(math.log(0.1), math.log(7200.0)))
        world.at(t_s + rnd.uniform(-3.0, 3.0) * world.setting.period_s, lambda: world.step_clock(step_s))
        return t_s

    return enter


# what interrupts -> how, given its span and when the fault comes (gives its end), and what may be told of it
Enter = Callable[[random.Random, World, tuple[float, float], float], float]
INTERRUPTIONS: Mapping[str, tuple[Enter, frozenset[str]]] = {
    "lost polls": (_silence, frozenset()),
    "silence": (_silence, frozenset()),
    "nobody polls": (_pause, frozenset()),
    "no values": (_valueless, frozenset({"reading_implausible"})),
    "jumps": (_jumps, frozenset()),
    "late polls": (_late, frozenset()),
    "clock forward": (_stepped(1.0), frozenset()),
    "clock back": (_stepped(-1.0), frozenset()),
}  # fmt: skip
_LENGTHS: Mapping[str, Callable[[random.Random, Setting], float]] = {
    "lost polls": lambda rnd, setting: rnd.uniform(1.0, 6.0) * setting.period_s, "silence": _long, "nobody polls": _long,
}  # fmt: skip
COMBINATIONS = [
    (fault, interruption, position)
    for fault in FAULTS
    for interruption in INTERRUPTIONS
    for position in (POSITIONS if interruption in _LENGTHS else ("at",))
]  # fmt: skip


def trial(fault_name: str, interruption: str, position: str, seed: str) -> Trial:
    """One fault beside one interruption."""
    rnd = random.Random(f"{fault_name}:{interruption}:{position}:{seed}")
    fault, (enter, told_of_it) = FAULTS[fault_name], INTERRUPTIONS[interruption]
    setting = fault.make(rnd)
    world = SteadyWorld(rnd, setting)
    period_s = setting.period_s
    before_s = 30.0 if fault_name == "temperature climbs" else 200.0 if fault_name == "contact heats" else max(30.0, BEFORE * period_s)
    t_s = before_s * rnd.uniform(1.0, 1.6) + 20 * period_s
    length_s = _LENGTHS[interruption](rnd, setting) if interruption in _LENGTHS else 0.0
    if position != "before":
        t_s += length_s
    possible = fault.act(rnd, world, t_s)
    name = f"{interruption}, fault {position}"
    out = Trial(fault_name, name, seed, setting, possible, fault.beside | told_of_it | ALWAYS, fault.instant)
    world.at(t_s, lambda: setattr(out, "truth_ns", world.utc_ns()))
    end_s = max(enter(rnd, world, _span(rnd, setting, position, t_s, length_s), t_s), t_s)
    trace = world.run(end_s + fault.lasts_s + max(40.0, SURE_AFTER * period_s))
    last = [trace.last(e.id) for e in trace.raised()]
    kept = [e for e in last if "revised_to" not in e.evidence]
    out.told = [e for e in kept if e.kind in possible and e.device == "load-1"]
    mine = {e.id for e in out.told}
    out.extra = [
        e for e in kept if e.id not in mine and e.kind not in out.beside and not (e.kind in possible and e.kind == "supply_trip")
    ]  # fmt: skip
    return out


def interrupted_study(seed: int, draws: int, only: str = "") -> Study:
    """Each combination so often."""
    done = [
        trial(*combination, f"{seed}:{n}") for combination in COMBINATIONS if only in ": ".join(combination) for n in range(draws)
    ]  # fmt: skip
    lines, wrong = [], [t for t in done if t.wrong]
    for key in dict.fromkeys((t.fault, t.interruption) for t in done):
        some = [t for t in done if (t.fault, t.interruption) == key]
        found = [t for t in some if t.told]
        lines.append([
            ", ".join(key), str(len(some)), str(len(found)), str(sum(t.cause_right for t in found)), str(sum(t.covers for t in found)),
            str(sum(len(t.told) == 1 for t in found)), str(sum(bool(t.extra) for t in some)),
        ])  # fmt: skip
    text = grid(["", "n", "found", "cause right", "onset covered", "told once", "told beside"], lines)
    text += f"\nwrong: {dict(Counter(t.fault for t in wrong))}"
    text += "".join(f"\n{t.fault}, {t.interruption}, seed {t.seed} {t.setting.rate_hz:g} Hz: {t.wrong}" for t in wrong)
    real, found = [t for t in done if t.possible], [t for t in done if t.told]
    return Study("faults at interruptions", text, [
        at_least("at interruptions: found", 0.95, len(found), len(real)),
        at_least("at interruptions: cause right", 0.97, sum(t.cause_right for t in found), len(found)),
        at_least("at interruptions: onset holds the truth", 0.99, sum(t.covers for t in found), len(found)),
        at_least("at interruptions: told once", 0.99, sum(len(t.told) == 1 for t in found), len(found)),
        Figure("at interruptions: told beside", "nothing", f"{sum(bool(t.extra) for t in done)} of {len(done)}",
               not any(t.extra for t in done)),
    ])  # fmt: skip
