"""Somebody operated the instrument, and it was not us."""

from __future__ import annotations

from dataclasses import replace

import pytest

from loadlog.model.device import DeviceSpec
from loadlog.model.sample import Reading, Stamp
from loadlog.pipeline import Pipeline
from tests.checklists.traces import T0_NS, Bench, Load, Record, covers, fresh_random, load_spec, record, supply_spec


def bench_with(device: DeviceSpec | None = None) -> tuple[Bench, Load, Pipeline]:
    """One load, and the pipeline that is told of orders."""
    bench = Bench(fresh_random(), loads=[Load(device or load_spec())])
    return bench, bench.loads[0], Pipeline(bench.specs, next_seq=1, next_event_id=1)


def kinds(out: Record) -> list[str]:
    return [e.kind for e in out.raised()]


def test_knob_turned_is_one_event_that_rests_at_last() -> None:
    bench, load, pipeline = bench_with()
    for n in range(20):
        bench.at(20.02 + 0.15 * n, lambda n=n: setattr(load, "level", 5.0 + 0.1 * (n + 1)))  # type: ignore[misc]
    out = record(bench, 40.0, pipeline)
    assert kinds(out) == ["setpoint_changed"]
    last = out.last("setpoint_changed")
    assert str(last.state) == "cleared"
    assert (last.evidence["from"], last.evidence["to"], last.evidence["unit"]) == (5.0, 7.0, "A")
    assert covers(out.raised()[0], 20.02)


def test_ordered_setpoint_mode_and_input_are_no_events() -> None:
    bench, load, pipeline = bench_with()

    def order(channel: str, attribute: str, value: object, number: float) -> None:
        pipeline.order("load-1", channel, number, T0_NS + round(bench.t_s * 1e9))
        setattr(load, attribute, value)

    bench.at(20.02, lambda: order("setpoint", "level", 6.0, 6.0))
    bench.at(30.02, lambda: order("input_on", "input_on", False, 0))
    bench.at(40.02, lambda: order("input_on", "input_on", True, 1))
    bench.at(50.02, lambda: (order("mode", "mode", "CR", 3), order("setpoint", "level", 5.0, 5.0)))
    assert kinds(record(bench, 70.0, pipeline)) == []


def test_an_order_explains_its_own_value_only() -> None:
    bench, load, pipeline = bench_with()

    def order_and_hand() -> None:
        pipeline.order("load-1", "setpoint", 6.0, T0_NS + round(bench.t_s * 1e9))
        load.level = 7.0

    bench.at(20.02, order_and_hand)
    assert kinds(record(bench, 30.0, pipeline)) == ["setpoint_changed"]


def test_a_report_that_lags_behind_the_last_order_is_explained_by_the_one_before() -> None:
    bench, load, pipeline = bench_with(load_spec(slow=1))

    def order(t_s: float, channel: str, attribute: str, value: object, number: float) -> None:
        """Given at ``t_s``, carried out a poll later."""
        bench.at(t_s, lambda: pipeline.order("load-1", channel, number, T0_NS + round(bench.t_s * 1e9)))
        bench.at(t_s + 0.1, lambda: setattr(load, attribute, value))

    for n in range(10):
        order(20.05 + 0.1 * n, "setpoint", "level", 6.0 + 0.5 * n, 6.0 + 0.5 * n)
        order(30.05 + 0.1 * n, "input_on", "input_on", n % 2 == 1, n % 2)
        order(40.05 + 0.1 * n, "mode", "mode", "CC" if n % 2 else "CR", 0 if n % 2 else 3)
    assert kinds(record(bench, 60.0, pipeline)) == []


@pytest.mark.parametrize("every", [1, 5])
@pytest.mark.parametrize("gap_s", [2.0, 5.0])
def test_an_instrument_that_answers_from_its_buffer_shows_an_order_a_poll_later_at_any_poll_rate(gap_s: float, every: int) -> None:
    """Of a change just after a poll the next one still shows nothing, however long ago that was."""
    pipeline = Pipeline([load_spec(slow=every, period_s=gap_s)], next_seq=1, next_event_id=1)
    reports = [{"setpoint": 5000, "input_on": 1, "mode": 0, "protection": 0}]
    kinds = []
    for n in range(40):
        buffered, now = reports[-1], dict(reports[-1])
        if n and n % (2 * every) == 0:  # before a poll that reads the set-point
            now |= {"setpoint": 5000 + 100 * n, "input_on": n // every % 4 // 2}
            t_ns = T0_NS + round(((n - 0.99) * gap_s + 0.001) * 1e9)
            for channel, value in (("setpoint", now["setpoint"] / 1000), ("input_on", now["input_on"])):
                pipeline.order("load-1", channel, value, t_ns)
        counts = {"voltage_v": 24000, "current_a": 5000 * buffered["input_on"], **buffered}
        if n % every:
            del counts["setpoint"]
        reports.append(now)
        kinds += [e.kind for e in pipeline.feed(Reading("load-1", Stamp(T0_NS + round(n * gap_s * 1e9), 2_000_000), counts))[1]]
    assert kinds == []


def test_of_more_orders_than_are_remembered_nobody_knows() -> None:
    bench, load, pipeline = bench_with(load_spec(slow=1))

    def order(t_s: float, level: float) -> None:
        """Takes effect when that one is forgotten already."""
        bench.at(t_s, lambda: pipeline.order("load-1", "setpoint", level, T0_NS + round(bench.t_s * 1e9)))
        bench.at(t_s + 1.9, lambda: setattr(load, "level", level))

    for n in range(60):
        order(20.02 + 0.1 * n, 5.0 + 0.05 * n)
    bench.at(60.02, lambda: setattr(load, "level", 3.0))  # a hand, when all that is settled
    out = record(bench, 80.0, pipeline)
    assert kinds(out) == ["setpoint_changed"]
    assert covers(out.raised()[0], 60.02)


@pytest.mark.parametrize(
    ("mode", "ordered", "carried_out"), [("CC", 6.0013, 5.996), ("CP", 60.02, 59.95), ("CR", 6.004, 6.0), ("CV", 23.5031, 23.51)]
)
def test_an_order_is_carried_out_to_a_step_of_the_converter(mode: str, ordered: float, carried_out: float) -> None:
    """What is reported is what was set, within the accuracy; further off it was not what we ordered."""
    for set_to, told in ((carried_out, []), (1.02 * carried_out, ["setpoint_changed"])):
        bench, load, pipeline = bench_with(load_spec(slow=1))
        load.mode, load.level = mode, 1.01 * ordered

        def order(load: Load = load, bench: Bench = bench, pipeline: Pipeline = pipeline, set_to: float = set_to) -> None:
            pipeline.order("load-1", "setpoint", ordered, T0_NS + round(bench.t_s * 1e9))
            load.level = set_to

        bench.at(20.02, order)
        assert kinds(record(bench, 30.0, pipeline)) == told


def test_an_old_order_explains_nothing() -> None:
    bench, load, pipeline = bench_with()

    def order() -> None:
        pipeline.order("load-1", "input_on", 0, T0_NS + round(bench.t_s * 1e9))

    bench.at(10.0, order)
    bench.at(20.02, lambda: setattr(load, "input_on", False))
    assert kinds(record(bench, 30.0, pipeline)) == ["input_switched"]


def test_input_switched_by_hand_is_no_trip() -> None:
    bench, load, pipeline = bench_with()
    bench.at(20.02, lambda: setattr(load, "input_on", False))
    bench.at(30.02, lambda: setattr(load, "input_on", True))
    out = record(bench, 40.0, pipeline)
    assert kinds(out) == ["input_switched", "input_switched"]
    assert [e.evidence["to"] for e in out.raised()] == ["off", "on"]
    assert covers(out.raised()[0], 20.02)
    assert out.raised()[0].confidence == 1.0


def test_protection_that_switches_the_input_off_is_no_hand() -> None:
    bench, load, pipeline = bench_with()
    bench.at(20.02, lambda: (setattr(load, "input_on", False), setattr(load, "protection", 1 << 4)))
    out = record(bench, 30.0, pipeline)
    assert "input_switched" not in kinds(out)
    assert kinds(out) == ["protection", "load_trip"]


def test_protection_word_that_is_read_later_is_waited_for() -> None:
    device = load_spec()
    device = replace(device, channels=tuple(replace(c, every=10) if c.name == "protection" else c for c in device.channels))
    for protection, expected in ((1 << 4, {"protection", "load_trip"}), (0, {"input_switched"})):
        bench, load, pipeline = bench_with(device)
        bench.at(20.02, lambda load=load, p=protection: (setattr(load, "input_on", False), setattr(load, "protection", p)))
        assert set(kinds(record(bench, 30.0, pipeline))) == expected


def test_mode_changed_tells_from_and_to_and_swallows_the_setpoint_of_the_new_unit() -> None:
    bench, load, pipeline = bench_with()
    bench.at(20.02, lambda: (setattr(load, "mode", "CR"), setattr(load, "level", 4.8)))
    out = record(bench, 40.0, pipeline)
    assert kinds(out) == ["mode_changed"]
    event = out.raised()[0]
    assert (event.evidence["from"], event.evidence["to"]) == ("cc", "cr")
    assert covers(event, 20.02)


def test_without_protection_bits_a_hand_and_a_trip_are_both_named() -> None:
    device = load_spec()
    fewer = tuple(c for c in device.channels if c.name != "protection")
    device = replace(device, channels=fewer)
    bench, load, pipeline = bench_with(device)
    bench.at(20.02, lambda: setattr(load, "input_on", False))
    event = record(bench, 30.0, pipeline).raised("input_switched")[0]
    assert event.confidence < 1.0
    assert "load_trip" in event.alternatives


def test_a_supply_that_crosses_into_its_limit_was_not_operated() -> None:
    """The crossover between CV and CC is the load's doing; `current_limit_entered` tells it."""
    spec = supply_spec()
    pipeline, out = Pipeline([spec], next_seq=1, next_event_id=1), Record()
    for n in range(30):
        stamp, limits = Stamp(T0_NS + n * 10**9, 10**6), int(10 <= n < 20)
        counts = {"voltage_v": 24000 - 9000 * limits, "current_a": 5000, "mode": limits}
        out.events.extend(pipeline.feed(Reading(spec.name, stamp, counts))[1])
    assert kinds(out) == ["current_limit_entered"]
    assert str(out.last("current_limit_entered").state) == "cleared"
