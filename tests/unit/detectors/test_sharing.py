"""`sharing_imbalance`: loads of a group on one source, and what must not pass for an imbalance. Seeds are fresh and printed."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from loadlog.config import DeviceConfig
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, EventState
from loadlog.model.sample import Reading, Stamp
from loadlog.pipeline import Pipeline
from tests.checklists.simulated import STOCK, SimulatedRun
from tests.checklists.traces import T0_NS, Bench, Load, Record, Source, at_s, fresh_random, load_spec, record, supply_spec

KIND = "sharing_imbalance"


def bench(rnd: random.Random, levels: tuple[float, ...], mode: str = "CC", status: bool = True, **more: object) -> Bench:
    """Loads load-1, load-2, ... with their own gain errors on one source; leads of different length."""
    loads = [
        Load(
            load_spec(f"load-{n}", period_s=rnd.choice([0.5, 1.0]), status=status, sense="local", path_resistance_ohm=None, **more),
            mode, level, path_ohm=rnd.uniform(0.005, 0.03), gain_error=rnd.uniform(-2e-4, 2e-4),
        )
        for n, level in enumerate(levels, 1)
    ]  # fmt: skip
    return Bench(rnd, Source(), loads)


def play(line: Bench, until_s: float) -> Record:
    return record(line, until_s)


@pytest.mark.parametrize("mode", ["CC", "CR"])
def test_a_load_that_leaves_its_share_is_named(mode: str) -> None:
    """Its share of the regulated level falls by a tenth without its set-point saying so: derating, or a contact."""
    rnd = fresh_random()
    line = bench(rnd, (5.0, 5.0, 4.0) if mode == "CC" else (6.0, 6.0, 8.0), mode, status=False)
    at = rnd.uniform(200.0, 300.0)
    factor = 0.9 if mode == "CC" else 1.12
    line.at(at, lambda: setattr(line.loads[1], "level", line.loads[1].level * factor))
    out = play(line, at + 120.0)
    (event,) = out.raised(KIND)
    assert (event.device, event.group, event.evidence["departs"]) == (None, "g", "load-2")
    assert at_s(event.onset.earliest_utc_ns) <= at <= at_s(event.onset.latest_utc_ns) + 0.01
    assert at_s(event.detected_utc_ns) - at < 70.0
    assert sum(event.evidence["share"].values()) == pytest.approx(1.0, abs=1e-4)
    assert set(event.alternatives) == {"setpoint_changed"}, "it reports no set-point: a hand on the knob is as good a reason"
    assert event.confidence + event.alternatives["setpoint_changed"] == pytest.approx(1.0)


def test_set_points_give_the_shares_at_once() -> None:
    """A load that regulates wrongly from the start: nothing needs to be learned, its set-point says what it should carry."""
    run = simulated(fresh_random())
    run.fault(5.0, "regulation_error", "load-2", 120.0, share=-0.1)
    out = run.run(240.0)
    (event,) = out.raised(KIND)
    assert event.evidence["departs"] == "load-2"
    assert (event.confidence, dict(event.alternatives)) == (1.0, {}), "its set-point says that no hand was on the knob"
    assert at_s(event.detected_utc_ns) < 60.0
    assert out.last(KIND).state is EventState.CLEARED


def simulated(rnd: random.Random) -> SimulatedRun:
    """Two loads on the simulated supply."""
    text = STOCK.format(level=4.0, mode="CC", sense="local").replace(
        "[[meter]]", '[[load]]\nname = "load-2"\nsource = "psu"\nsetpoint = 3.0\nserial = 2\n[[meter]]'
    ).replace('units = { 1 = "load-1", 5 = "case" }', 'units = { 1 = "load-1", 2 = "load-2", 5 = "case" }')  # fmt: skip
    devices = [
        DeviceConfig(name=n, role="load", bus="b", unit_id=k, profile="p", rate_hz=2.0, group="g")
        for k, n in ((1, "load-1"), (2, "load-2"))
    ]
    return SimulatedRun(rnd, text, devices)


def test_set_points_that_differ_on_purpose_are_fine() -> None:
    rnd = fresh_random()
    run = simulated(rnd)
    for n in range(1, 6):
        run.fault(n * rnd.uniform(55.0, 70.0), "knob", rnd.choice(["load-1", "load-2"]), None, setpoint=round(rnd.uniform(1.0, 4.5), 3))
    assert run.run(420.0).raised(KIND) == []


@pytest.mark.parametrize("mode", ["CC", "CP", "CR"])
def test_a_balanced_group_raises_nothing(mode: str) -> None:
    rnd = fresh_random()
    levels = {"CC": (5.0, 3.0), "CP": (60.0, 90.0), "CR": (6.0, 9.0)}[mode]
    assert play(bench(rnd, levels, mode), 1500.0).raised(KIND) == []


def test_a_load_in_cv_that_does_not_say_so_takes_what_the_source_gives() -> None:
    """The source warms up by some millivolts: the voltage is held, the current is not."""
    rnd = fresh_random()
    drift_v = rnd.choice([-1, 1]) * rnd.uniform(0.01, 0.03)
    source = Source(ohm=rnd.uniform(0.05, 0.2), slow_v=1e-4, sag=lambda t: drift_v * max(t - 300.0, 0.0) / 600.0)
    specs = [load_spec(f"load-{n}", period_s=0.5, status=False) for n in (1, 2)]
    level_v = source.emf_v - (4.0 + 2.0) * source.ohm
    line = Bench(rnd, source, [Load(specs[0], "CV", level_v), Load(specs[1], "CC", 4.0)])
    out = play(line, 900.0)
    currents = [s.values["current_a"] for s in out.samples if s.device == "load-1"]
    assert abs(currents[-1] - currents[300]) > 0.5 * abs(drift_v) / source.ohm  # else nothing was tried
    assert out.raised(KIND) == []


def test_a_load_that_trips_or_is_switched_off_is_no_imbalance() -> None:
    rnd = fresh_random()
    line = bench(rnd, (5.0, 5.0), status=rnd.random() < 0.5)
    line.at(200.0, lambda: setattr(line.loads[1], "input_on", False))
    line.at(320.0, lambda: setattr(line.loads[1], "input_on", True))
    line.at(500.0, lambda: setattr(line.loads[0], "answers", False))
    assert play(line, 700.0).raised(KIND) == []


def test_a_fixed_share_needs_no_learning() -> None:
    rnd = fresh_random()
    loads = [
        Load(load_spec(f"load-{n}", period_s=0.5, status=False, fixed={"current_share": share}), "CR", level)
        for n, (share, level) in enumerate(((0.5, 6.0), (0.5, 9.0)), 1)
    ]
    (event,) = play(Bench(rnd, Source(), loads), 60.0).raised(KIND)
    assert event.evidence["expected_share"] == {"load-1": 0.5, "load-2": 0.5}


def test_an_event_of_a_group_belongs_to_the_run_and_survives_a_restart() -> None:
    rnd = fresh_random()
    line = bench(rnd, (5.0, 5.0), status=False)
    line.at(200.0, lambda: setattr(line.loads[1], "level", 4.4))
    specs: list[DeviceSpec] = line.specs
    first = Pipeline(specs, next_seq=1, next_event_id=1, run_of=lambda name: "soak-0001")
    (event,) = record(line, 300.0, first).raised(KIND)
    assert event.run == "soak-0001"
    again = Pipeline(specs, next_seq=10**6, next_event_id=9)
    again.restore(first.active())
    line.loads[1].level = 5.0
    line.loads[1].spec = line.loads[1].spec
    out = record(line, 600.0, again)
    assert [e.id for e in out.events if e.kind == KIND] in ([], [event.id])


def test_an_uncertain_neighbour_decides_nothing() -> None:
    rnd = fresh_random()
    line = bench(rnd, (5.0, 5.0), status=False)
    line.loads[1].answers = False
    assert play(line, 300.0).raised(KIND) == []


def test_a_level_ordered_on_a_load_that_reports_no_set_point_is_on_purpose() -> None:
    """Whichever of the group's loads it is."""
    rnd = fresh_random()
    line = bench(rnd, (5.0, 4.0), status=False)
    pipeline = Pipeline(line.specs, next_seq=1, next_event_id=1)
    for n, load in enumerate(line.loads):
        at = rnd.uniform(200.0, 300.0) + 200.0 * n

        def ordered(load: Load = load, at: float = at) -> None:
            load.level *= 0.6
            pipeline.order(load.spec.name, "setpoint", load.level, T0_NS + round(at * 1e9))

        line.at(at, ordered)
    assert record(line, 700.0, pipeline).raised(KIND) == []


def test_what_loads_take_of_a_source_in_its_limit_is_no_imbalance() -> None:
    """Both are at their knees and share by their resistances; the source's failure is told, and nothing of the loads."""
    line = bench(fresh_random(), (6.0, 3.0))
    line.at(60.0, lambda: setattr(line.source, "limit_a", 4.5))
    line.at(200.0, lambda: setattr(line.source, "limit_a", 30.0))
    out = play(line, 280.0)
    assert out.raised("supply_trip")
    assert out.raised(KIND) == []


def by_droop(rnd: random.Random, currents_a: list[float], parts_v: list[float]) -> list[Event]:
    """Two supplies in parallel share by their droop of 50 mOhm; for two minutes each the load draws ``currents_a``, and their open voltages
    are ``parts_v`` apart."""
    names, ohm = ("psu-1", "psu-2"), 0.05
    specs = [supply_spec(name, period_s=1.0) for name in names]
    specs = [replace(spec, channels=tuple(c for c in spec.channels if c.name != "mode")) for spec in specs]
    pipeline = Pipeline(specs, next_seq=1, next_event_id=1)
    events: list[Event] = []
    for second in range(120 * len(currents_a)):
        current_a, apart_v = currents_a[second // 120], parts_v[second // 120]
        for sign, name in zip((1.0, -1.0), names, strict=True):
            own_a = 0.5 * current_a + 0.5 * sign * apart_v / ohm
            volts = 12.0 - 0.5 * current_a * ohm
            counts = {"voltage_v": round(1e3 * volts + rnd.gauss(0, 0.6)), "current_a": round(1e3 * own_a + rnd.gauss(0, 0.6))}
            events += pipeline.feed(Reading(name, Stamp(T0_NS + second * 10**9, 2_000_000), counts))[1]
    return [e for e in events if e.kind == KIND]


def test_supplies_that_share_by_their_droop_part_otherwise_at_another_current() -> None:
    """Their difference stays, which is a quarter of 2 A and a twentieth of 10 A."""
    rnd = fresh_random()
    currents_a = [10.0, 3.0, 9.8, *(round(rnd.uniform(2.0, 12.0), 2) for _ in range(5))]
    assert by_droop(rnd, currents_a, [rnd.choice([0.025, -0.025])] * len(currents_a)) == []


def test_a_supply_that_leaves_its_droop_at_the_same_current_is_told() -> None:
    events = by_droop(fresh_random(), [4.0, 10.0, 10.0, 10.0], [0.025, 0.025, 0.025, 0.005])
    assert [str(e.state) for e in events] == ["active"]
    assert events[0].evidence["expected_share"] == pytest.approx({"psu-1": 0.525, "psu-2": 0.475}, abs=1e-3)
