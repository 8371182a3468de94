"""`current_limit_entered` on the simulated bench (supply limit 10.5 A), and what it must be told apart from."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from loadlog.config import DeviceConfig
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import EventState
from loadlog.model.quantity import Scale
from loadlog.model.sample import Reading, Stamp
from loadlog.pipeline import Pipeline
from tests.checklists.simulated import STOCK, SimulatedRun, stock
from tests.checklists.traces import T0_NS, Bench, Load, Source, at_s, covers, fresh_random, load_spec, number, record

KIND = "current_limit_entered"


def knob(rnd: random.Random, to: float, mode: str = "CC", level: float = 6.0, rate_hz: float = 5.0) -> tuple[SimulatedRun, float]:
    """A load whose knob is turned at a drawn time."""
    run = stock(rnd, level=level, mode=mode, rate_hz=rate_hz)
    at = rnd.uniform(20.0, 30.0)
    run.fault(at, "knob", "load-1", None, setpoint=to)
    return run, at


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0])
@pytest.mark.parametrize(("mode", "level", "to"), [("CC", 6.0, 12.0), ("CC", 10.0, 11.0), ("CP", 120.0, 330.0)])
def test_a_set_point_beyond_the_sources_limit(mode: str, level: float, to: float, rate_hz: float) -> None:
    run, at = knob(fresh_random(), to, mode, level, rate_hz)
    out = run.run(50.0)
    (event,) = out.raised(KIND)
    assert covers(event, at)
    assert event.evidence["limit_a"] == pytest.approx(10.5, rel=0.02)
    assert (event.evidence["setpoint"], event.evidence["setpoint_before"]) == (pytest.approx(to), pytest.approx(level))
    assert at_s(event.detected_utc_ns) - at < 13.0 / rate_hz + 1.0
    left = [e for e in out.raised("supply_trip", "load_trip", "open_circuit") if out.last(e.kind).state is EventState.ACTIVE]
    assert left == []  # a trip that was said before the set-point was read is revised
    if out.raised("supply_trip"):
        assert out.last("supply_trip").evidence["revised_to"] == KIND


def test_it_ends_when_the_knob_is_turned_back() -> None:
    run, _ = knob(fresh_random(), 12.0)
    run.fault(40.0, "knob", "load-1", None, setpoint=5.0)
    out = run.run(60.0)
    assert out.last(KIND).state is EventState.CLEARED
    assert out.last(KIND).evidence["ended"] == "the set-point is reached again"


@pytest.mark.parametrize("to", [3.0, 9.5])
def test_a_knob_within_the_limit_is_only_a_knob(to: float) -> None:
    out = knob(fresh_random(), to)[0].run(50.0)
    assert [e.kind for e in out.raised()] == ["setpoint_changed"]


@pytest.mark.parametrize(
    ("fault", "params"),
    [
        ("sense_lead_off", {}), ("supply_droop", {"volts": 0.6}), ("supply_trip", {"form": "foldback"}),
        ("supply_trip", {"form": "current_limit"}), ("supply_trip", {"form": "latch_off"}), ("supply_trip", {"form": "hiccup"}),
    ],
)  # fmt: skip
def test_what_else_moves_voltage_or_current_is_not_it(fault: str, params: dict[str, float | str]) -> None:
    run = stock(fresh_random(), level=6.0, rate_hz=5.0)
    run.fault(25.0, fault, "load-1" if fault == "sense_lead_off" else "psu", 20.0, **params)
    assert run.run(60.0).raised(KIND) == []


def test_two_loads_together_exceed_the_limit() -> None:
    """The other load takes what this one lacks; a load in CR lets the voltage sink only so far, and no trip is near."""
    rnd = fresh_random()
    text = STOCK.format(level=6.0, mode="CC", sense="remote").replace(
        "[[meter]]",
        '[[load]]\nname = "load-2"\nsource = "psu"\nsetpoint = 8.0\nmode = "CR"\nsense = "remote"\nserial = 2\n[[meter]]',
    ).replace('units = { 1 = "load-1", 5 = "case" }', 'units = { 1 = "load-1", 2 = "load-2", 5 = "case" }')  # fmt: skip
    devices = [
        DeviceConfig(name=n, role="load", bus="b", unit_id=k, profile="p", rate_hz=5.0, sense="remote", group="g")
        for k, n in ((1, "load-1"), (2, "load-2"))
    ]
    run = SimulatedRun(rnd, text, devices)
    run.fault(30.0, "knob", "load-1", None, setpoint=9.0)
    out = run.run(60.0)
    assert [e.device for e in out.raised(KIND)] == ["load-1"] or not out.raised(KIND)


# -- a supply that reports its own mode


def supply_spec() -> DeviceSpec:
    mode = ChannelSpec("mode", "", "enum", Scale.of(1), 1.0, names={0: "CV", 1: "CC"})
    return DeviceSpec("psu", "supply", "b", 0.5, (number("voltage_v", "V", "0.01"), number("current_a", "A", "0.01"), mode))


def supply_reading(n: int, mode: int | None) -> Reading:
    counts: dict[str, int | None] = {"voltage_v": 2400, "current_a": 500}
    return Reading("psu", Stamp(T0_NS + n * 500_000_000, 10**6), counts if mode is None else {**counts, "mode": mode})


def test_a_supply_that_says_so() -> None:
    line = Pipeline([supply_spec()], next_seq=1, next_event_id=1)
    events = [e for n in range(30) for e in line.feed(supply_reading(n, int(10 <= n < 20)))[1] if e.kind == KIND]
    assert [(e.state, e.confidence) for e in events] == [("active", 1.0), ("cleared", 1.0)]


def test_a_supply_that_begins_in_its_limit_or_was_ordered_there_is_left_alone() -> None:
    line = Pipeline([supply_spec()], next_seq=1, next_event_id=1)
    assert [e for n in range(10) for e in line.feed(supply_reading(n, 1))[1] if e.kind == KIND] == []
    line = Pipeline([replace(supply_spec(), group="g")], next_seq=1, next_event_id=1)
    events = []
    for n in range(20):
        if n == 10:
            line.order("psu", "setpoint", 3.0, T0_NS + n * 500_000_000)
        events += [e for e in line.feed(supply_reading(n, int(n >= 10)))[1] if e.kind == KIND]
    assert events == []


@pytest.mark.parametrize("slow", [1, 10])
def test_a_climb_in_small_steps_enters_the_limit_however_little_is_missed(slow: int) -> None:
    """A coarse load is asked for 0.15 A more every 4 s, which is less than its accuracy tells apart; it ends 0.1 A beyond the limit."""
    spec = load_spec(step="0.01", slow=slow)
    bench = Bench(fresh_random(), Source(limit_a=3.95), loads=[Load(spec, level=3.0)])
    load, pipeline = bench.loads[0], Pipeline(bench.specs, next_seq=1, next_event_id=1)

    def order(value: float) -> None:
        pipeline.order("load-1", "setpoint", value, T0_NS + round(bench.t_s * 1e9))
        load.level = value

    for n in range(1, 8):
        bench.at(20.02 + 4.0 * n, lambda n=n: order(round(3.0 + 0.15 * n, 3)))  # type: ignore[misc]
    bench.at(70.02, lambda: order(3.0))
    out = record(bench, 80.0, pipeline)
    (event,) = out.raised(KIND, "supply_trip")
    assert event.kind == KIND
    assert covers(event, 48.02)
    assert out.last(KIND).state is EventState.CLEARED
    assert at_s(out.last(KIND).cleared_utc_ns or 0) == pytest.approx(70.1, abs=1.5)


@pytest.mark.parametrize(("tau_s", "period_s"), [(0.5, 0.1), (2.0, 0.5), (2.0, 0.02)])
def test_a_current_on_its_way_to_its_set_point_is_not_held_by_the_source(tau_s: float, period_s: float) -> None:
    """An instrument that shows means, on a source of 0.8 Ohm: readings of current and voltage follow an order by and by."""
    spec = load_spec(period_s=period_s, slow=1)
    bench = Bench(fresh_random(), Source(ohm=0.8), loads=[Load(spec, level=0.2)])
    load, pipeline = bench.loads[0], Pipeline(bench.specs, next_seq=1, next_event_id=1)
    events = []
    shown: dict[str, float] = {}
    bench.at(20.02, lambda: (setattr(load, "level", 3.0), pipeline.order("load-1", "setpoint", 3.0, T0_NS + round(bench.t_s * 1e9))))
    for item in bench.run(60.0):
        assert isinstance(item, Reading)
        for name in ("voltage_v", "current_a", "power_w"):
            true = float(item.counts[name] or 0)
            shown[name] = true + (shown.get(name, true) - true) * math.exp(-period_s / tau_s)
        counts = item.counts | {name: round(value) for name, value in shown.items()}
        events += pipeline.feed(replace(item, counts=counts))[1]
    assert [e.kind for e in events] == []


@pytest.mark.parametrize("phase", range(5))
def test_a_set_point_that_is_read_late_is_not_missed_by_what_came_before(phase: int) -> None:
    """Means again, and a hand: until the set-point is read the old one is exceeded; what is missing of the new one counts from then."""
    bench = Bench(fresh_random(), Source(ohm=0.8), loads=[Load(load_spec(period_s=1.0, slow=5), level=0.5)])
    pipeline, kinds = Pipeline(bench.specs, next_seq=1, next_event_id=1), set()
    shown: dict[str, float] = {}
    bench.at(40.5 + phase, lambda: setattr(bench.loads[0], "level", 3.0))
    for item in bench.run(80.0):
        assert isinstance(item, Reading)
        for name in ("voltage_v", "current_a", "power_w"):
            true = float(item.counts[name] or 0)
            shown[name] = true + (shown.get(name, true) - true) * math.exp(-0.5)
        counts = item.counts | {name: round(value) for name, value in shown.items()}
        kinds |= {e.kind for e in pipeline.feed(replace(item, counts=counts))[1]}
    assert kinds == {"setpoint_changed"}
