"""Scenarios in which something goes wrong: each draws its bench and enters faults into the simulator's timetable."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping

from tests.checklists.traces import PROTECTIONS
from tests.events.case import Case, Maker, times
from tests.events.draw import draw, supply_with
from tests.events.leads import LEADS, trip
from tests.events.truth import STOPS, Expected
from tests.events.world import Setting, World


def _simple(
    name: str, both: frozenset[str] = frozenset(), companions: frozenset[str] = frozenset(), without: frozenset[str] = frozenset(),
    lasts: bool = True, target: str = "load-1", params: Callable[[random.Random, Setting], Mapping[str, float | str]] = lambda r, s: {},
    fine: bool = False, after_s: float = 40.0, **fixed: object,
) -> Maker:  # fmt: skip
    def make(rnd: random.Random) -> Case:
        setting = draw(rnd, **fixed)
        setting.fine_physics = fine
        begin_s, until_s = times(rnd, setting, after_s)
        world = World(rnd, setting)
        half_s = 0.5 * (until_s - begin_s) if lasts else None
        world.fault(begin_s, name, target, half_s, **params(rnd, setting))
        return Case(world, until_s, begin_s, both, companions=companions, without=without)

    return make


def load_trip(status: bool, remote: bool) -> Maker:
    """A protection of the load trips; by half in the middle of a poll, whose current is a mean and whose status is the new one."""

    def make(rnd: random.Random) -> Case:
        setting = draw(rnd, status=status, remote=remote, mode=rnd.choice(["CC", "CP", "CR"]))
        begin_s, until_s = times(rnd, setting)
        world = World(rnd, setting)
        name = rnd.choice([n for n in PROTECTIONS.values() if n.startswith("over_")])
        world.fault(begin_s, "load_trip", "load-1", None, protection=name)
        if setting.mode == "CC" and rnd.random() < 0.5:
            mean_a = setting.level * rnd.uniform(0.2, 0.8)
            world.at(begin_s, lambda: world.once.update({("load-1", "current_a"): mean_a}))
        both = frozenset() if status else frozenset({"load_trip", "open_circuit"}) if remote else frozenset({"load_trip"})
        return Case(world, until_s, begin_s, both, companions=frozenset({"protection"}))

    return make


def knob(status: bool, **fixed: object) -> Maker:
    """A hand turns the knob."""

    def make(rnd: random.Random) -> Case:
        setting = draw(rnd, status=status, **fixed)
        begin_s, until_s = times(rnd, setting)
        world = World(rnd, setting)
        new = round(setting.level * rnd.choice([0.7, 0.85, 1.1, 1.25]), 3) if setting.mode != "CV" else setting.level - 0.2
        world.fault(begin_s, "knob", "load-1", None, setpoint=new)
        return Case(world, until_s, begin_s)

    return make


def mode_by_hand(rnd: random.Random) -> Case:
    """A hand changes the mode; the new level gives about the old current."""
    setting = draw(rnd, mode="CC", status=True)
    begin_s, until_s = times(rnd, setting)
    world = World(rnd, setting)
    mode, level = rnd.choice([("CR", setting.emf_v / setting.level), ("CP", setting.emf_v * setting.level)])
    world.fault(begin_s, "knob", "load-1", None, setpoint=round(level * rnd.uniform(0.9, 1.1), 3), mode=mode)
    return Case(world, until_s, begin_s, companions=frozenset({"setpoint_changed"}))


def begins_to_flow(rnd: random.Random) -> Case:
    """A current begins to flow at a load that reports nothing, and nobody of ours ordered it: of a hundred times a hand on the input key in
    75, a power lead that is connected behind remote sense in 10, else a knob turned up from nothing."""
    setting = draw(rnd, status=False, second=False, remote=rnd.random() < 0.7)
    cause = rnd.choices(
        ["input_switched", "lead_connected", "setpoint_changed"], [0.75, 0.1, 0.15] if setting.remote else [0.75, 0.0, 0.25]
    )[0]
    if cause == "setpoint_changed" and setting.mode not in ("CC", "CP"):  # a set-point of nothing is no current in these
        setting.mode, setting.level = "CC", 5.0
    if setting.mode == "CV":  # what flows then must be more than counts as none
        setting.output_ohm = max(setting.output_ohm, 0.1)
    level = setting.level
    setting.level = 0.0 if cause == "setpoint_changed" else level
    begin_s, until_s = times(rnd, setting)
    world = World(rnd, setting)
    front = world.bench.loads["load-1"].front
    both = frozenset({"input_switched", "setpoint_changed", *(["lead_connected"] if setting.remote else [])})
    if cause == "setpoint_changed":
        world.fault(begin_s, "knob", "load-1", None, setpoint=level)
        return Case(world, until_s, begin_s, both)
    if cause == "lead_connected":
        world.fault(0.0, "power_lead_off", "load-1", begin_s)
    else:
        world.order(0.0 if rnd.random() < 0.5 else 0.5 * begin_s, "input_on", 0.0)
        world.at(begin_s, lambda: (front.switch(True), world.bench.refresh()))
    expected = Expected(cause, "load-1", begin_s, others=STOPS - {cause}, both=both)
    return Case(world, until_s, begin_s, expected=[expected], without=frozenset({"power_lead_off"}))


def slow(name: str, hours: float, target: str = "load-1", **fixed: object) -> Maker:
    """Something grows within minutes to hours, at a steady operating point."""

    def make(rnd: random.Random) -> Case:
        setting = draw(rnd, rate_hz=rnd.choice([0.5, 1.0, 2.0]), coarse=False, mode="CC", source="supply", **fixed)
        setting.level = min(rnd.uniform(4.0, 8.0), 120.0 / setting.emf_v)  # the supply must not shut down hot
        world = World(rnd, setting)
        begin_s = rnd.uniform(2400, 3000)
        sign = rnd.choice([-1, 1])
        params: dict[str, float | str] = {
            "supply_drift": {"volts_per_h": sign * rnd.uniform(0.3, 1.0)},
            "supply_noise": {"volts": setting.sigma_v * rnd.uniform(4, 8)},
            "contact_resistance": {"ohm": rnd.uniform(1.0, 3.0) * setting.path_ohm, "over_s": rnd.uniform(300, 1200)},
            "fan_stop": {},
            "cooling_blocked": {"factor": rnd.uniform(1.4, 2.0), "over_s": rnd.uniform(0, 600)},
            "regulation_error": {"share": sign * rnd.uniform(0.02, 0.1)},
        }[name]  # type: ignore[assignment]
        world.fault(begin_s, name, target, None, **params)
        return Case(world, begin_s + hours * 3600, begin_s, within_s=hours * 3600)

    return make


def over_temperature(rnd: random.Random) -> Case:
    """The heatsink climbs through a configured limit."""
    setting = draw(rnd, mode="CC", source="supply", rate_hz=rnd.choice([1.0, 2.0, 5.0]), slow_channels=1)
    setting.level = 6.0
    rise_k = setting.level * setting.emf_v * 0.15
    setting.temperature_limit_c = 23.0 + rise_k * rnd.uniform(0.6, 0.85)
    world = World(rnd, setting)
    return Case(world, 600.0, expected=[
        Expected("temperature_rising", "load-1", 0.0, others=frozenset({"over_temperature"}), within_s=600, slow=True),
        Expected("over_temperature", "load-1", 1.0, within_s=600, slow=True),
    ], companions=frozenset({"limit"}))  # fmt: skip


def habitually_late(rnd: random.Random) -> Case:
    """Most polls start late: the bus or the machine is too slow for the period."""
    setting = draw(rnd, late_share=rnd.uniform(0.75, 0.95))
    world = World(rnd, setting)
    until_s = max(120.0, 300 * setting.period_s)
    return Case(world, until_s, 0.0, expected=[Expected("late_polls", "load-1", 0.0, within_s=until_s, slow=True)])


def cutoff(rnd: random.Random) -> Case:
    """A battery discharged until the load's undervoltage stop. That a battery feeds the load is configured; where the load tells no
    protection, so is the end of discharge: without either a stop is a stop."""
    setting = draw(rnd, source="battery", mode="CC", rate_hz=rnd.choice([0.5, 1.0, 2.0, 10.0]), second=False, source_told=True)
    setting.level, setting.capacity_ah, setting.soc = rnd.uniform(2, 5), 0.6, rnd.uniform(0.6, 0.9)
    setting.undervoltage_v = rnd.uniform(31.0, 33.0)
    if not setting.status or rnd.random() < 0.5:
        setting.cutoff_v = round(setting.undervoltage_v - rnd.uniform(0.2, 0.5), 1)  # below the stop, or that is the end
    world = World(rnd, setting)
    case = Case(world, 2400.0, companions=frozenset({"limit"}))
    case.expected = [Expected("cutoff_reached", "load-1", -1.0, others=STOPS - {"cutoff_reached", "protection"}, within_s=60.0)]
    case.companions |= {"protection"}
    return case


def over_limit(name: str, delayed: bool = False) -> Maker:
    """The source steps through a configured limit of the voltage and back: up for high ones (it had sagged from the start), down for low
    ones. ``delayed``: with a deadband and both delays; a step that lasts for less than the on-delay is none."""

    def make(rnd: random.Random) -> Case:
        setting = supply_with(rnd, mode="CC")
        climb_v = 40 * setting.sigma_v + rnd.uniform(0.3, 0.8)  # half of it is more than the instrument's error
        begin_s, until_s = times(rnd, setting)
        drop_v = setting.level * (setting.output_ohm + (0.0 if setting.remote else setting.path_ohm))
        delay_s = max(rnd.uniform(2.0, 6.0), 4 * setting.period_s) if delayed else 0.0
        limit = {name: round(setting.emf_v - drop_v - 0.5 * climb_v, 3)}
        if delayed:
            limit |= {"deadband": round(0.2 * climb_v, 3), "on_delay_s": delay_s, "off_delay_s": delay_s}
        setting.voltage_limits = limit
        world = World(rnd, setting)
        is_high = name.startswith("high")
        spans = [(0.0, begin_s)] if is_high else [(begin_s, until_s)]
        if delayed:  # too short to count, before
            short_s, early_s = rnd.uniform(0.2, 0.7) * delay_s, 0.6 * begin_s
            spans = [(0.0, early_s), (early_s + short_s, begin_s)] if is_high else [(early_s, early_s + short_s), *spans]
        for since_s, to_s in spans:
            world.fault(since_s, "supply_droop", "source", to_s - since_s, volts=climb_v)
        beside = frozenset({"sense_restored", "sense_fallback", "supply_droop"})
        expected = Expected("limit", "load-1", begin_s, others=beside, within_s=30.0 + delay_s)
        return Case(world, until_s + delay_s, begin_s, expected=[expected], companions=frozenset({"drift"}) | beside)

    return make


def exchanged(rnd: random.Random) -> Case:
    """Another instrument answers at the address, and later the right one again."""
    setting = draw(rnd)
    begin_s, until_s = times(rnd, setting)
    world = World(rnd, setting)
    world.texts["load-1"] = {"serial": "1001"}
    world.at(begin_s, lambda: world.texts.update({"load-1": {"serial": "2002"}}))
    world.at(0.5 * (begin_s + until_s), lambda: world.texts.update({"load-1": {"serial": "1001"}}))
    return Case(world, until_s, begin_s, expected=[Expected("device_changed", "load-1", begin_s)])


def limit_entered(rnd: random.Random) -> Case:
    """An order asks more than the supply gives: it limits. By half the last of a climb of small steps, that ends there."""
    setting = supply_with(rnd, limit_a=rnd.uniform(6.0, 8.0), mode="CC", status=True)
    setting.level = rnd.uniform(3.0, 5.0)
    setting.fine_physics = True
    begin_s, until_s = times(rnd, setting)
    world = World(rnd, setting)
    begun_s, orders_a = begin_s, [round(setting.limit_a * rnd.uniform(1.1, 1.4), 3)]
    if rnd.random() < 0.5:
        step_a = setting.limit_a * rnd.uniform(0.02, 0.06)
        steps = math.floor((setting.limit_a - setting.level) / step_a)
        orders_a = [round(setting.level + step_a * n, 3) for n in range(1, steps + 1)] + [round(setting.limit_a * 1.01, 3)]
    for n, order_a in enumerate(orders_a):
        begin_s = begun_s + n * max(1.0, 4.3 * setting.period_s)
        world.order(begin_s, "setpoint", order_a)
    until_s += begin_s - begun_s
    expected = Expected("current_limit_entered", "load-1", begin_s, others=STOPS - {"current_limit_entered"})
    return Case(world, until_s, begun_s, expected=[expected], companions=frozenset({"supply_trip"}))


def frozen(rnd: random.Random) -> Case:
    """The instrument repeats one code, after fifty minutes of readings. Below half a count of noise equal codes are a channel's nature and
    tell nothing, so there is more."""
    setting = draw(rnd, rate_hz=rnd.choice([0.5, 1.0, 2.0]), coarse=False, status=True)
    setting.noise = rnd.uniform(0.7, 1.5)
    world = World(rnd, setting)
    world.at(3000.0, lambda: _freeze(world))
    return Case(
        world,
        6000.0,
        3000.0,
        expected=[Expected("reading_frozen", "load-1", 3000.0, within_s=3000.0, slow=True)],
        companions=frozenset({"reading_frozen"}),
    )  # three channels are frozen, an event each


def _instrument(act: Callable[[World], object], kind: str, undo: Callable[[World], object] | None = None, both: str = "",
                companions: frozenset[str] = frozenset(), slow: bool = False) -> Maker:  # fmt: skip
    def make(rnd: random.Random) -> Case:
        setting = draw(rnd)
        begin_s, until_s = times(rnd, setting, 120.0)
        until_s += 300 * setting.period_s
        world = World(rnd, setting)
        world.at(begin_s, lambda: act(world))
        end_s = 0.5 * (begin_s + until_s)
        expected = [Expected(kind, "load-1", begin_s, within_s=until_s, slow=slow)]
        if undo is not None:
            world.at(end_s, lambda: undo(world))
            if both:
                expected.append(Expected(both, "load-1", end_s))
        return Case(world, until_s, begin_s, expected=expected, companions=companions)

    return make


def _freeze(world: World) -> None:
    for channel in ("voltage_v", "current_a", "power_w"):
        instrument = world.instruments["load-1", channel]
        instrument.frozen = instrument.last


LOCAL_STOP = frozenset({"supply_trip", "open_circuit"})
FAULTY: Mapping[str, Maker] = {
    **LEADS,
    "latch-off, remote": trip("latch_off", remote=True),
    "latch-off, local": trip("latch_off", LOCAL_STOP, remote=False, second=False, meter=False),
    "latch-off, local, group of two": trip("latch_off", remote=False, second=True, mode="CC"),
    "load trip, protection bits": load_trip(True, True),
    "load trip, protection bits, local": load_trip(True, False),
    "load trip, no status": load_trip(False, True),
    "power lead off, remote": _simple("power_lead_off", remote=True, status=True),
    "power lead off, local": _simple("power_lead_off", LOCAL_STOP, remote=False, second=False, meter=False),
    "power lead off, group of two": _simple("power_lead_off", remote=False, second=True, mode="CC"),
    "latch-off, CR": trip("latch_off", remote=True, mode="CR"),
    "knob": knob(True),
    "knob, CR": knob(True, mode="CR"),
    "knob, no status": knob(False, mode="CC"),
    "mode by hand": mode_by_hand,
    "input by hand": _simple("input_off_by_hand", status=True, mode="CC"),
    "input off by hand, no status": _simple("input_off_by_hand", frozenset({"load_trip", "input_switched"}), status=False, lasts=False),
    "current begins, no status": begins_to_flow,
    "reverse polarity": _simple("reverse_polarity", status=True, companions=STOPS),
    "supply drifts": slow("supply_drift", 0.6, "source"),
    "noise grows": slow("supply_noise", 0.3, "source"),
    "contact heats up, meter": slow("contact_resistance", 0.5, meter=True, remote=False),
    "fan stops": slow("fan_stop", 0.3, ambient=True),
    "heatsink dusty": slow("cooling_blocked", 0.5, ambient=True),
    "sharing parts": slow("regulation_error", 0.3, second=True),
    "temperature limit": over_temperature,
    "battery at its end": cutoff,
    "supply limits an order": limit_entered,
    "beyond a limit": over_limit("high"),
    "beyond a limit, low": over_limit("low"),
    "beyond a limit, low-low": over_limit("low_low"),
    "beyond a limit, high-high": over_limit("high_high"),
    "beyond a limit, deadband and delays": lambda rnd: over_limit(rnd.choice(["low_low", "low", "high", "high_high"]), True)(rnd),
    "another instrument": exchanged,
    "polls late as a habit": habitually_late,
    "no reply": _instrument(
        lambda w: w.silent.add("load-1"), "communication_lost", lambda w: w.silent.discard("load-1"), "communication_restored"
    ),
    "reading frozen": frozen,
    "reading impossible": _instrument(lambda w: w.replaced.update({("load-1", "voltage_v"): 250.0}), "reading_implausible",
                                      companions=frozenset({"reading_frozen"})),
    "reading contradicts the power": _instrument(lambda w: w.replaced.update({("load-1", "voltage_v"): 190.0}), "reading_implausible",
                                                 companions=frozenset({"reading_frozen"})),
}  # fmt: skip
