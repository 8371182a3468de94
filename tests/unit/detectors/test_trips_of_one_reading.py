"""What one poll shows of a trip, and what the next one says of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from loadlog.model.sample import PollFailure, Reading
from loadlog.pipeline import Pipeline
from tests.checklists.traces import Bench, Load, Record, at_s, covers, fresh_random, load_spec, meter_spec, record

TRIPS = ("supply_trip", "load_trip", "open_circuit")


def altered(pipeline: Pipeline, out: Record, item: Reading | PollFailure, **channels: int) -> None:
    """Feed it with other counts."""
    if channels and isinstance(item, Reading):
        item = replace(item, counts={**item.counts, **channels})
    out.events += pipeline.feed(item)[1]


@pytest.mark.parametrize("status", [True, False])
def test_a_voltage_that_was_read_before_the_supply_gave_up_is_looked_at_again(status: bool) -> None:
    """Voltage and current of one poll are not of one instant: the first without current may show the voltage of before. So early
    validation marks no reading yet."""
    bench = Bench(fresh_random(), loads=[Load(load_spec(status=status))], meters=[meter_spec(period_s=0.1)])
    pipeline, out, is_first = Pipeline(bench.specs, next_seq=1, next_event_id=1), Record(), True
    bench.at(1.42, lambda: setattr(bench.source, "is_on", False))
    for item in bench.run(10.0):
        late = is_first and bench.t_s > 1.42 and item.device == "load-1"
        is_first = is_first and not late
        altered(pipeline, out, item, **({"voltage_v": 23900, "power_w": 0} if late else {}))
    standing = [e for e in out.raised(*TRIPS) if "revised_to" not in out.last(e.kind).evidence]
    assert [e.kind for e in standing] == ["supply_trip"]
    assert covers(standing[0], 1.42)
    assert at_s(standing[0].detected_utc_ns) < 1.42 + 0.25  # two samples


def test_a_supply_that_is_switched_off_after_the_load_has_tripped_leaves_the_trip_the_loads() -> None:
    bench = Bench(fresh_random(), loads=[Load(load_spec())])
    load = bench.loads[0]
    bench.at(20.02, lambda: (setattr(load, "input_on", False), setattr(load, "protection", 1 << 3)))
    bench.at(20.12, lambda: setattr(bench.source, "is_on", False))
    assert [e.kind for e in record(bench, 40.0).raised(*TRIPS)] == ["load_trip"]


@pytest.mark.parametrize("level", [2.5, 4.0, 5.0, 7.5])
@pytest.mark.parametrize("polls", [1, 2, 3])
def test_one_false_reading_of_the_voltage_is_no_trip(level: float, polls: int) -> None:
    """At a turn of the knob, or near another one, validation marks none; the current tells, since it does not go and come back with it."""
    bench = Bench(fresh_random(), loads=[Load(load_spec())])
    pipeline, out, seen = Pipeline(bench.specs, next_seq=1, next_event_id=1), Record(), 0
    bench.at(20.02, lambda: setattr(bench.loads[0], "level", level))
    for item in bench.run(40.0):
        seen += bench.t_s > 20.02
        is_false = seen == polls or (level == 5.0 and seen == polls + 2)
        altered(pipeline, out, item, **({"voltage_v": 3000} if is_false else {}))
    assert out.raised(*TRIPS) == []


@pytest.mark.parametrize("meter", [False, True])
def test_a_limit_that_falls_for_good_is_told_at_its_second_sample(meter: bool) -> None:
    bench = Bench(fresh_random(), loads=[Load(load_spec())], meters=[meter_spec()] if meter else [])
    bench.at(20.02, lambda: setattr(bench.source, "limit_a", 4.9))
    trips = record(bench, 40.0).raised(*TRIPS)
    assert [e.kind for e in trips] == ["supply_trip"]
    assert at_s(trips[0].detected_utc_ns) < 20.02 + 0.25
