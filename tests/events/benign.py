"""Scenarios in which everything is in order: whatever is told is a false alarm."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping

from tests.events.case import Case, Maker
from tests.events.draw import current_of, draw, level_for, supply_with
from tests.events.world import MODE_NUMBERS, Setting, World

FULL = {"CC": 9.0, "CP": 250.0}
Plan = Callable[[random.Random, World, float], None]


def benign(plan: Plan, samples: int = 20_000, **fixed: object) -> Maker:
    """A drawn bench for about ``samples`` samples, at most six hours."""

    def make(rnd: random.Random) -> Case:
        setting = draw(rnd, **fixed)
        until_s = min(samples * setting.period_s, 6 * 3600.0)
        if setting.source == "battery":  # it must not run empty
            most_a = 12.0 + (1.2 * setting.second_level if setting.second else 0.0)
            setting.capacity_ah = max(setting.capacity_ah, most_a * until_s / 3600.0)
        world = World(rnd, setting)
        plan(rnd, world, until_s)
        return Case(world, until_s)

    return make


def nothing(rnd: random.Random, world: World, until_s: float) -> None:
    """Nothing happens."""


def _often(rnd: random.Random, until_s: float, least_s: float, mean_s: float) -> list[float]:
    t_s, out = 60.0, []
    while (t_s := t_s + least_s + rnd.expovariate(1 / mean_s)) < until_s:
        out.append(t_s)
    return out


def steps(rnd: random.Random, world: World, until_s: float) -> None:
    """Load steps by order."""
    setting = world.setting
    for t_s in _often(rnd, until_s, 20, 300):
        level = setting.level * rnd.uniform(0.5, 1.4)
        if setting.mode == "CV":
            level = level_for(setting, current_of(setting) * rnd.uniform(0.5, 1.4))
        world.order(t_s, "setpoint", round(min(level, FULL.get(setting.mode, level)), 3))


def ramp(rnd: random.Random, world: World, until_s: float) -> None:
    """A sweep: the set-point ordered up and down in many small steps."""
    setting = world.setting
    for k, t_s in enumerate(_often(rnd, until_s, max(2.0, 3 * setting.period_s), 1.0)):
        world.order(t_s, "setpoint", round(setting.level * (1.0 + 0.4 * math.sin(k / 30)), 3))


def pulses(rnd: random.Random, world: World, until_s: float) -> None:
    """A profile of few levels, one of them none, over and over; a step every one to thirty seconds, and never faster than the polls."""
    setting = world.setting
    dwell_s = max(rnd.choice([1.0, 2.0, 5.0, 12.0, 30.0]), setting.period_s)
    levels = [round(setting.level * rnd.choice([0.1, 0.25, 0.5, 0.8, 1.0]), 3) for _ in range(rnd.randint(2, 12))]
    t_s, k = 60.0, 0
    while t_s < until_s:
        world.order(t_s, "setpoint", 0.0 if k % len(levels) == 0 else levels[k % len(levels)])
        t_s, k = t_s + dwell_s, k + 1


def switched(rnd: random.Random, world: World, until_s: float) -> None:
    """The input ordered off and on."""
    for t_s in _often(rnd, until_s, 60, 600):
        world.order(t_s, "input_on", 0.0)
        world.order(t_s + rnd.uniform(3, 40), "input_on", 1.0)


def rests(rnd: random.Random, world: World, until_s: float) -> None:
    """The input off by order for long, on in between: a battery recovers meanwhile, a source stands without a load."""
    for t_s in [0.0, *_often(rnd, until_s, 60, 300)]:
        world.order(t_s, "input_on", 0.0)
        if t_s > 0.0:
            world.order(t_s - rnd.uniform(10, 50), "input_on", 1.0)


def modes(rnd: random.Random, world: World, until_s: float) -> None:
    """Mode changes by order, each with a level for the same current."""
    setting = world.setting
    for t_s in _often(rnd, until_s, 60, 400):
        name = rnd.choice(["CC", "CP", "CR"])
        current_a = rnd.uniform(2.0, 7.0)
        level = {"CC": current_a, "CP": current_a * setting.emf_v, "CR": setting.emf_v / current_a}[name]
        world.order(t_s, "input_on", 0.0)
        world.order(t_s + 0.01, "mode", MODE_NUMBERS[name])
        world.order(t_s + 0.02, "setpoint", round(level, 3))
        world.order(t_s + 0.03, "input_on", 1.0)


def bursts(rnd: random.Random, world: World, until_s: float) -> None:
    """Bursts of noise."""
    noise = world.measured_by("load-1")
    for t_s in _often(rnd, until_s, 30, 400):
        factor = rnd.uniform(2, 6)
        world.at(t_s, lambda f=factor: setattr(noise, "factor", f))  # type: ignore[misc]
        world.at(t_s + rnd.uniform(2, 40), lambda: setattr(noise, "factor", 1.0))


def day(rnd: random.Random, world: World, until_s: float) -> None:
    """Load steps, the input off and on, bursts of noise and a changing room, all on one bench."""
    steps(rnd, world, until_s)
    switched(rnd, world, until_s)
    bursts(rnd, world, until_s)
    ambient(rnd, world, until_s)


def ambient(rnd: random.Random, world: World, until_s: float) -> None:
    """The room's temperature moves by steps of 1 to 8 K."""
    for t_s in _often(rnd, until_s, 600, 2000):
        world.fault(t_s, "ambient", "suite", None, celsius=rnd.uniform(15, 31))


def droops(rnd: random.Random, world: World, until_s: float) -> None:
    """The mains sags: the supply follows by slow droops that come back."""
    for t_s in _often(rnd, until_s, 200, 1000):
        world.fault(t_s, "supply_droop", "source", rnd.uniform(30, 120), volts=rnd.uniform(0.001, 0.01), over_s=rnd.uniform(15, 25))


def spikes(rnd: random.Random, world: World, until_s: float) -> None:
    """Single readings far off, as switching nearby makes them."""
    for t_s in _often(rnd, until_s, 20, 200):
        spot = ("load-1", rnd.choice(["voltage_v", "current_a"]))
        value = rnd.uniform(0.0, 40.0)
        world.at(t_s, lambda s=spot, v=value: world.once.update({s: v}))  # type: ignore[misc]


def gaps(rnd: random.Random, world: World, until_s: float) -> None:
    """Nobody polls for a while; the set-point is ordered meanwhile now and then."""
    for t_s in _often(rnd, until_s, 60, 600):
        world.at(t_s, lambda: setattr(world, "paused", True))
        gap_s = rnd.choice([5.0, 60.0, 900.0])
        if rnd.random() < 0.3:
            world.order(t_s + 0.5 * gap_s, "setpoint", round(world.setting.level * rnd.uniform(0.8, 1.2), 3))
        world.at(t_s + gap_s, lambda: setattr(world, "paused", False))


def clock(rnd: random.Random, world: World, until_s: float) -> None:
    """The system clock steps."""
    for t_s in _often(rnd, until_s, 100, 800):
        step_s = rnd.choice([-3600.0, -2.0, 0.3, 5.0, 3600.0])
        world.at(t_s, lambda s=step_s: world.step_clock(s))  # type: ignore[misc]


def doubtful(rnd: random.Random, world: World, until_s: float) -> None:
    """A channel says "no value" for a while."""
    for t_s in _often(rnd, until_s, 30, 400):
        spot = ("load-1", rnd.choice(["voltage_v", "current_a", "power_w", "temperature_c"]))
        world.at(t_s, lambda s=spot: world.void.add(s))  # type: ignore[misc]
        world.at(t_s + rnd.uniform(1, 30), lambda s=spot: world.void.discard(s))  # type: ignore[misc]


def beside(rnd: random.Random, world: World, until_s: float) -> None:
    """The other load is ordered to another current: in CV what it takes is lost to the first."""
    for t_s in _often(rnd, until_s, max(5.0, 30 * world.setting.period_s), 60.0):
        world.order(t_s, "setpoint", round(world.setting.second_level * rnd.uniform(0.4, 1.3), 3), "load-2")


def waits(rnd: random.Random, world: World, until_s: float) -> None:
    """Nobody polls for a while."""
    for t_s in _often(rnd, until_s, 60, 600):
        world.at(t_s, lambda: setattr(world, "paused", True))
        world.at(t_s + rnd.choice([5.0, 60.0, 900.0]), lambda: setattr(world, "paused", False))


def small_current(rnd: random.Random) -> Case:
    """A few counts of current on a coarse instrument: almost only rounding."""
    setting = draw(rnd, coarse=True, mode="CC")
    setting.noise, setting.level = rnd.uniform(0.02, 0.2), rnd.uniform(0.03, 0.3)
    until_s = min(20_000 * setting.period_s, 6 * 3600.0)
    world = World(rnd, setting)
    return Case(world, until_s)


def warm_up(rnd: random.Random) -> Case:
    """The supply warms up from cold: its voltage drifts by its temperature coefficient."""
    setting = supply_with(rnd, mode="CC")
    setting.level = rnd.uniform(4, 9)
    until_s = min(20_000 * setting.period_s, 6 * 3600.0)
    return Case(World(rnd, setting), until_s)


def voids(rnd: random.Random) -> Case:
    """Channels say "no value" for a while; that this is told is right, anything else is not."""
    case = benign(doubtful)(rnd)
    case.companions = frozenset({"reading_implausible"})
    return case


def heating(rnd: random.Random) -> Case:
    """The heatsink settles well below its limit."""
    setting = supply_with(rnd, mode="CC", rate_hz=rnd.choice([0.5, 1.0, 2.0, 5.0]), slow_channels=1)
    setting.level = 6.0
    setting.temperature_limit_c = 23.0 + setting.level * setting.emf_v * 0.15 + rnd.uniform(6.0, 15.0)
    return Case(World(rnd, setting), 3600.0)


def thermostat(rnd: random.Random) -> Case:
    """A fan that a thermostat switches. At first the power is just enough to start it, so that it has been seen; without it the powers that
    follow would exceed the limit by far, with it none does."""
    starts_k, factor = rnd.uniform(22.0, 30.0), rnd.uniform(2.5, 3.5)
    emf_v, full_a = rnd.choice([24.0, 36.0]), 8.0
    cooled_k = starts_k * rnd.uniform(0.75, 0.95)  # at full current
    slow_k_per_w = 0.85 * cooled_k / (emf_v * full_a)
    sink = {
        "fast_k_per_w": 0.15 * cooled_k / (emf_v * full_a), "fast_tau_s": rnd.uniform(4.0, 10.0), "slow_k_per_w": slow_k_per_w,
        "slow_tau_s": rnd.uniform(60.0, 150.0), "still_air_factor": factor, "fan_starts_k": starts_k, "fan_stops_k": 0.75 * starts_k,
    }  # fmt: skip
    setting = supply_with(rnd, mode="CC", rate_hz=rnd.choice([0.5, 1.0, 2.0, 5.0]), slow_channels=1, heatsink=sink)
    setting.emf_v = emf_v
    setting.level = round(1.15 * starts_k / (cooled_k * (0.15 + 0.85 * factor)) * full_a, 3)
    setting.temperature_limit_c = 23.0 + max(2.0 * starts_k, 0.9 * cooled_k * factor)
    world = World(rnd, setting)
    t_s = 1500.0
    while t_s < 7200.0:
        world.order(t_s, "setpoint", round(full_a * rnd.uniform(0.85, 1.0), 3))
        t_s += rnd.uniform(600.0, 1200.0)
        world.order(t_s, "setpoint", 0.5)
        t_s += rnd.uniform(600.0, 1200.0)
    return Case(world, 7200.0)


def renewed_slowly(rnd: random.Random) -> Case:
    """A load that renews its readings two to five times a second, and is polled faster."""
    return benign(nothing, second=False, rate_hz=rnd.choice([10.0, 20.0, 50.0]), renewed_s=rnd.choice([0.2, 0.3, 0.5]))(rnd)


def beside_renewed_slowly(rnd: random.Random) -> Case:
    """Two loads that renew their readings at phases of their own: another one's step shows here before it does there, or after it."""
    rate_hz, renewed_s = rnd.choice([10.0, 20.0, 50.0]), rnd.choice([0.1, 0.2, 0.3, 0.5])
    output_ohm, mode = rnd.choice([0.01, 0.05, 0.2]), rnd.choice(["CC", "CP", "CR"])
    made = benign(beside, second=True, source="supply", rate_hz=rate_hz, renewed_s=renewed_s, output_ohm=output_ohm, mode=mode)
    return made(rnd)


def means_of_seconds(rnd: random.Random) -> Case:
    """A load that shows means of some seconds follows a profile by and by."""
    slow = {"rate_hz": rnd.choice([0.5, 1.0, 2.0]), "mean_s": rnd.uniform(1.0, 2.5)}
    return benign(pulses, 6000, second=False, source="supply", mode="CC", coarse=False, **slow)(rnd)


def coarse_converter(plan: Plan) -> Maker:
    """A load that shows more digits than its converter has: the level stands between two of its steps, or at an edge."""
    return lambda rnd: benign(plan, coarse=False, converter=rnd.choice([3, 5, 8, 12]), status=True)(rnd)


def switched_near_the_end(rnd: random.Random) -> Case:
    """A battery near its cut-off is switched off and on by order, and its load shows means of some seconds."""
    setting = draw(
        rnd, source="battery", mode="CC", coarse=False, second=False, rate_hz=rnd.choice([0.5, 1.0]), mean_s=rnd.uniform(1.0, 2.5)
    )
    setting.source_told, setting.capacity_ah, setting.level = True, 400.0, rnd.uniform(0.5, 1.5)
    probe = World(random.Random(0), setting)
    probe.bench.advance_to(1800 * 10**9)
    setting.cutoff_v = round(0.997 * probe.bench.state_of("load-1").sensed_v, 3)
    world = World(rnd, setting)
    switched(rnd, world, 3600.0)
    return Case(world, 3600.0)


BENIGN: Mapping[str, Maker] = {
    "steady, 0.5 and 1 Hz": lambda rnd: benign(nothing, rate_hz=rnd.choice([0.5, 1.0]))(rnd),
    "steady, 2 and 5 Hz": lambda rnd: benign(nothing, rate_hz=rnd.choice([2.0, 5.0]))(rnd),
    "steady, 10 Hz and more": lambda rnd: benign(nothing, rate_hz=rnd.choice([10.0, 20.0, 50.0]))(rnd),
    "steady, slow noise": benign(nothing, slow_noise=1.0, slow_samples=25.0),
    "steady, late polls": benign(nothing, late_share=0.1),
    "steady, group of two": benign(nothing, second=True),
    "steady, meter": benign(nothing, meter=True),
    "warm-up of the supply": warm_up,
    "heatsink settles": heating,
    "fan that a thermostat switches": thermostat,
    "load steps by order": benign(steps, status=True),
    "load steps by order, no status": benign(steps, status=False),
    "sweep by order": benign(ramp, status=True, mode="CC"),
    "profile of pulses, reports lag": benign(pulses, 6000, status=True, slow_channels=5, mode="CC", source="supply", late_report=True),
    "profile of pulses, means of seconds": means_of_seconds,
    "readings renewed slowly": renewed_slowly,
    "readings renewed slowly, another load in steps": beside_renewed_slowly,
    "converter coarser than its digits": coarse_converter(nothing),
    "converter coarser than its digits, load steps by order": coarse_converter(steps),
    "input off and on by order": benign(switched, status=True),
    "input off and on by order, no status": benign(switched, status=False),
    "input off and on by order, a battery near its end, means of seconds": switched_near_the_end,
    "mostly off, no status": benign(rests, status=False),
    "battery rests between loads, no status": benign(rests, status=False, source="battery"),
    "an ordinary day, no status": benign(day, status=False),
    "modes by order": benign(modes, status=True, mode="CC", source="supply"),
    "battery sags": benign(nothing, source="battery"),
    "battery under load steps": benign(steps, source="battery", status=True),
    "an ordinary day": benign(day, status=True),
    "room warms and cools": benign(ambient),
    "bursts of noise": benign(bursts),
    "slow droops of the mains": benign(droops, source="supply", mode="CC"),
    "spikes": benign(spikes),
    "small current, coarse": small_current,
    "gaps": benign(gaps, status=True, mode="CC"),
    "clock steps": benign(clock),
    "channels without a value": voids,
    "steady, supply polled": benign(nothing, source="supply", polled=True),
    "steady, CV, supply polled": benign(nothing, mode="CV", source="supply", polled=True, status=True),
    "another load in steps beside one in CV": benign(beside, mode="CV", source="supply", second=True, status=True),
    **{
        f"{name}, {mode}": benign(plan, mode=mode, source="supply", status=True)
        for mode in ("CV", "CP", "CR")
        for name, plan in {
            "steady": nothing,
            "bursts of noise": bursts,
            "slow droops of the mains": droops,
            "spikes": spikes,
            "gaps, nobody orders": waits,
        }.items()
    },
}
ALWAYS_ALLOWED = frozenset({"clock_step", "sample_gap", "late_polls"})
__all__ = ["BENIGN", "Setting"]
