"""Scenarios of sense leads, and of sources that do what looks like them, in every mode of the load."""

from __future__ import annotations

import random
from collections.abc import Mapping

from tests.events.case import RATES, Case, Maker, times
from tests.events.draw import at_step, current_of, draw
from tests.events.truth import Expected
from tests.events.world import Setting, World

LEAD_OR_DROOP = frozenset({"sense_fallback", "supply_droop"})
LEAD_OR_LIMIT = frozenset({"sense_fallback", "current_limit_entered"})
LIMIT_SHARE = (0.3, 0.8)


def _at_step(rnd: random.Random, setting: Setting, deviations: float) -> Setting:
    """As `at_step`; a path that nobody knows is one of the trade, so in CV the step is as large as it makes it."""
    drawn_ohm = setting.path_ohm
    at_step(rnd, setting, deviations)
    if setting.mode == "CV" and not setting.path_known:
        setting.path_ohm = max(setting.path_ohm, drawn_ohm)
    return setting


def sense(large: bool = False, **fixed: object) -> Maker:
    """A sense lead falls off and comes back; the step is eight deviations and more. ``large``, in CV: a good part of the current, which a
    supply that limits can take as well; it stays off."""

    def make(rnd: random.Random) -> Case:
        setting = _at_step(rnd, draw(rnd, remote=True, **fixed), rnd.uniform(8.0, 25.0))
        if large:
            share = rnd.uniform(0.15, 0.65)
            setting.path_ohm = setting.output_ohm * share / (1.0 - share)
        begin_s, until_s = times(rnd, setting, 80.0)
        until_s += 70 * setting.period_s
        world = World(rnd, setting)
        world.fault(begin_s, "sense_lead_off", "load-1", None if large else 0.5 * (until_s - begin_s))
        return Case(world, until_s, begin_s, LEAD_OR_LIMIT if large else frozenset())

    return make


def sense_after_an_order(rnd: random.Random) -> Case:
    """A lead falls off as soon as the level at an ordered current has been learned (that of a battery relaxes for longer)."""
    setting = _at_step(rnd, draw(rnd, mode="CC", remote=True, path_known=True, source="supply"), rnd.uniform(8.0, 25.0))
    begin_s, until_s = times(rnd, setting, 80.0)
    world = World(rnd, setting)
    world.order(begin_s, "setpoint", round(setting.level * rnd.choice([0.9, 1.2, 1.5]), 3))
    world.fault(begin_s + rnd.uniform(40.0, 90.0) * setting.period_s, "sense_lead_off", "load-1", None)
    return Case(world, until_s + 90 * setting.period_s, begin_s)


def bounces(rnd: random.Random) -> Case:
    """The lead is pulled: its contact opens and closes for some hundredths to tenths of a second before it stays open. It comes back after
    a few polls to a minute of them, bouncing again. Quick polls would see more openings than two, and call it rightly intermittent."""
    mode = rnd.choice(["CC", "CC", "CP", "CR"])
    setting = _at_step(rnd, draw(rnd, mode=mode, remote=True, source="supply", second=False), rnd.uniform(10.0, 30.0))
    begin_s, until_s = times(rnd, setting, 80.0)
    world = World(rnd, setting)

    def bounce(t_s: float) -> float:
        for _ in range(rnd.randint(2, 8) if setting.rate_hz <= 10.0 else 1):
            open_s = rnd.uniform(0.005, 0.08)
            world.fault(t_s, "sense_lead_off", "load-1", open_s)
            t_s += open_s + rnd.uniform(0.005, 0.08)
        return t_s

    off_s = bounce(begin_s)
    back_s = off_s + rnd.uniform(8.0, 60.0) * setting.period_s
    world.fault(off_s, "sense_lead_off", "load-1", back_s - off_s)
    until_s += bounce(back_s + 0.02) - begin_s
    others = frozenset({"sense_intermittent"})
    expected = [Expected("sense_fallback", "load-1", begin_s, others=others, within_s=back_s - begin_s, slow=True)]
    companions = frozenset({"sense_fallback", "sense_restored", "sense_intermittent"})
    return Case(world, until_s, begin_s, expected=expected, companions=companions, without=frozenset({"sense_lead_off"}))


def droop(witness: bool, mode: str = "CC", **fixed: object) -> Maker:
    """The supply sags by just what the lead would do: told apart by a device at the source, by nothing otherwise."""

    def make(rnd: random.Random) -> Case:
        alone: dict[str, object] = {"meter": witness, "second": False} | fixed
        setting = at_step(rnd, draw(rnd, mode=mode, remote=True, path_known=True, source="supply", **alone), rnd.uniform(8.0, 25.0))
        begin_s, until_s = times(rnd, setting)
        world = World(rnd, setting)
        ohm = setting.path_ohm if mode != "CV" else 1.0 / (1.0 / setting.path_ohm + 1.0 / setting.output_ohm)
        world.fault(begin_s, "supply_droop", "source", None, volts=current_of(setting) * ohm)
        both = frozenset() if witness else LEAD_OR_DROOP
        extra = [] if witness else [Expected("supply_droop", "load-1", begin_s, both=both, within_s=30.0)]
        return Case(world, until_s, begin_s, expected=extra)

    return make


def intermittent(**fixed: object) -> Maker:
    """A sense lead that makes contact now and then."""

    def make(rnd: random.Random) -> Case:
        setting = _at_step(rnd, draw(rnd, remote=True, **fixed), rnd.uniform(10.0, 25.0))
        begin_s, _ = times(rnd, setting)
        world = World(rnd, setting)
        t_s = begin_s
        for _ in range(6):
            off_s = max(2.0, 12 * setting.period_s) * rnd.uniform(1.0, 2.0)
            world.fault(t_s, "sense_lead_off", "load-1", off_s)
            t_s += off_s + max(2.0, 12 * setting.period_s) * rnd.uniform(1.0, 2.0)
        others = frozenset({"sense_fallback"})
        expected = [Expected("sense_intermittent", "load-1", begin_s, others=others, within_s=t_s - begin_s, slow=True)]
        companions = frozenset({"sense_fallback", "sense_restored"})
        return Case(world, t_s + 20, begin_s, expected=expected, companions=companions, without=frozenset({"sense_lead_off"}))

    return make


def trip(form: str, both: frozenset[str] = frozenset(), share: tuple[float, float] | None = None, **fixed: object) -> Maker:
    """The supply fails in a form of the trade. ``share``: of the present current, what its limit falls to."""

    def make(rnd: random.Random) -> Case:
        rates = RATES if form not in ("hiccup", "dropout") else (5.0, 10.0, 20.0, 50.0)
        setting = draw(rnd, source="supply", rate_hz=rnd.choice(rates), **fixed)
        setting.fine_physics = True
        begin_s, until_s = times(rnd, setting, {"thermal_cycling": 500.0}.get(form, 40.0))
        world = World(rnd, setting)
        world.fault(begin_s, "supply_trip", "source", None, **_trip_params(rnd, form, setting, share))
        return Case(world, until_s, begin_s, both)

    return make


def limit(form: str, both: frozenset[str] = frozenset(), then_order: bool = False, **fixed: object) -> Maker:
    """The supply's limit falls below what a load in CV draws: the load holds the voltage, so nothing trips, and no form shows. A polled
    supply says it itself. ``then_order``: a lower voltage is ordered afterwards, and the current stays."""

    def make(rnd: random.Random) -> Case:
        setting = draw(rnd, mode="CV", source="supply", second=False, status=True, **fixed)
        begin_s, until_s = times(rnd, setting)
        world = World(rnd, setting)
        world.fault(begin_s, "supply_trip", "source", None, **_trip_params(rnd, form, setting, LIMIT_SHARE))
        if then_order:
            world.order(until_s, "setpoint", round(setting.level - rnd.uniform(0.1, 0.5), 3))
            until_s += 60 * setting.period_s + 10.0
        who = "psu" if setting.polled else "load-1"
        others = frozenset({"sense_fallback", "supply_trip"})
        expected = [Expected("current_limit_entered", who, begin_s, others=others, both=both, at_source=True, within_s=until_s)]
        return Case(world, until_s, begin_s, expected=expected, without=frozenset({"supply_trip"}))

    return make


def _trip_params(rnd: random.Random, form: str, setting: Setting, share: tuple[float, float] | None) -> dict[str, float | str]:
    params: dict[str, float | str] = {"form": form}
    if form == "hiccup":
        params |= {"on_s": rnd.uniform(0.15, 0.4), "off_s": rnd.uniform(0.5, 1.5)}
    elif form == "dropout":
        params |= {"off_s": rnd.uniform(0.4, 2.0)}
    elif form == "thermal_cycling":
        params |= {"on_s": rnd.uniform(50, 80), "off_s": rnd.uniform(30, 60)}
    elif share is not None:
        params |= {"limit_a": rnd.uniform(*share) * current_of(setting)}
    return params


LEADS: Mapping[str, Maker] = {
    "sense off, CC, path known": sense(mode="CC", path_known=True),
    "sense off, CC, path unknown": sense(mode="CC", path_known=False),
    "sense off, CC, meter at source": sense(mode="CC", path_known=True, meter=True),
    "sense off, CC, supply polled": sense(mode="CC", source="supply", polled=True),
    "sense off, CC, battery": sense(mode="CC", path_known=True, source="battery"),
    "sense off, CC, group of two": sense(mode="CC", path_known=True, second=True),
    "sense off after an order": sense_after_an_order,
    # a load that does not tell its mode is taken to be in CC, where a knob makes just such a step
    "sense off, CV": sense(mode="CV", path_known=True, status=True),
    "sense off, CV, path unknown": sense(mode="CV", path_known=False, status=True),
    "sense off, CV, most of the current": sense(True, mode="CV", meter=False, second=False, status=True),
    "sense off, CV, supply polled": sense(mode="CV", source="supply", polled=True, status=True),
    "sense off, CP": sense(mode="CP", path_known=True),
    "sense off, CP, path unknown": sense(mode="CP", path_known=False),
    "sense off, CP, supply polled": sense(mode="CP", source="supply", polled=True),
    "sense off, CR": sense(mode="CR", path_known=True),
    "sense off, CR, path unknown": sense(mode="CR", path_known=False),
    "sense off, CR, supply polled": sense(mode="CR", source="supply", polled=True),
    "sense off and on, its contact bounces": bounces,
    "sense intermittent": intermittent(mode="CC", path_known=True),
    "sense intermittent, path unknown": intermittent(mode="CC", path_known=False),
    "sense intermittent, CV": intermittent(mode="CV", status=True),
    "sense intermittent, CP": intermittent(mode="CP"),
    "sense intermittent, CR": intermittent(mode="CR"),
    "droop of equal size, meter": droop(True),
    "droop of equal size, supply polled": droop(True, meter=False, polled=True),
    "droop of equal size, alone": droop(False),
    "droop of equal size, CV, meter": droop(True, "CV", status=True),
    "droop of equal size, CV, alone": droop(False, "CV", status=True),
    "droop of equal size, CP, alone": droop(False, "CP"),
    "droop of equal size, CR, alone": droop(False, "CR"),
    "hiccup": trip("hiccup", remote=True),
    "hiccup, group of two": trip("hiccup", second=True, mode="CC"),
    "hiccup, CR": trip("hiccup", remote=True, mode="CR"),
    "foldback": trip("foldback", mode="CC", remote=True),
    "foldback, CV": limit("foldback", LEAD_OR_LIMIT, remote=True, meter=False),
    "foldback, CV, local": limit("foldback", remote=False),
    "foldback, CP": trip("foldback", mode="CP", remote=True),
    "foldback, CR": trip("foldback", frozenset(), (0.3, 0.6), mode="CR", remote=True, second=False),
    "current limit": trip("current_limit", mode="CC", remote=True),
    "current limit, CV": limit("current_limit", LEAD_OR_LIMIT, remote=True, meter=False),
    "current limit, CV, local": limit("current_limit", remote=False),
    "current limit, CV, meter": limit("current_limit", remote=True, meter=True),
    "current limit, CV, supply polled": limit("current_limit", polled=True),
    "current limit, CV, then another set-point": limit("current_limit", then_order=True, remote=True, meter=False),
    "current limit, CP": trip("current_limit", mode="CP", remote=True),
    "current limit, CR": trip("current_limit", frozenset(), (0.45, 0.65), mode="CR", remote=True, second=False),
    "thermal cycling": trip("thermal_cycling", remote=True),
    "dropout": trip("dropout", remote=True),
}  # fmt: skip
