"""Converters that are coarser than the digits that an instrument shows: what they seem to do is no change of the bench."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from loadlog.detectors.converter import LEAST_CHANGES, Converter
from loadlog.model.event import Event
from loadlog.model.sample import Reading
from loadlog.pipeline import Pipeline
from tests.checklists.traces import Bench, Load, Source, covers, fresh_random, load_spec


def coarse(bench: Bench, counts: int, until_s: float, after_changes: int = 0) -> tuple[list[Event], list[Event]]:
    """First states of what is told of a bench whose instruments tell every so many counts apart only: until so many changes of the voltage,
    and from then on."""
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    early: dict[int, Event] = {}
    later: dict[int, Event] = {}
    volts, changes = 0, -1
    for item in bench.run(until_s):
        assert isinstance(item, Reading)
        shown = {name: counts * round((item.counts[name] or 0) / counts) for name in ("voltage_v", "current_a")}
        changes += shown["voltage_v"] != volts
        volts = shown["voltage_v"]
        for event in pipeline.feed(replace(item, counts=item.counts | shown))[1]:
            if changes <= after_changes or event.id in early:  # one that was told before may end now
                early.setdefault(event.id, event)
            else:
                later.setdefault(event.id, event)
    return list(early.values()), list(later.values())


def wandering(rnd: random.Random, counts: int, period_s: float) -> Bench:
    """A load with remote sense whose source drifts through some steps of its converter."""
    per_s = rnd.choice([-1, 1]) * rnd.uniform(2.0, 6.0) * counts * 1e-3 / 3600.0
    source = Source(emf_v=rnd.uniform(23.0, 25.0), slow_v=rnd.uniform(0.0, 0.1) * counts * 1e-3, drift_v_per_s=per_s)
    known = rnd.choice([0.012, None])
    spec = load_spec(period_s=period_s, path_resistance_ohm=known)
    return Bench(rnd, source, [Load(spec, level=rnd.uniform(0.3, 2.0), noise=counts * rnd.uniform(0.02, 0.3))])


@pytest.mark.parametrize("counts", [5, 12])
@pytest.mark.parametrize("period_s", [2.0, 0.5])
def test_steps_of_a_coarse_converter_are_no_sense_lead(counts: int, period_s: float) -> None:
    """Once they are known: a first one may be as large as what a lead makes."""
    for _ in range(3):
        early, later = coarse(wandering(fresh_random(), counts, period_s), counts, 7000.0 * period_s, LEAST_CHANGES)
        told = [e.kind for e in later if "sense" in e.kind]
        fell = [e.kind for e in early].count("sense_fallback")
        assert told == ["sense_restored"] * min(len(told), fell)


def test_a_lead_that_falls_off_is_told_of_a_coarse_converter_too() -> None:
    rnd = fresh_random()
    bench = wandering(rnd, 5, 0.5)
    load = bench.loads[0]
    load.level = 5.0  # 60 mV in the path: twelve steps
    bench.at(400.1, lambda: setattr(load, "sense_ok", False))
    _, (event,) = coarse(bench, 5, 500.0)
    assert event.kind == "sense_fallback"
    assert covers(event, 400.1)


def over_missing_code(rnd: random.Random) -> set[str]:
    """Kinds told of a load of 10 mV a count. Its level creeps through some of them to the edge of one that its converter lacks, and wanders
    there; it began elsewhere, where no code is missing."""
    code = 2400
    source = Source(emf_v=code * 0.01 - 0.005, ohm=0.0, slow_v=0.0, sag=lambda t: max(0.0, 0.08 - 0.0001 * t))
    bench = Bench(rnd, source, [Load(load_spec(period_s=1.0, step="0.01", path_resistance_ohm=None), level=1.5, noise=0.1)])
    for n in range(30):
        bench.at(800.0 + 100.0 * n + rnd.uniform(0.0, 60.0), lambda: setattr(source, "wander_v", rnd.uniform(-0.0008, 0.0008)))
    pipeline, told = Pipeline(bench.specs, next_seq=1, next_event_id=1), set()
    for item in bench.run(3600.0):
        assert isinstance(item, Reading)
        volts = item.counts["voltage_v"] or 0
        told |= {e.kind for e in pipeline.feed(replace(item, counts=item.counts | {"voltage_v": volts + (volts == code)}))[1]}
    return told


def test_a_code_that_is_missing_is_no_sense_lead_and_no_noise() -> None:
    """The level goes to and fro over two counts there, as large as what a lead makes. A first change that stays could be a lead."""
    for _ in range(3):
        assert not {"sense_fallback", "sense_intermittent", "noise_changed"} & over_missing_code(fresh_random())


@pytest.mark.parametrize(
    ("changes", "step_v"), [([5, 5, 10], 0.001), ([5, 5, 10, 5], 0.005), ([5, 5, 10, 5, 1], 0.001), ([500] * 9, 0.001)]
)
def test_the_step_is_the_least_change_once_there_were_some_within_the_accuracy(changes: list[int], step_v: float) -> None:
    """Of ±(0.05 % + 10 mV) at 12 V no converter has steps of half a volt."""
    one = Converter(load_spec())
    count = 12_000
    one.take(count / 1000, 1.0)
    for change in changes:
        count += change
        one.take(count / 1000, 1.0)
    assert one.steps[0] == pytest.approx(step_v)
    assert one.steps[1] == 0.001
    assert LEAST_CHANGES == 4
