"""An input switched on by hand on a load that reports nothing: told from the current that begins to flow, and only when nothing else
explains it."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from loadlog.model.device import DeviceSpec
from loadlog.model.sample import Reading, Stamp
from loadlog.pipeline import Pipeline
from tests.checklists.traces import T0_NS, Bench, Load, Source, covers, fresh_random, load_spec, number, record

AT_S = 20.02


def bench_of(rnd: random.Random, *, sense: str = "remote", mode: str = "CC", level: float = 5.0, period_s: float = 0.1) -> Bench:
    """One load without status that is off, on a source that is on."""
    path_ohm = 0.012 if sense == "remote" else None
    spec = load_spec(status=False, sense=sense, path_resistance_ohm=path_ohm, period_s=period_s)
    return Bench(rnd, source=Source(emf_v=24.0, ohm=0.02), loads=[Load(spec, mode=mode, level=level, input_on=False)])


@pytest.mark.parametrize("period_s", [0.02, 0.1, 0.5, 2.0])
@pytest.mark.parametrize(("mode", "level"), [("CC", 5.0), ("CP", 120.0), ("CR", 5.0), ("CV", 23.9)])
@pytest.mark.parametrize("sense", ["remote", "local"])
def test_a_load_that_is_switched_on_by_hand(sense: str, mode: str, level: float, period_s: float) -> None:
    bench = bench_of(fresh_random(), sense=sense, mode=mode, level=level, period_s=period_s)
    bench.at(AT_S, lambda: setattr(bench.loads[0], "input_on", True))
    (event,) = record(bench, 40.0).raised()
    assert (event.kind, event.evidence["to"], event.evidence["inferred"]) == ("input_switched", "on", True)
    assert covers(event, AT_S)
    assert event.detected_utc_ns <= T0_NS + round((AT_S + 2.1 * period_s) * 1e9)
    assert {"setpoint_changed"} <= event.alternatives.keys() <= {"setpoint_changed", "lead_connected"}
    assert ("lead_connected" in event.alternatives) is (sense == "remote")
    assert event.confidence + sum(event.alternatives.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("channel", ["input_on", "setpoint", "mode"])
def test_an_order_of_ours_explains_it(channel: str) -> None:
    bench = bench_of(fresh_random())
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)

    def order() -> None:
        pipeline.order("load-1", channel, 1.0, T0_NS + round(bench.t_s * 1e9))
        bench.loads[0].input_on = True

    bench.at(AT_S, order)
    assert record(bench, 40.0, pipeline).raised() == []


def _source_on_then_the_load_by_itself(bench: Bench) -> None:
    bench.source.is_on, bench.loads[0].input_on = False, True
    bench.at(AT_S, lambda: setattr(bench.source, "is_on", True))


def _a_soft_start(bench: Bench) -> None:
    """A load that waits for a moment until the voltage of its source has settled."""
    bench.source.is_on = False
    bench.at(AT_S, lambda: setattr(bench.source, "is_on", True))
    bench.at(AT_S + 2.0, lambda: setattr(bench.loads[0], "input_on", True))


def _in_cv_the_source_rises_above_the_level(bench: Bench) -> None:
    load = bench.loads[0]
    load.mode, load.level, load.input_on = "CV", 24.5, True
    bench.at(AT_S, lambda: setattr(bench.source, "emf_v", 25.0))


def _in_cv_it_creeps_above_the_level(bench: Bench) -> None:
    load = bench.loads[0]
    load.mode, load.level, load.input_on, bench.source.drift_v_per_s = "CV", 24.01, True, 0.0005


def _one_spike(bench: Bench) -> None:
    load = bench.loads[0]
    bench.at(AT_S, lambda: setattr(load, "input_on", True))
    bench.at(AT_S + 0.1, lambda: setattr(load, "input_on", False))


@pytest.mark.parametrize(
    "act",
    [
        _source_on_then_the_load_by_itself, _a_soft_start, _in_cv_the_source_rises_above_the_level, _in_cv_it_creeps_above_the_level,
        _one_spike, lambda bench: None,
    ],
)  # fmt: skip
def test_what_was_no_hand_on_the_key(act: Callable[[Bench], None]) -> None:
    bench = bench_of(fresh_random())
    act(bench)
    assert "input_switched" not in [e.kind for e in record(bench, 40.0).raised()]


def _turned_up_before_it_starts(bench: Bench) -> None:
    """A load that waits for its source, and starts by itself a moment after."""
    bench.source.emf_v = 5.0
    bench.at(AT_S, lambda: setattr(bench.source, "emf_v", 24.0))
    bench.at(AT_S + 2.0, lambda: setattr(bench.loads[0], "input_on", True))


def _in_cv_the_source_rises_by_a_few_counts(bench: Bench) -> None:
    load = bench.loads[0]
    load.mode, load.level, load.input_on, bench.source.slow_v = "CV", 24.002, True, 0.0
    bench.at(AT_S, lambda: setattr(bench.source, "emf_v", 24.008))


def _so_stiff_that_nothing_decides(bench: Bench) -> None:
    bench.source.ohm = 0.0
    bench.at(AT_S, lambda: setattr(bench.loads[0], "input_on", True))


@pytest.mark.parametrize("act", [_turned_up_before_it_starts, _in_cv_the_source_rises_by_a_few_counts, _so_stiff_that_nothing_decides])
def test_what_may_have_been_another_cause(act: Callable[[Bench], None]) -> None:
    bench = bench_of(fresh_random())
    act(bench)
    assert record(bench, 40.0).raised("input_switched") == []


@pytest.mark.parametrize("correlation", [0.0, 0.9])
def test_noise_at_rest_is_no_current_but_a_current_in_it_is_one(correlation: float) -> None:
    """Of 15 counts, where 20 count as a current of an instrument that says nothing of its accuracy. Once it is known, what comes and goes
    in it has not stopped either."""
    rnd = fresh_random()
    device = DeviceSpec("load-1", "load", "b", 0.1, (number("voltage_v", "V", "0.001"), number("current_a", "A", "0.001")))
    pipeline, noise, told = Pipeline([device], next_seq=1, next_event_id=1), 0.0, []
    for n in range(20_000):
        noise = correlation * noise + rnd.gauss(0.0, 15.0 * (1.0 - correlation**2) ** 0.5)
        is_on = n >= 19_900
        counts = {"voltage_v": round((23_900 if is_on else 24_000) + rnd.gauss(0.0, 0.6)), "current_a": round(5000 * is_on + noise)}
        events = pipeline.feed(Reading("load-1", Stamp(T0_NS + n * 100_000_000, 4_000_000), counts))[1]
        told += [(n, e.kind) for e in events if n >= 200 or e.kind == "input_switched"]
    ((at, kind),) = told
    assert kind == "input_switched"
    assert 19_900 <= at <= 19_903


def test_a_stop_that_was_told_says_itself_that_the_current_flows_again() -> None:
    """Off and on by a hand: the stop is told with the hand among its causes, and is over."""
    bench = bench_of(fresh_random())
    load = bench.loads[0]
    load.input_on = True
    bench.at(AT_S, lambda: setattr(load, "input_on", False))
    bench.at(AT_S + 10.0, lambda: setattr(load, "input_on", True))
    out = record(bench, 60.0)
    (event,) = out.raised()
    assert {"load_trip", "open_circuit", "input_switched"} <= {event.kind, *event.alternatives}
    assert str(out.last(event.kind).state) == "cleared"


def test_off_by_order_and_on_by_hand_is_told() -> None:
    bench = bench_of(fresh_random())
    pipeline, load = Pipeline(bench.specs, next_seq=1, next_event_id=1), bench.loads[0]
    load.input_on = True

    def order() -> None:
        pipeline.order("load-1", "input_on", 0.0, T0_NS + round(bench.t_s * 1e9))
        load.input_on = False

    bench.at(AT_S, order)
    bench.at(AT_S + 10.0, lambda: setattr(load, "input_on", True))
    (event,) = record(bench, 60.0, pipeline).raised()
    assert event.kind == "input_switched"
    assert covers(event, AT_S + 10.0)


def test_an_order_to_switch_on_explains_a_load_that_takes_its_time() -> None:
    bench = bench_of(fresh_random())
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    bench.at(AT_S, lambda: pipeline.order("load-1", "input_on", 1.0, T0_NS + round(bench.t_s * 1e9)))
    bench.at(AT_S + 8.0, lambda: setattr(bench.loads[0], "input_on", True))
    assert record(bench, 40.0, pipeline).raised() == []


def test_a_level_ordered_long_before_switches_nothing_on() -> None:
    bench = bench_of(fresh_random())
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    bench.at(AT_S - 8.0, lambda: pipeline.order("load-1", "setpoint", 5.0, T0_NS + round(bench.t_s * 1e9)))
    bench.at(AT_S, lambda: setattr(bench.loads[0], "input_on", True))
    assert [e.kind for e in record(bench, 40.0, pipeline).raised()] == ["input_switched"]


def samples_of(rnd: random.Random, volts: Callable[[int], float], amps: Callable[[int], float], step_ns: Callable[[int], int]) -> list[str]:
    """Kinds told of 2,000 polls at 10 Hz; ``step_ns``: how far the clock is off."""
    device = DeviceSpec("load-1", "load", "b", 0.1, (number("voltage_v", "V", "0.001"), number("current_a", "A", "0.001")))
    pipeline, told = Pipeline([device], next_seq=1, next_event_id=1), []
    for n in range(2000):
        counts = {"voltage_v": round(1000 * volts(n) + rnd.gauss(0.0, 0.6)), "current_a": round(1000 * amps(n) + rnd.gauss(0.0, 0.6))}
        stamp = Stamp(T0_NS + n * 100_000_000 + step_ns(n), 4_000_000)
        told += [e.kind for e in pipeline.feed(Reading("load-1", stamp, counts))[1]]
    return told


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_voltage_answers_against_the_current(sign: float) -> None:
    """An instrument that charges too shows a negative current, at which the voltage rises; a source that rises with a current that is
    drawn lies above the level of a load in CV."""
    for answer, told in ((-0.1, ["input_switched"]), (0.1, [])):
        seen = samples_of(
            fresh_random(), lambda n, a=answer: 4.0 + a * sign * (n >= 1000), lambda n: 5.0 * sign * (n >= 1000), lambda n: 0
        )  # fmt: skip
        assert seen == told


def test_a_battery_that_recovers_after_a_load_is_left_alone() -> None:
    """It relaxes by 0.2 V, over seconds and over minutes; no current flows."""
    seen = samples_of(
        fresh_random(), lambda n: 12.0 - 0.1 * math.exp(-n / 30) - 0.1 * math.exp(-n / 600), lambda n: 0.0, lambda n: 0
    )  # fmt: skip
    assert seen == []


def test_where_the_clock_stepped_back_nobody_knows_what_was_ordered() -> None:
    for step_s, told in ((0, 1), (-3600, 0)):
        seen = samples_of(
            fresh_random(), lambda n: 24.0 - 0.1 * (n >= 1000), lambda n: 5.0 * (n >= 1000), lambda n, s=step_s: s * 10**9 * (n >= 1000)
        )  # fmt: skip
        assert seen.count("input_switched") == told


@pytest.mark.parametrize("sense", ["remote", "local"])
def test_of_a_stop_it_is_said_what_would_decide(sense: str) -> None:
    bench = bench_of(fresh_random(), sense=sense)
    load = bench.loads[0]
    load.input_on = True
    bench.at(AT_S, lambda: setattr(load, "input_on", False))
    (event,) = record(bench, 40.0).raised()
    assert event.evidence["would_decide"] == "a load that reports its protections and its input"
