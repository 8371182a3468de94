"""A set-point turned by hand on a load that does not report it: told from the current, and only when nothing else explains the current."""

from __future__ import annotations

import random

import pytest

from loadlog.pipeline import Pipeline
from tests.checklists.traces import T0_NS, Bench, Load, Source, covers, fresh_random, load_spec, record

AT_S = 20.02


def bench_of(rnd: random.Random, mode: str = "CC", level: float = 5.0) -> tuple[Bench, Load, Pipeline]:
    """One load without status, behind a source that answers with 20 mΩ."""
    bench = Bench(rnd, source=Source(emf_v=24.0, ohm=0.02), loads=[Load(load_spec(status=False), mode=mode, level=level)])
    return bench, bench.loads[0], Pipeline(bench.specs, next_seq=1, next_event_id=1)


@pytest.mark.parametrize("factor", [0.7, 1.25])
def test_a_turned_knob_is_inferred_from_the_current_and_said_to_be(factor: float) -> None:
    bench, load, pipeline = bench_of(fresh_random())
    bench.at(AT_S, lambda: setattr(load, "level", 5.0 * factor))
    out = record(bench, 40.0, pipeline)
    assert [e.kind for e in out.raised()] == ["setpoint_changed"]
    event = out.raised()[0]
    assert covers(event, AT_S)
    assert event.detected_utc_ns <= T0_NS + round((AT_S + 0.5) * 1e9)
    assert event.evidence["inferred"] is True
    assert abs(event.evidence["current_a"] - 5.0 * factor) < 0.02
    assert "does not report its set-point" in event.message
    assert {"mode_changed", "sharing_imbalance"} == set(event.alternatives)
    assert event.confidence + sum(event.alternatives.values()) == pytest.approx(1.0)


def test_an_order_explains_the_step_though_nothing_reports_it() -> None:
    bench, load, pipeline = bench_of(fresh_random())

    def order() -> None:
        pipeline.order("load-1", "setpoint", 6.0, T0_NS + round(bench.t_s * 1e9))
        load.level = 6.0

    bench.at(AT_S, order)
    assert "setpoint_changed" not in [e.kind for e in record(bench, 40.0, pipeline).raised()]


@pytest.mark.parametrize(("mode", "level"), [("CR", 5.0), ("CP", 120.0), ("CC", 5.0), ("CV", 23.9)])
def test_a_step_of_the_source_is_no_hand(mode: str, level: float) -> None:
    """In CV the current steps by half and more, at a voltage that holds."""
    bench, _, pipeline = bench_of(fresh_random(), mode, level)
    bench.at(AT_S, lambda: setattr(bench.source, "emf_v", 24.06 if mode == "CV" else 22.0))
    assert "setpoint_changed" not in [e.kind for e in record(bench, 40.0, pipeline).raised()]


def test_a_current_that_stops_is_left_to_trips() -> None:
    bench, load, pipeline = bench_of(fresh_random())
    bench.at(AT_S, lambda: setattr(load, "level", 0.0))
    assert "setpoint_changed" not in [e.kind for e in record(bench, 40.0, pipeline).raised()]
