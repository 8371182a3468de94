"""`drift`, and `noise_changed` of a group, with the physics of the tests' bench: what they must find, one test for each thing they must be
told apart from. Seeds are fresh and printed."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from loadlog.detectors.blocks import condense
from loadlog.detectors.drift_chart import line_through
from loadlog.model.event import Event
from loadlog.model.sample import Reading
from loadlog.pipeline import Pipeline
from tests.checklists.traces import T0_NS, Bench, Load, Record, Source, at_s, fresh_random, load_spec, meter_spec, record
from tests.unit.detectors.minutes import KINDS, MINUTE_S, bench, raised

# -- drift


@pytest.mark.parametrize("period_s", [0.2, 1.0, 2.0])
def test_a_drift_is_found_and_told_with_its_rate(period_s: float) -> None:
    rnd = fresh_random()
    begin_s, per_h = 20 * MINUTE_S, rnd.choice([-1, 1]) * rnd.uniform(0.05, 0.3)
    line = bench(rnd, sag=lambda t: -per_h * max(0.0, t - begin_s) / 3600.0, period_s=period_s)
    out = record(line, 55 * MINUTE_S)
    (event,) = raised(out)
    assert (event.kind, event.key, str(event.severity)) == ("drift", "voltage_v", "warning")
    assert math.copysign(1.0, event.evidence["change"]) == math.copysign(1.0, per_h)
    assert abs(event.evidence["change"]) > event.evidence["threshold"] >= 24.0 * 0.0005 / math.sqrt(3.0)
    # no sooner than the drift reaches the channel's standard uncertainty, no later than eight minutes after twice of it
    u_v = (0.0005 * 24.0 + 0.010) / math.sqrt(3.0)
    found_s = at_s(event.detected_utc_ns)
    assert found_s - begin_s > 0.8 * u_v / abs(per_h) * 3600.0
    assert found_s - begin_s < 2.0 * u_v / abs(per_h) * 3600.0 + 8 * MINUTE_S
    assert at_s(event.onset.earliest_utc_ns) <= begin_s + MINUTE_S


def test_a_drift_ends_when_the_level_comes_back() -> None:
    rnd = fresh_random()
    line = bench(rnd, sag=lambda t: 0.06 * max(0.0, math.sin((t - 900.0) / 3600.0 * math.pi)) if 900.0 < t < 4500.0 else 0.0)
    out = record(line, 80 * MINUTE_S)
    assert len(raised(out)) == 1
    assert str(out.last("drift").state) == "cleared"
    assert out.last("drift").evidence["ended"] == "back at its settled level"


def test_a_drift_of_the_instrument_is_named_as_the_alternative_that_it_is() -> None:
    """Within the accuracy's bound it cannot be told from the instrument's own."""
    rnd = fresh_random()
    line = bench(rnd, sag=lambda t: 0.04 * max(0.0, t - 1200.0) / 3600.0)
    line.source.slow_v = 0.0
    (event,) = raised(record(line, 60 * MINUTE_S))
    assert 0.0 < event.alternatives["instrument_drift"] < 0.5
    assert event.evidence["would_decide"] == "another instrument at the same source"
    assert event.confidence + sum(event.alternatives.values()) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize(("heatsink", "is_named"), [("with the room", True), ("none", True), ("unmoved", False)])
def test_air_that_nobody_measures_is_named_beside_a_drift(heatsink: str, is_named: bool) -> None:
    """A window is opened: the supply follows the room within half an hour, the heatsink at once. One that does not move excludes it."""
    rnd = fresh_random()
    line = bench(rnd, sag=lambda t: 0.03 * (1.0 - math.exp(-max(0.0, t - 1500.0) / 900.0)))
    line.source.slow_v = 0.0
    load = line.loads[0]
    if heatsink == "none":
        load.spec = replace(load.spec, channels=tuple(c for c in load.spec.channels if c.name != "temperature_c"))
    if heatsink == "with the room":
        line.at(1500.0, lambda: setattr(load, "heatsink_c", 34.0))
    events = [e for e in raised(record(line, 70 * MINUTE_S)) if e.key == "voltage_v"]
    assert events
    for event in events:
        assert (event.alternatives.get("temperature_effect", 0.0) > 0.05) is is_named
        assert ("the temperature of the air" in event.evidence.get("would_decide", "")) is is_named
        assert event.confidence + sum(event.alternatives.values()) == pytest.approx(1.0, abs=1e-3)


def warm_up(rnd: random.Random) -> Callable[[float], float]:
    volts, tau_s = rnd.choice([-1, 1]) * rnd.uniform(0.02, 0.08), rnd.uniform(120.0, 1200.0)
    return lambda t: volts * (1.0 - math.exp(-t / tau_s))


def discharge(rnd: random.Random) -> Callable[[float], float]:
    per_h = rnd.uniform(0.3, 4.0)
    return lambda t: per_h * t / 3600.0 + 0.3 * math.exp(-t / 60.0)


def step(rnd: random.Random) -> Callable[[float], float]:
    at, volts = rnd.uniform(1300.0, 2400.0), rnd.choice([-1, 1]) * rnd.uniform(0.02, 0.5)
    return lambda t: volts if t > at else 0.0


@pytest.mark.parametrize("what", [warm_up, discharge, step, lambda rnd: None], ids=["warm-up", "battery", "step", "nothing"])
def test_no_drift(what: Callable[[random.Random], Callable[[float], float] | None]) -> None:
    rnd = fresh_random()
    for _ in range(4):
        assert raised(record(bench(rnd, sag=what(rnd), sense="local", path_resistance_ohm=None), 75 * MINUTE_S)) == []


@pytest.mark.parametrize(("mode", "status"), [("CR", True), ("CP", True), ("CR", False)])
def test_a_current_that_follows_the_sagging_voltage_by_the_curve_of_its_mode_is_no_drift(mode: str, status: bool) -> None:
    """A battery so large that the current, known less well than the voltage, seems settled."""
    rnd = fresh_random()
    for _ in range(2):
        per_h = rnd.uniform(0.12, 0.16)
        line = bench(rnd, sag=lambda t, v=per_h: v * t / 3600.0, period_s=2.0, status=status)  # type: ignore[misc]
        load = line.loads[0]
        load.mode, load.level = mode, 24.0 / 5.0 if mode == "CR" else 24.0 * 5.0
        assert raised(record(line, 200 * MINUTE_S)) == []


def test_a_resistance_that_drifts_is_told_of_the_current() -> None:
    """In CR too, when the voltage does not explain it."""
    line = bench(fresh_random(), period_s=2.0, status=False)
    load = line.loads[0]
    load.mode, load.level = "CR", 24.0 / 5.0
    for minute in range(20, 100):
        line.at(minute * MINUTE_S, lambda: setattr(load, "level", load.level * 0.9998))
    assert "current_a" in {e.key for e in raised(record(line, 100 * MINUTE_S))}


def test_what_follows_the_temperature_is_no_drift_and_what_does_not_is() -> None:
    """The room warms and cools; the supply has a temperature coefficient, and the heatsink shows the room."""
    rnd = fresh_random()

    def room_k(t: float) -> float:
        return 6.0 * math.sin(max(0.0, t - 1500.0) / 2400.0 * math.pi / 2.0)

    def play(sag: Callable[[float], float]) -> list[Event]:
        line = bench(rnd, sag=sag)
        for minute in range(100):
            line.at(minute * MINUTE_S, lambda m=minute: setattr(line.loads[0], "heatsink_c", 45.0 + room_k(m * MINUTE_S)))  # type: ignore[misc]
        return raised(record(line, 95 * MINUTE_S))

    per_k = rnd.choice([-1, 1]) * rnd.uniform(0.005, 0.012)
    assert play(lambda t: per_k * room_k(t)) == []
    (event,) = play(lambda t: 0.08 * max(0.0, t - 1500.0) / 3600.0)
    assert event.alternatives.get("temperature_effect", 0.0) < 0.5


def test_a_changed_operating_point_begins_anew_and_ends_what_was_active() -> None:
    rnd = fresh_random()
    line = bench(rnd, sag=lambda t: 0.2 * max(0.0, t - 1200.0) / 3600.0)
    line.at(45 * MINUTE_S, lambda: setattr(line.loads[0], "level", 2.0))
    pipeline = Pipeline(line.specs, next_seq=1, next_event_id=1)
    out = record(line, 46 * MINUTE_S, pipeline)
    assert len(raised(out)) == 1
    assert (out.last("drift").evidence["ended"], str(out.last("drift").state)) == ("the operating point changed", "cleared")
    assert set(KINDS) <= pipeline.learned("load-1").learning.keys()


def test_currents_that_creep_move_the_voltage_without_a_drift() -> None:
    """A load whose current drifts over the source's resistance: the current's drift is told, the voltage's is explained by it."""
    rnd = fresh_random()
    line = bench(rnd, sense="remote")
    line.source.ohm = 0.25
    for minute in range(20, 60):
        line.at(minute * MINUTE_S, lambda m=minute: setattr(line.loads[0], "level", line.loads[0].level + 0.003))  # type: ignore[misc]
    for load in line.loads:
        load.spec = load_spec(period_s=1.0, status=False)
    out = record(line, 60 * MINUTE_S)
    assert {e.key for e in raised(out)} <= {"current_a"}


def test_a_current_that_is_swept_from_the_start_moves_the_voltage_without_a_drift() -> None:
    """By less than a coarse instrument takes for another operating point at each step, so the current never has a level to depart from."""
    line = bench(fresh_random(), noise=0.2, step="0.01", status=False)
    line.source.ohm, line.source.slow_v = 0.45, 0.0
    for n in range(300):
        line.at(18.0 * n, lambda n=n: setattr(line.loads[0], "level", 0.05 + 0.002 * n))  # type: ignore[misc]
    assert [e.key for e in raised(record(line, 90 * MINUTE_S)) if e.key == "voltage_v"] == []


def test_a_restart_in_mid_run_goes_on_from_the_settled_level() -> None:
    rnd = fresh_random()
    line = bench(rnd, sag=lambda t: 0.06 if t > 1450.0 else 0.0)
    first = Pipeline(line.specs, next_seq=1, next_event_id=1)
    record(line, 1450.0, first)
    again = Pipeline(line.specs, next_seq=10**6, next_event_id=1)
    again.recall("load-1", first.learned("load-1"))
    assert [e.kind for e in raised(record(line, 3000.0, again))] == ["drift"]  # sagged while nobody looked
    forgetful = Pipeline(line.specs, next_seq=10**6, next_event_id=1)
    assert raised(record(line, 4500.0, forgetful)) == []


# -- the statistics under it, against closed forms


def test_a_block_of_a_line_has_no_noise_and_a_block_of_noise_has_its_own() -> None:
    assert condense([24.0 + 0.001 * k for k in range(64)]).variance == pytest.approx(0.0, abs=1e-20)
    rnd = fresh_random()
    blocks = [condense([1e6 + rnd.gauss(0.0, 1e-3) for _ in range(100)]) for _ in range(200)]
    assert sum(b.variance for b in blocks) / 200 == pytest.approx(1e-6, rel=0.05)
    assert sum(b.neighbours for b in blocks) / 200 == pytest.approx(0.0, abs=0.04)


def test_neighbours_of_a_first_order_process() -> None:
    """Correlation of neighbours of x' = r x + e is r (Box and Jenkins); short blocks see a little less."""
    rnd = fresh_random()
    for r in (0.3, 0.6, 0.8):
        x, found = 0.0, 0.0
        for _ in range(100):
            values = []
            for _ in range(400):
                x = r * x + rnd.gauss(0.0, 1.0)
                values.append(x)
            found += condense(values).neighbours / 100
        assert found == pytest.approx(r, abs=0.05)


def test_a_line_through_values_is_the_least_squares_one() -> None:
    """Closed form of a small example: values 1, 3, 2, 5, 4 have slope 0.8 and mean 3, residual square 3.6."""
    line = line_through([1.0, 3.0, 2.0, 5.0, 4.0])
    assert (line.slope, line.mean) == (pytest.approx(0.8), pytest.approx(3.0))
    assert line.deviation == pytest.approx(math.sqrt(3.6 / 3.0))
    assert line.slope_deviation == pytest.approx(math.sqrt(3.6 / 3.0 / 10.0))


# -- one cause in a group, one event


def group_of_three(rnd: random.Random, sag: Callable[[float], float] | None = None, noise: float = 0.6) -> Bench:
    """Two loads with so many counts of noise and a meter, on one source."""
    specs = [load_spec(f"load-{n}", period_s=1.0, sense="local", path_resistance_ohm=None) for n in (1, 2)]
    loads = [Load(spec, level=3.0 + n, noise=noise) for n, spec in enumerate(specs, 1)]
    return Bench(rnd, Source(emf_v=24.0, slow_v=rnd.uniform(0.0, 0.0004), sag=sag), loads, [meter_spec(period_s=1.0)])


def test_a_drift_of_the_source_is_told_once_by_the_most_accurate_device_for_the_group() -> None:
    rnd = fresh_random()
    out = record(group_of_three(rnd, lambda t: 0.3 * max(0.0, t - 1500.0) / 3600.0), 55 * MINUTE_S)
    (event,) = raised(out)
    assert (event.kind, event.device, event.group) == ("drift", "meter", "g")
    assert event.evidence["also_seen_by"] in ("load-1", "load-2")
    assert "instrument_drift" not in event.alternatives


@pytest.mark.parametrize("noise", [0.6, 2.5])
def test_noise_of_the_source_is_told_once_and_for_the_group(noise: float) -> None:
    """It is many times the meter's own, and a few times that of loads with more noise: the same variance for all of them."""
    rnd = fresh_random()
    line = group_of_three(rnd, noise=noise)
    line.at(1200.0, lambda: setattr(line.source, "slow_v", 0.008))
    out = record(line, 2400.0)
    told = [(e.kind, e.device, e.group) for e in raised(out) if e.key == "voltage_v"]
    assert told == [("noise_changed", "meter", "g")]


def test_noise_of_one_load_is_its_own() -> None:
    rnd = fresh_random()
    for noise, grown in ((0.6, 6.0), (2.5, 12.0)):
        line = group_of_three(rnd, noise=noise)
        line.at(1200.0, lambda line=line, grown=grown: setattr(line.loads[0], "noise", grown))  # type: ignore[misc]
        told = [(e.kind, e.device, e.group) for e in raised(record(line, 2400.0)) if e.key == "voltage_v"]
        assert told == [("noise_changed", "load-1", None)]


def test_noise_of_the_source_is_told_once_though_the_witness_lacks_samples() -> None:
    """Noise that has grown makes possible spikes, which nobody uses; here the meter shows nothing in a fifth of its polls."""
    rnd = fresh_random()
    line = group_of_three(rnd)
    line.at(1200.0, lambda: setattr(line.source, "slow_v", 0.008))
    pipeline = Pipeline(line.specs, next_seq=1, next_event_id=1)
    out = Record()
    for item in line.run(2400.0):
        is_lost = isinstance(item, Reading) and item.device == "meter" and rnd.random() < 0.2
        out.events.extend(pipeline.feed(replace(item, counts={"voltage_v": None}) if is_lost else item)[1])  # type: ignore[call-arg]
    assert [(e.kind, e.device) for e in raised(out) if e.key == "voltage_v"] == [("noise_changed", "meter")]


def test_noise_that_an_order_to_a_load_of_the_group_takes_away_is_on_purpose() -> None:
    """A load in CV that begins to conduct holds the source's voltage, and the source's noise is gone for the meter."""
    rnd = fresh_random()
    source = Source(emf_v=24.0, slow_v=rnd.uniform(0.001, 0.003))
    loads = [Load(load_spec(f"load-{n}", period_s=1.0), mode, level) for n, mode, level in ((1, "CV", 25.0), (2, "CC", 3.0))]
    line = Bench(rnd, source, loads, [meter_spec(period_s=1.0)])
    pipeline = Pipeline(line.specs, next_seq=1, next_event_id=1)

    def order() -> None:
        loads[0].level = 23.9
        pipeline.order("load-1", "setpoint", 23.9, T0_NS + round(line.t_s * 1e9))

    line.at(1200.0 + rnd.uniform(0.0, 30.0), order)
    out = record(line, 2400.0, pipeline)
    assert [(e.device, e.message) for e in raised(out) if e.kind == "noise_changed"] == []


def test_what_only_one_device_shows_is_told_as_its_own() -> None:
    """A contact of load-2 that grows worse under local sense."""
    rnd = fresh_random()
    line = group_of_three(rnd)
    for minute in range(25, 60):
        line.at(minute * MINUTE_S, lambda m=minute: setattr(line.loads[1], "path_ohm", 0.012 + 0.0004 * (m - 24)))  # type: ignore[misc]
    out = record(line, 60 * MINUTE_S)
    (event,) = [e for e in raised(out) if e.kind == "drift"]
    assert (event.device, event.group) == ("load-2", None)
