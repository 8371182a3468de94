"""`sense_intermittent` on the simulated bench: a lead that comes and goes is one event with a count, and what must not pass for it."""

from __future__ import annotations

import random

import pytest

from loadlog.model.event import EventState
from loadlog.pipeline import Pipeline
from tests.checklists.simulated import SimulatedRun, stock
from tests.checklists.traces import Bench, Load, Record, Source, at_s, fresh_random, load_spec, record

KIND = "sense_intermittent"
SENSE = (KIND, "sense_fallback", "sense_restored")


def chatter(run: SimulatedRun, rnd: random.Random, times: int, shortest_s: float, begin_s: float = 30.0) -> float:
    """Opens so many times; returns the end of the last."""
    t_s = begin_s
    for _ in range(times):
        off_s = shortest_s * rnd.uniform(1.0, 2.5)
        run.fault(t_s, "sense_lead_off", "load-1", off_s)
        t_s += off_s + shortest_s * rnd.uniform(1.0, 2.5)
    return t_s


@pytest.mark.parametrize("path_ohm", [0.012, None])
@pytest.mark.parametrize(("rate_hz", "shortest_s"), [(10.0, 0.5), (10.0, 5.0), (2.0, 1.5), (1.0, 12.0)])
def test_a_lead_that_comes_and_goes_is_one_event(rate_hz: float, shortest_s: float, path_ohm: float | None) -> None:
    rnd = fresh_random()
    run = stock(rnd, level=rnd.uniform(4.0, 8.0), rate_hz=rate_hz, path_ohm=path_ohm)
    end_s = chatter(run, rnd, 8, shortest_s, 60.0)
    out = run.run(end_s + 5.0)
    (event,) = out.raised(KIND)
    assert at_s(event.onset.earliest_utc_ns) <= 60.0 <= at_s(event.onset.latest_utc_ns)
    assert event.evidence["path_resistance_ohm"] == pytest.approx(0.012, rel=0.25)
    least, most = (0.95, 1.0) if path_ohm else (0.6, 0.95)
    assert least < event.confidence < most
    fallbacks = [e for e in out.raised("sense_fallback", "sense_restored") if at_s(e.detected_utc_ns) > at_s(event.detected_utc_ns)]
    assert fallbacks == []
    assert not [e for e in run.pipeline.active() if e.kind == "sense_fallback"]
    out = run.run(end_s + 400.0)
    assert out.last(KIND).state is EventState.CLEARED
    assert 4 <= out.last(KIND).evidence["count"] <= 8


@pytest.mark.parametrize("path_ohm", [0.012, None])
@pytest.mark.parametrize(("mode", "level"), [("CV", 23.4), ("CP", 140.0), ("CR", 4.0)])
def test_it_is_told_in_every_mode(mode: str, level: float, path_ohm: float | None) -> None:
    """About 6 A from 0.1 Ω. In CV the current falls by R_path/(R_path + 0.1 Ω) of what it is, and the source's resistance was not seen."""
    rnd = fresh_random()
    load = Load(load_spec(path_resistance_ohm=path_ohm), mode=mode, level=level, noise=rnd.uniform(0.1, 1.0))
    bench = Bench(rnd, Source(ohm=0.1, slow_v=0.0), [load])
    for n in range(6):
        bench.at(30.02 + 8.0 * n, lambda: setattr(load, "sense_ok", False))
        bench.at(34.02 + 8.0 * n, lambda: setattr(load, "sense_ok", True))
    out = play(bench, 90.0)
    (event,) = out.raised(KIND)
    assert at_s(event.onset.earliest_utc_ns) <= 30.02 <= at_s(event.onset.latest_utc_ns)
    assert event.evidence["mode"] == mode.lower()
    assert event.confidence > 0.5
    if mode == "CV":
        assert event.evidence["step_a"] == pytest.approx(-6.0 * 0.012 / 0.112, rel=0.1)
        assert "path_resistance_ohm" not in event.evidence
    else:
        assert event.evidence["path_resistance_ohm"] == pytest.approx(0.012, rel=0.1)
    assert not [e for e in out.raised("current_limit_entered", "sense_fallback") if out.last(e.kind).state is not EventState.CLEARED]


def test_another_load_that_pulses_beside_one_in_cv_is_not_it() -> None:
    """The source's current at that voltage is shared: what the other one takes, the one in CV loses."""
    rnd = fresh_random()
    first = Load(load_spec(path_resistance_ohm=None), mode="CV", level=23.4)
    second = Load(load_spec("load-2", path_resistance_ohm=None), level=1.0)
    bench = Bench(rnd, Source(ohm=0.1, slow_v=0.0), [first, second])
    for n in range(8):
        bench.at(30.02 + 8.0 * n, lambda: setattr(second, "level", 1.5))
        bench.at(34.02 + 8.0 * n, lambda: setattr(second, "level", 1.0))
    assert record(bench, 110.0).raised(KIND) == []


def test_dips_that_the_configured_path_does_not_explain_are_rather_the_source() -> None:
    run = stock(fresh_random(), level=5.0, rate_hz=10.0, path_ohm=0.012)
    for n in range(8):
        run.fault(60.0 + 3.0 * n, "supply_droop", "psu", 1.5, volts=0.2)  # R_path explains 0.06 V
    out = run.run(90.0)
    (event,) = out.raised(KIND)
    assert event.confidence < 0.2
    assert event.alternatives == {"supply_droop": pytest.approx(1.0 - event.confidence)}
    states = [e for e in out.events if e.id == event.id]
    assert [e.evidence["count"] for e in states] == [3, 6]
    assert {e.confidence for e in states} == {event.confidence}


def test_a_lead_that_falls_off_in_the_end_is_told_as_fallen_off() -> None:
    rnd = fresh_random()
    run = stock(rnd, level=6.0, rate_hz=10.0)
    end_s = chatter(run, rnd, 5, 4.0, 60.0)
    run.fault(end_s + 5.0, "sense_lead_off", "load-1")
    out = run.run(end_s + 200.0)
    assert out.last(KIND).state is EventState.CLEARED
    assert [e.kind for e in run.pipeline.active()] == ["sense_fallback"]


def test_one_or_two_fallbacks_are_fallbacks() -> None:
    rnd = fresh_random()
    run = stock(rnd, level=5.0)
    chatter(run, rnd, 2, 20.0)
    out = run.run(200.0)
    assert [e.kind for e in out.raised(*SENSE)] == ["sense_fallback", "sense_restored"] * 2


@pytest.mark.parametrize(
    ("fault", "target", "params"),
    [("supply_trip", "psu", {"form": "hiccup"}), ("supply_noise", "psu", {"volts": 0.02}), ("supply_trip", "psu", {"form": "foldback"})],
)
def test_what_else_comes_and_goes_is_not_it(fault: str, target: str, params: dict[str, float | str]) -> None:
    run = stock(fresh_random(), level=5.0)
    run.fault(40.0, fault, target, 60.0, **params)
    assert run.run(140.0).raised(KIND) == []


def test_dips_that_a_meter_at_the_source_sees_are_the_sources() -> None:
    rnd = fresh_random()
    run = stock(rnd, level=5.0, meter=True)
    for n in range(8):
        run.fault(40.0 + 7.0 * n, "supply_droop", "psu", 3.0, volts=0.06)
    assert run.run(130.0).raised(KIND) == []


def play(bench: Bench, until_s: float) -> Record:
    return record(bench, until_s, Pipeline(bench.specs, next_seq=1, next_event_id=1))


@pytest.mark.parametrize("step", ["0.001", "0.01"])
def test_noise_bursts_and_steps_of_the_load_are_not_it(step: str) -> None:
    rnd = fresh_random()
    load = Load(load_spec(step=step, path_resistance_ohm=rnd.choice([None, 0.012])), level=5.0, noise=rnd.uniform(0.1, 1.0))
    bench, usual = Bench(rnd, Source(slow_v=rnd.uniform(0.0, 0.002)), [load]), load.noise
    for n in range(8):
        bench.at(30.0 + 20.0 * n, lambda: setattr(load, "noise", usual * rnd.uniform(2.0, 8.0)))
        bench.at(37.0 + 20.0 * n, lambda: setattr(load, "noise", usual))
        bench.at(45.0 + 20.0 * n, lambda: setattr(load, "level", rnd.choice([5.0, 6.5])))
    assert play(bench, 220.0).raised(KIND) == []


@pytest.mark.parametrize("path_ohm", [0.012, None])
def test_small_steps_of_the_current_into_a_soft_source_are_not_it(path_ohm: float | None) -> None:
    """One per cent of the current and back, as a sweep in fine steps makes it: the voltage follows by the source's resistance."""
    rnd = fresh_random()
    load = Load(load_spec(path_resistance_ohm=path_ohm), level=6.0, noise=rnd.uniform(0.1, 1.0))
    bench = Bench(rnd, Source(ohm=rnd.uniform(0.12, 0.3)), [load])
    for n in range(40):
        bench.at(30.0 + 5.0 * n, lambda n=n: setattr(load, "level", 6.0 if n % 2 else 6.07))  # type: ignore[misc]
    assert play(bench, 240.0).raised(KIND) == []


def test_a_lead_on_a_battery_that_sags_comes_and_goes() -> None:
    """While the contact is open the battery sags by as much as the path drops."""
    rnd = fresh_random()
    path_ohm, level_a = 0.0017, rnd.uniform(5.0, 8.0)
    load = Load(load_spec(path_resistance_ohm=path_ohm), level=level_a, path_ohm=path_ohm, noise=rnd.uniform(0.3, 0.6))
    bench = Bench(rnd, Source(39.0, 0.1, drift_v_per_s=-path_ohm * level_a / 4.0, slow_v=0.0), [load])
    for n in range(6):
        bench.at(30.0 + 8.0 * n, lambda: setattr(load, "sense_ok", False))
        bench.at(34.0 + 8.0 * n, lambda: setattr(load, "sense_ok", True))
    (event,) = play(bench, 90.0).raised(KIND)
    assert at_s(event.onset.earliest_utc_ns) <= 30.0 <= at_s(event.onset.latest_utc_ns)


def test_a_restart_goes_on_counting() -> None:
    rnd = fresh_random()
    run = stock(rnd, level=6.0, rate_hz=10.0)
    chatter(run, rnd, 4, 1.0, 60.0)
    run.run(75.0)
    before = run.pipeline.active()
    assert [e.kind for e in before] == [KIND]
    again = Pipeline(run.specs, next_seq=10**6, next_event_id=99)
    again.restore(before)
    run.pipeline = again
    out = run.run(300.0)
    assert [(e.id, e.state) for e in out.events if e.kind == KIND][-1] == (before[0].id, "cleared")
