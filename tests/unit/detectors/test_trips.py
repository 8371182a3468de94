"""Who stopped the current: the load, the source, a lead, or a hand on the knob."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from loadlog.detectors.stop_causes import HAND, KNOB, STALE
from loadlog.model.sample import Reading
from loadlog.pipeline import Pipeline
from tests.checklists.traces import (
    T0_NS,
    Bench,
    Load,
    Record,
    Source,
    at_s,
    covers,
    fresh_random,
    load_spec,
    record,
    supply_spec,
)
from tests.unit.detectors.stops import TRIPS, Act, kinds, off, play


def test_nothing_left_at_a_load_with_local_sense_stays_ambiguous() -> None:
    event = play(off, sense="local", path_resistance_ohm=None).raised()[0]
    assert event.kind == "supply_trip"
    assert event.confidence == pytest.approx(0.6)
    assert event.alternatives["open_circuit"] == pytest.approx(0.4)


def test_a_meter_at_the_source_decides_and_is_not_waited_for() -> None:
    """Both are told at the second sample as likely as they are without the meter, whose next poll makes one of them nearly certain."""
    supply = play(off, sense="local", path_resistance_ohm=None, meter=True)
    (event,) = supply.raised("supply_trip", "open_circuit")
    assert at_s(event.detected_utc_ns) < 20.02 + 2 * 0.1 + 0.01
    assert event.confidence < 0.65
    assert (supply.last("supply_trip").confidence, supply.last("supply_trip").alternatives) == (0.99, {"open_circuit": 0.01})
    lead = play(
        lambda b, x, s: b.at(20.02, lambda: setattr(x, "lead_ok", False)), sense="local", path_resistance_ohm=None, meter=True
    )  # fmt: skip
    assert at_s(lead.raised(*TRIPS)[0].detected_utc_ns) < 20.02 + 2 * 0.1 + 0.01
    assert lead.last("supply_trip").evidence["revised_to"] == "open_circuit"
    assert str(lead.last("open_circuit").state) == "active"
    assert lead.last("open_circuit").confidence > 0.9


def test_load_trip_by_its_protection() -> None:
    out = play(lambda b, x, s: b.at(20.02, lambda: (setattr(x, "input_on", False), setattr(x, "protection", 1 << 5))))
    trip = out.raised("load_trip")[0]
    assert trip.confidence >= 0.99
    assert trip.evidence["protection"] == ["over_temperature"]
    assert covers(trip, 20.02)
    assert at_s(trip.detected_utc_ns) < 20.02 + 0.25
    assert trip.evidence["voltage_v"] > trip.evidence["voltage_before_v"]
    assert not out.raised("supply_trip", "open_circuit", "input_switched", "sense_fallback")


def test_load_trip_clears_when_current_flows_again() -> None:
    def act(bench: Bench, load: Load, source: Source) -> None:
        bench.at(20.02, lambda: (setattr(load, "input_on", False), setattr(load, "protection", 1 << 5)))
        bench.at(30.02, lambda: (setattr(load, "input_on", True), setattr(load, "protection", 0)))

    last = play(act).last("load_trip")
    assert str(last.state) == "cleared"
    assert at_s(last.cleared_utc_ns or 0) == pytest.approx(30.05, abs=0.1)


def test_undervoltage_stop_is_no_trip() -> None:
    """The ordinary end of a discharge: told as the protection it is."""
    out = play(lambda b, x, s: b.at(20.02, lambda: (setattr(x, "input_on", False), setattr(x, "protection", 1 << 7))))
    assert kinds(out) == ["protection"]
    assert str(out.raised()[0].severity) == "warning"


def cut(bench: Bench, load: Load, source: Source) -> None:
    bench.at(20.12, lambda: setattr(load, "lead_ok", False))


@pytest.mark.parametrize(("slow", "status_every", "open_share"), [(1, 1, 1.0), (10, 1, 1.0 / STALE), (10, 5, 1.0)])
def test_broken_lead_with_remote_sense_is_told_at_once_and_again_when_more_is_read(slow: int, status_every: int, open_share: float) -> None:
    """Whether a hand did it is read later; until then the hand is among the alternatives. ``open_share``: what may still be told of the
    knob, over what may be of the key."""
    out = play(cut, slow=slow, status_every=status_every)
    first, last = out.raised(*TRIPS)[0], out.last("open_circuit")
    assert covers(first, 20.12)
    assert at_s(first.detected_utc_ns) < 20.12 + 2 * 0.1 + 0.01
    by_hand = first.alternatives["input_switched"]
    assert by_hand > 0.3 if status_every > 1 else 0.05 < by_hand < 0.25
    assert first.alternatives["setpoint_changed"] / by_hand == pytest.approx(open_share * KNOB / HAND, rel=0.01)
    assert str(last.state) == "active"
    assert last.confidence == pytest.approx(0.7, abs=0.03)
    assert last.alternatives == {"load_trip": pytest.approx(0.3, abs=0.03)}


@pytest.mark.parametrize("level", [0.0, 0.01])
def test_setpoint_turned_to_nothing_is_no_trip(level: float) -> None:
    def turn(bench: Bench, load: Load, source: Source) -> None:
        bench.at(20.12, lambda: setattr(load, "level", level))

    assert kinds(play(turn, slow=1)) == ["setpoint_changed"]
    late = play(turn, slow=10)  # it is read at 21.0 s
    assert sorted(kinds(late)) == ["open_circuit", "setpoint_changed"]
    first, last = late.raised("open_circuit")[0], late.last("open_circuit")
    assert 0.02 < first.alternatives["setpoint_changed"] < 0.2
    assert (str(last.state), last.evidence["revised_to"]) == ("cleared", "setpoint_changed")
    assert at_s(last.cleared_utc_ns or 0) == pytest.approx(21.0, abs=0.05)


def test_a_set_point_that_still_asks_for_current_explains_no_stop() -> None:
    """Turned a little just before the load trips in silence, and read only afterwards."""

    def act(bench: Bench, load: Load, source: Source) -> None:
        bench.at(20.12, lambda: setattr(load, "level", 4.0))
        bench.at(20.52, lambda: setattr(load, "lead_ok", False))

    out = play(act, slow=10)
    assert str(out.last("open_circuit").state) == "active"


def test_a_protection_that_is_read_later_revises() -> None:
    def act(bench: Bench, load: Load, source: Source) -> None:
        bench.at(20.02, lambda: (setattr(load, "input_on", False), setattr(load, "protection", 1 << 5)))

    out = play(act, status_every=10)  # read at 21.0 s
    first, last = out.raised(*TRIPS)[0], out.last("load_trip")
    assert at_s(first.detected_utc_ns) < 20.02 + 2 * 0.1 + 0.01
    assert first.confidence < 0.7
    assert (last.confidence, last.evidence["protection"]) == (0.99, ["over_temperature"])
    assert len(out.raised(*TRIPS)) == 1


def test_a_hand_on_the_input_that_is_read_later_withdraws() -> None:
    out = play(lambda b, x, s: b.at(20.02, lambda: setattr(x, "input_on", False)), status_every=10)
    assert out.raised("input_switched")
    for kind in {e.kind for e in out.raised(*TRIPS)}:
        assert (str(out.last(kind).state), out.last(kind).evidence["revised_to"]) == ("cleared", "input_switched")


@pytest.mark.parametrize("rate_hz", [0.5, 1.0, 2.0, 10.0, 50.0])
@pytest.mark.parametrize("channel", ["input_on", "setpoint"])
@pytest.mark.parametrize("sense", ["local", "remote"])
def test_a_hand_whose_reports_lag_is_among_the_alternatives_and_withdraws(sense: str, channel: str, rate_hz: float) -> None:
    """A status from before the readings is no evidence against it, be it read in each poll or in some; it lags by a poll, or by 0.4 s."""
    load = Load(load_spec(period_s=1.0 / rate_hz, slow=5, sense=sense))
    lag = max(1, round(0.4 * rate_hz))
    bench = Bench(fresh_random(), loads=[load])
    stop_s = 25.0 / rate_hz  # just before a poll that reads the set-point too
    bench.at(stop_s - 0.3 / rate_hz, lambda: setattr(load, *(("input_on", False) if channel == "input_on" else ("level", 0.0))))
    pipeline, past, events = Pipeline(bench.specs, next_seq=1, next_event_id=1), [], []
    for item in bench.run(stop_s + 30.0 / rate_hz):
        assert isinstance(item, Reading)
        past.append({"input_on": item.counts["input_on"], "setpoint": round(load.level * 1000)})
        told = {name: past[max(0, len(past) - 1 - lag)][name] for name in item.counts.keys() & past[0].keys()}
        events += pipeline.feed(replace(item, counts={**item.counts, **told}))[1]
    kind = "input_switched" if channel == "input_on" else "setpoint_changed"
    trips = [e for e in events if e.kind in TRIPS]
    assert trips
    assert kind in trips[0].alternatives
    for last in {e.id: e for e in trips}.values():
        assert (str(last.state), last.evidence["revised_to"]) == ("cleared", kind)


@pytest.mark.parametrize("renewed_s", [0.5, 0.7])
def test_a_set_point_that_is_read_before_the_readings_are_renewed_explains_the_stop(renewed_s: float) -> None:
    """A hand turns it to nothing: the status says so at once, voltage and current some polls later."""
    load = Load(load_spec(period_s=0.02, slow=5))
    bench = Bench(fresh_random(), loads=[load])
    bench.at(20.02, lambda: setattr(load, "level", 0.0))
    pipeline, told, renewal, shown = Pipeline(bench.specs, next_seq=1, next_event_id=1), set(), -1.0, {}
    for item in bench.run(25.0):
        assert isinstance(item, Reading)
        if bench.t_s // renewed_s != renewal:
            renewal, shown = bench.t_s // renewed_s, {name: item.counts[name] for name in ("voltage_v", "current_a", "power_w")}
        told |= {e.kind for e in pipeline.feed(replace(item, counts={**item.counts, **shown}))[1]}
    assert told == {"setpoint_changed"}


def test_an_order_afterwards_does_not_explain_what_went_before() -> None:
    """Somebody sees the current gone and switches the input off."""
    bench = Bench(fresh_random(), loads=[Load(load_spec(slow=10))])
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    cut(bench, bench.loads[0], bench.source)

    def order() -> None:
        pipeline.order("load-1", "input_on", 0, T0_NS + round(bench.t_s * 1e9))
        bench.loads[0].input_on = False

    bench.at(20.42, order)
    out = record(bench, 40.0, pipeline)
    assert kinds(out) == ["open_circuit"]
    assert str(out.last("open_circuit").state) == "active"


@pytest.mark.parametrize("status", [True, False])
@pytest.mark.parametrize("channel", ["setpoint", "input_on"])
def test_a_current_that_goes_slowly_as_ordered_is_no_trip(status: bool, channel: str) -> None:
    """An instrument that shows means of two seconds is polled once a second: an order of six seconds ago is not done yet."""
    bench = Bench(fresh_random(), loads=[Load(load_spec(period_s=1.0, status=status, slow=50, status_every=50))])
    load = bench.loads[0]
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    begun = 40.02
    bench.at(begun, lambda: pipeline.order("load-1", channel, 0.0, T0_NS + round(bench.t_s * 1e9)))
    for n in range(200):
        bench.at(begun + 0.1 * n, lambda n=n: setattr(load, "level", 5.0 * math.exp(-0.05 * n)))  # type: ignore[misc]
    assert record(bench, 80.0, pipeline).raised(*TRIPS) == []


def test_a_load_that_trips_while_its_current_goes_down_by_itself_has_tripped() -> None:
    """Nobody ordered it since, and an order that was done explains nothing."""
    bench = Bench(fresh_random(), loads=[Load(load_spec(period_s=1.0, status=False))])
    load = bench.loads[0]
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    bench.at(30.02, lambda: pipeline.order("load-1", "input_on", 0.0, T0_NS + round(bench.t_s * 1e9)))
    for n in range(200):
        bench.at(40.02 + 0.1 * n, lambda n=n: setattr(load, "level", 5.0 * math.exp(-0.05 * n)))  # type: ignore[misc]
    assert set(kinds(record(bench, 80.0, pipeline))) & {"load_trip", "open_circuit"}


def after_an_order(act: Act, level: float = 7.0, ohm: float = 0.02, ordered_s: float = 19.62) -> Record:
    """A step of the load by order, and something half a second later."""
    bench = Bench(fresh_random(), Source(ohm=ohm), [Load(load_spec(slow=10))])
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)

    def order() -> None:
        pipeline.order("load-1", "setpoint", level, T0_NS + round(bench.t_s * 1e9))
        bench.loads[0].level = level

    bench.at(ordered_s, order)
    act(bench, bench.loads[0], bench.source)
    return record(bench, 40.0, pipeline)


def test_a_supply_that_gives_up_under_an_ordered_step_has_tripped() -> None:
    """The order asks for more current, not for none."""
    out = after_an_order(off)
    assert kinds(out) == ["supply_trip"]
    assert at_s(out.raised()[0].detected_utc_ns) < 20.02 + 2 * 0.1 + 0.01


def test_a_load_that_trips_under_an_ordered_step_has_tripped() -> None:
    out = after_an_order(lambda b, x, s: b.at(20.02, lambda: (setattr(x, "input_on", False), setattr(x, "protection", 1 << 3))))
    assert sorted(kinds(out)) == ["load_trip", "protection"]
    lead = after_an_order(lambda b, x, s: b.at(20.02, lambda: setattr(x, "lead_ok", False)))
    assert kinds(lead) == ["open_circuit"]
    assert at_s(lead.raised()[0].detected_utc_ns) < 20.02 + 2 * 0.1 + 0.01


@pytest.mark.parametrize("ordered_s", [19.62, 19.92])
def test_a_limit_that_falls_after_the_ordered_current_was_reached_is_the_supplys(ordered_s: float) -> None:
    """Reached by several polls, or by a single one, which behind a stiff source is marked as a possible spike."""
    out = after_an_order(lambda b, x, s: b.at(20.02, lambda: setattr(s, "limit_a", 4.0)), ohm=1e-5, ordered_s=ordered_s)
    assert out.raised("supply_trip")
    assert out.last("supply_trip").evidence["form"] == "current_limit"
    assert "revised_to" not in out.last("supply_trip").evidence


@pytest.mark.parametrize("status", [True, False])
@pytest.mark.parametrize("ordered_s", [18.92, 20.01])
def test_a_source_that_gives_less_than_before_has_failed_whatever_was_ordered(status: bool, ordered_s: float) -> None:
    """No load that asks for more gets less of a sound source: its limit fell, as the order took effect or soon afterwards. An order that
    is still settling, a set-point that is read later and a mode that nobody tells explain none of it."""
    bench = Bench(fresh_random(), loads=[Load(load_spec(slow=10, status=status))])
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)

    def order() -> None:
        pipeline.order("load-1", "setpoint", 7.0, T0_NS + round(bench.t_s * 1e9))
        bench.loads[0].level = 7.0

    bench.at(ordered_s, order)
    bench.at(20.02, lambda: setattr(bench.source, "limit_a", 3.2))
    out = record(bench, 40.0, pipeline)
    assert kinds(out) == ["supply_trip"]
    assert at_s(out.raised()[0].detected_utc_ns) < 20.02 + 2 * 0.1 + 0.01
    assert (out.last("supply_trip").evidence["form"], str(out.last("supply_trip").state)) == ("current_limit", "active")


def test_an_order_to_nothing_is_no_trip() -> None:
    assert kinds(after_an_order(lambda b, x, s: None, level=0.0)) == []
    assert kinds(after_an_order(lambda b, x, s: None, level=0.05)) == []


def test_ordered_input_off_and_supply_off_afterwards_is_silent() -> None:
    bench = Bench(fresh_random(), loads=[Load(load_spec())])
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)

    def order() -> None:
        pipeline.order("load-1", "input_on", 0, T0_NS + round(bench.t_s * 1e9))
        bench.loads[0].input_on = False

    bench.at(20.02, order)
    bench.at(25.02, lambda: setattr(bench.source, "is_on", False))
    assert kinds(record(bench, 40.0, pipeline)) == []


def test_a_small_current_that_is_what_was_ordered_has_not_stopped() -> None:
    """Of 0.22 A on an instrument of ±0.1 A; 0.08 A are ordered, and 0.03 A are read."""
    spec = load_spec(step="0.01")
    spec = replace(spec, channels=tuple(c for c in spec.channels if c.name != "setpoint"))
    for ordered_a, told in ((0.08, False), (0.22, True)):
        bench = Bench(fresh_random(), loads=[Load(spec, level=0.22, noise=0.1)])
        pipeline, load = Pipeline(bench.specs, next_seq=1, next_event_id=1), bench.loads[0]

        def act(ordered_a: float = ordered_a, load: Load = load, bench: Bench = bench, pipeline: Pipeline = pipeline) -> None:
            pipeline.order("load-1", "setpoint", ordered_a, T0_NS + round(bench.t_s * 1e9))
            load.level, load.lead_ok = (0.03, True) if ordered_a < 0.2 else (0.22, False)

        bench.at(20.02, act)
        assert bool(record(bench, 30.0, pipeline).raised(*TRIPS)) == told


@pytest.mark.parametrize("sense", ["remote", "local"])
@pytest.mark.parametrize(("mode", "level", "tau_s"), [("CC", 5.0, 0.01), ("CR", 4.8, 0.01), ("CR", 4.8, 3.0)])
def test_a_supply_of_the_group_that_we_order_off_has_not_tripped(sense: str, mode: str, level: float, tau_s: float) -> None:
    """At once, or as its capacitors are emptied. Switched on again by a hand, it may trip."""
    bench = Bench(fresh_random(), loads=[Load(load_spec(sense=sense), mode, level)], meters=[supply_spec()])
    pipeline, source = Pipeline(bench.specs, next_seq=1, next_event_id=1), bench.source
    bench.at(20.02, lambda: pipeline.order("psu", "input_on", 0.0, T0_NS + round(bench.t_s * 1e9)))
    source.sag = lambda t_s: source.emf_v * (1.0 - math.exp(-(t_s - 20.02) / tau_s)) if 20.02 < t_s < 60.02 else 0.0
    bench.at(90.02, lambda: setattr(source, "is_on", False))
    out = record(bench, 100.0, pipeline)
    assert {e.kind for e in out.raised() if e.device == "load-1"} == {"supply_trip"}
    assert [covers(e, 90.02) for e in out.raised("supply_trip")] == [True]


def test_constant_voltage_set_above_a_sagging_source_is_no_trip() -> None:
    """In CV the current ends by itself when the source falls to the set voltage."""
    rnd = fresh_random()
    spec = load_spec(sense="local", path_resistance_ohm=None)
    bench = Bench(rnd, Source(emf_v=24.0, ohm=0.2, sag=lambda t: 0.02 * t), [Load(spec, "CV", 23.2, path_ohm=0.02)])
    assert kinds(record(bench, 80.0)) == []


def test_constant_voltage_turned_down_by_hand_is_no_supply_trip() -> None:
    spec = load_spec(sense="local", path_resistance_ohm=None, slow=1)
    bench = Bench(fresh_random(), Source(emf_v=24.0, ohm=1.0), [Load(spec, "CV", 22.0, path_ohm=0.02)])
    bench.at(20.02, lambda: setattr(bench.loads[0], "level", 12.0))
    assert kinds(record(bench, 40.0)) == ["setpoint_changed"]


@pytest.mark.parametrize(("rate_hz", "status_every"), [(1.0, 1), (10.0, 1), (10.0, 5)])
def test_a_load_that_goes_to_constant_voltage_pulls_the_source_down_itself_though_it_says_so_late(
    rate_hz: float, status_every: int
) -> None:
    """A hand selects it; the report of the mode is that of the poll before, or is read every few polls only."""
    load = Load(load_spec(period_s=1.0 / rate_hz, status_every=status_every, sense="local"), mode="CP", level=20.0)
    bench = Bench(fresh_random(), Source(emf_v=5.0, ohm=0.2), [load])
    bench.at(20.5 / rate_hz, lambda: (setattr(load, "mode", "CV"), setattr(load, "level", 2.5)))
    pipeline, told, events = Pipeline(bench.specs, next_seq=1, next_event_id=1), 2, []
    for item in bench.run(60.0 / rate_hz):
        assert isinstance(item, Reading)
        counts = dict(item.counts)
        if "mode" in counts and status_every == 1:
            counts["mode"], told = told, counts["mode"] or 0
        events += pipeline.feed(replace(item, counts=counts))[1]
    assert "mode_changed" in {e.kind for e in events}
    left = {e.id: e for e in events if e.kind in TRIPS}
    assert all(e.evidence.get("revised_to") == "mode_changed" for e in left.values())
    assert len(left) <= (status_every > 1)


@pytest.mark.parametrize("period_s", [0.1, 2.0])
@pytest.mark.parametrize("status", [True, False])
def test_a_current_that_was_turned_up_beyond_what_the_source_bears_is_no_trip_of_it(status: bool, period_s: float) -> None:
    """By a hand, in CC; the set-point is not read before it is turned back, or never. The source gives more than before, so it has not
    failed."""
    load = Load(load_spec(period_s=period_s, status=status, slow=50, sense="local"), level=2.5)
    bench = Bench(fresh_random(), Source(emf_v=3.3, ohm=0.3, slow_v=0.0), [load])
    bench.at(20.5 * period_s, lambda: setattr(load, "level", 9.0))
    bench.at(30.5 * period_s, lambda: setattr(load, "level", 2.5))
    left = {e.id: e for e in record(bench, 48.0 * period_s).events if e.kind in TRIPS}
    assert all(e.evidence.get("revised_to") == "setpoint_changed" for e in left.values())


def test_battery_at_its_end_is_no_trip() -> None:
    """A knee of volts within minutes, tracked."""
    source = Source(emf_v=40.0, ohm=0.05, sag=lambda t: 8 * t / 900 + 0.0004 * max(0.0, t - 700) ** 2)
    assert kinds(record(Bench(fresh_random(), source, [Load(load_spec())]), 900.0)) == []


@pytest.mark.parametrize(("protection", "input_on"), [(1 << 3, False), (1 << 3, True), (0, False)])
def test_a_status_that_is_ahead_of_the_readings_still_tells_who_stopped_the_current(protection: int, input_on: bool) -> None:
    """The poll within which the load stops shows the new status beside a mean over the current from before."""
    bench = Bench(fresh_random(), loads=[Load(load_spec())])
    load, pipeline, events, is_mean = bench.loads[0], Pipeline(bench.specs, next_seq=1, next_event_id=1), [], True

    def stop() -> None:
        load.lead_ok, load.protection, load.input_on = False, protection, input_on

    bench.at(20.02, stop)
    for item in bench.run(30.0):
        if bench.t_s > 20.02 and is_mean and isinstance(item, Reading):
            events += pipeline.feed(replace(item, counts={**item.counts, "current_a": 1667, "power_w": 4000}))[1]
            is_mean = False
        else:
            events += pipeline.feed(item)[1]
    told = {e.kind for e in events if e.kind in (*TRIPS, "input_switched")}
    assert told == ({"load_trip"} if protection else {"input_switched"})
