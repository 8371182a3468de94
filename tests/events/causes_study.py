"""Whether the probabilities of named causes are the shares that are right: a sense lead that comes and goes, currents that stop, contacts.

Each population is the one that the detector's prior describes, since a posterior can be held against nothing else:

- *intermittent*: seven loose sense leads to three sources that dip as often; R_path as configured within its deviation, sometimes grown
  since or wrong, or unknown; dips of any depth (`sense_causes`).
- *stops*: the odds that `stop_causes` states, made one population, and a supply that goes on in current limit: its odds are stated nowhere,
  since the current that flows is nearly certain. What is tested is that these odds are applied to the cases that they are the odds of; the
  odds themselves are judgements.
- *modes*: as `calibration` has it in CC, in CP, CR and CV; in CV nobody knows the source's resistance, and a third of its steps are its
  limit's, which leaves any share of the current; and a hand sets another voltage, by a count at least.
- *growth*: the odds that `contact` states: contacts, leads exchanged for others, an instrument that drifts up to its specification. All are
  stated alike, so one bin says whether the share is right and none whether cases are told apart.

Only the first statement of an event counts, once for its kind and once for each alternative.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from loadlog.detectors.contact import LEAD_EXCHANGED, PRIOR_CONTACT
from loadlog.detectors.sense_causes import (
    PRIOR_HAND,
    PRIOR_LEAD,
    PRIOR_LIMIT,
    SMALLEST_SOURCE_STEP_V,
    SOURCE_LOG_DEVIATION,
    UNKNOWN_LOG_DEVIATION,
    UNKNOWN_OHM,
    UNKNOWN_SOURCE_OHM,
)
from loadlog.detectors.stop_causes import HAND, KNOB, LEAD, LOAD, SILENT, SUPPLY, WHOLE_CONNECTOR
from tests.events.calibration import bench_of_leads, judged
from tests.events.draw import current_of, level_for
from tests.events.figure import Study
from tests.events.judge import Statement
from tests.events.world import Setting, Trace, World

BEFORE, BEFORE_STEP, DIPS, AFTER = (60, 120), (150, 300), 4, 40
MODES = ("CP", "CR", "CV")
ASK_FOR_NOTHING = {"CC": 0.0, "CP": 0.0, "CR": 5000.0, "CV": 40.0}
STOPPERS = {
    "load_trip": LOAD, "input_switched": HAND, "setpoint_changed": KNOB, "open_circuit": LEAD, "supply_silent": SUPPLY,
    "supply_limits": 3.0,
}  # fmt: skip
SILENT_FORMS, LIMITING_FORMS = ("latch_off", "hiccup", "thermal_cycling", "dropout"), ("foldback", "current_limit")
STOP_KINDS = ("load_trip", "supply_trip", "open_circuit")
GROWTH_HZ, GROWTH_S = 0.5, 330.0


def _first(trace: Trace, kinds: tuple[str, ...], cause: str) -> list[Statement]:
    for event in trace.raised():
        if event.kind in kinds:
            stated = {event.kind: event.confidence, **event.alternatives}
            return [Statement(event.kind, kind, p, kind == cause) for kind, p in stated.items()]
    return []


def intermittent(rnd: random.Random) -> list[Statement]:
    """A lead that comes and goes, or a source that dips."""
    setting = bench_of_leads(rnd)
    world = World(rnd, setting)
    is_lead = rnd.random() < PRIOR_LEAD
    depth_v = SMALLEST_SOURCE_STEP_V * (setting.emf_v / SMALLEST_SOURCE_STEP_V) ** rnd.random()
    t_s = rnd.randint(*BEFORE) * setting.period_s
    for _ in range(DIPS):
        off_s = rnd.uniform(4.0, 12.0) * setting.period_s
        if is_lead:
            world.fault(t_s, "sense_lead_off", "load-1", off_s)
        else:
            world.fault(t_s, "supply_droop", "source", off_s, volts=depth_v)
        t_s += off_s + rnd.uniform(4.0, 12.0) * setting.period_s
    return _first(world.run(t_s), ("sense_intermittent",), "sense_intermittent" if is_lead else "supply_droop")


def step(rnd: random.Random, mode: str) -> list[Statement]:
    """A lead falls off, or the source steps, or in CV goes into its limit."""
    setting, current_a = bench_of_leads(rnd), rnd.uniform(2.0, 8.0)
    setting.mode = mode
    if mode == "CV":
        setting.output_ohm = UNKNOWN_SOURCE_OHM * math.exp(rnd.gauss(0.0, SOURCE_LOG_DEVIATION))
    setting.level = level_for(setting, current_a)
    current_a = current_of(setting)
    world = World(rnd, setting)
    onset_s = (rnd.randint(*BEFORE_STEP) + rnd.random()) * setting.period_s
    largest, ohm = (current_a, setting.output_ohm) if mode == "CV" else (setting.emf_v, 1.0)
    if mode == "CV" and rnd.random() < PRIOR_HAND / (1.0 + PRIOR_HAND):
        cause = "setpoint_changed"
        size = SMALLEST_SOURCE_STEP_V * (largest / SMALLEST_SOURCE_STEP_V) ** rnd.random()
        world.fault(onset_s, "knob", setpoint=round(setting.level + max(size * ohm, 0.001), 3))
    elif rnd.random() < PRIOR_LEAD:
        cause = "sense_fallback"
        world.fault(onset_s, "sense_lead_off")
    elif mode == "CV" and rnd.random() < PRIOR_LIMIT:
        cause = "current_limit_entered"
        world.fault(onset_s, "supply_trip", "source", form="current_limit", limit_a=max(current_a * rnd.random(), 0.01))
    else:
        cause = "supply_droop"
        size = SMALLEST_SOURCE_STEP_V * (largest / SMALLEST_SOURCE_STEP_V) ** rnd.random()
        world.fault(onset_s, "supply_droop", "source", volts=size * ohm)
    return _first(world.run(onset_s + AFTER * setting.period_s), ("sense_fallback", "current_limit_entered"), cause)


def stop(rnd: random.Random) -> list[Statement]:
    """The current stops, for one of the reasons."""
    setting = Setting(rate_hz=rnd.choice((5.0, 10.0)), remote=rnd.random() < 0.5, status=rnd.random() < 0.6, fine_physics=True)
    setting.mode, setting.path_ohm = rnd.choice(("CC", "CC", "CP", "CR", "CV")), rnd.uniform(0.006, 0.04)
    if setting.mode == "CV":
        setting.output_ohm = rnd.uniform(0.1, 0.3)
    current_a, setting.second = rnd.uniform(2.0, 8.0), rnd.random() < 0.1
    setting.level = level_for(setting, current_a)
    world = World(rnd, setting)
    begin_s = (rnd.randint(*BEFORE) + rnd.random()) * setting.period_s
    why = rnd.choices(list(STOPPERS), list(STOPPERS.values()))[0]
    if why == "load_trip":
        world.fault(begin_s, "load_trip", protection=rnd.choice(("over_voltage", "over_current", "over_power", "over_temperature")))
        if rnd.random() < SILENT:
            world.replaced |= {("load-1", "protection"): 0.0, ("load-1", "input_on"): 1.0}
    elif why == "input_switched":
        world.fault(begin_s, "input_off_by_hand")
    elif why == "setpoint_changed":
        world.fault(begin_s, "knob", setpoint=ASK_FOR_NOTHING[setting.mode])
    elif why == "open_circuit":
        world.fault(begin_s, "power_lead_off")
        if setting.remote and rnd.random() < WHOLE_CONNECTOR:
            world.at(begin_s, lambda: world.replaced.update({("load-1", "voltage_v"): 0.0}))
    else:
        form = rnd.choice(SILENT_FORMS if why == "supply_silent" else LIMITING_FORMS)
        world.fault(begin_s, "supply_trip", "source", form=form)
    return _first(world.run(begin_s + AFTER * setting.period_s), STOP_KINDS, "supply_trip" if why.startswith("supply") else why)


def growth(rnd: random.Random) -> list[Statement]:
    """The path's resistance seems to grow, behind a meter at the source."""
    setting = Setting(rate_hz=GROWTH_HZ, slow_channels=1, remote=False, meter=True, path_ohm=rnd.uniform(0.006, 0.04))
    setting.level, setting.noise = round(rnd.uniform(2.0, 8.0), 3), rnd.uniform(0.4, 1.2)
    world = World(rnd, setting)
    begin_s, over_s = 180.0, rnd.uniform(0.0, 120.0)
    chance = rnd.random()
    if chance < PRIOR_CONTACT:
        cause = "contact_heating"
        world.fault(
            begin_s, "contact_resistance", ohm=setting.path_ohm * math.exp(rnd.uniform(math.log(0.2), math.log(10.0))), over_s=over_s
        )
    elif chance < PRIOR_CONTACT + LEAD_EXCHANGED:
        cause = "lead_exchanged"
        other_ohm = UNKNOWN_OHM * math.exp(rnd.gauss(0.0, UNKNOWN_LOG_DEVIATION))
        world.fault(begin_s, "power_lead_off", for_s=30.0)
        world.fault(begin_s + 15.0, "contact_resistance", ohm=max(other_ohm - setting.path_ohm, 0.0), over_s=0.0)
    else:
        cause = "instrument_drift"
        instrument = world.instruments["load-1", "voltage_v"]
        drift_v = rnd.uniform(0.0, 0.0005 * setting.emf_v + 10 * setting.count_v)
        world.at(begin_s, lambda: setattr(instrument, "offset", instrument.offset - drift_v))
    return _first(world.run(begin_s + GROWTH_S), ("contact_heating",), cause)


def _study(name: str, subject: str, one: Callable[[random.Random], list[Statement]]) -> Callable[[int, int], Study]:
    def study(seed: int, trials: int) -> Study:
        rnd = random.Random(f"{name}:{seed}")
        text, figures = judged([s for _ in range(trials) for s in one(rnd)], subject)
        return Study(f"calibration: {subject}", text + f"\n{trials} benches", figures)

    return study


def modes_study(seed: int, trials: int) -> Study:
    """Each mode as often."""
    texts, figures = [], []
    for mode in MODES:
        rnd = random.Random(f"modes:{seed}:{mode}")
        text, some = judged([s for _ in range(trials) for s in step(rnd, mode)], f"a step in {mode}")
        texts.append(f"{mode}\n{text}")
        figures += some
    return Study("calibration: steps in the other modes", "\n".join([*texts, f"{trials} benches each"]), figures)


intermittent_study = _study("intermittent", "a sense lead that comes and goes, or the source", intermittent)
stop_study = _study("stop", "who stopped the current", stop)
growth_study = _study("growth", "a contact, another lead or an instrument", growth)
