"""Sense fallback at constant current: found, named, and told apart from everything that looks alike."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from loadlog.detectors.base import Context, Glance, Peer
from loadlog.detectors.sense import SenseFallback
from loadlog.detectors.sense_causes import PathPrior, PeerStep, moved_by_others, peer_steps, probability_of_lead
from loadlog.model.event import Onset
from loadlog.model.sample import Quality, Sample, Stamp
from loadlog.pipeline import Pipeline
from tests.checklists.traces import T0_NS, Bench, Load, Record, Source, at_s, covers, fresh_random, load_spec, meter_spec, record

Act = Callable[[Bench, Load, Source], object]


def play(act: Act, *, until_s: float = 90.0, meter: bool = False, level: float = 5.0, **spec: object) -> Record:
    """A load wired for remote sense at 5 A; things happen from 40.02 s on."""
    load = Load(load_spec(**spec), level=level)  # type: ignore[arg-type]
    bench = Bench(fresh_random(), loads=[load], meters=[meter_spec()] if meter else [])
    act(bench, load, bench.source)
    return record(bench, until_s)


def falls(bench: Bench, load: Load, source: Source) -> None:
    bench.at(40.02, lambda: setattr(load, "sense_ok", False))


def falls_and_returns(bench: Bench, load: Load, source: Source) -> None:
    falls(bench, load, source)
    bench.at(65.02, lambda: setattr(load, "sense_ok", True))


def droops(bench: Bench, load: Load, source: Source) -> None:
    bench.at(40.02, lambda: setattr(source, "emf_v", source.emf_v - 0.06))


def kinds(out: Record) -> list[str]:
    return [e.kind for e in out.raised()]


def test_found_with_its_evidence_and_restored() -> None:
    out = play(falls_and_returns)
    assert kinds(out) == ["sense_fallback", "sense_restored"]
    fallback, restored = out.raised()
    assert covers(fallback, 40.02)
    assert at_s(fallback.detected_utc_ns) < 40.02 + 0.5
    assert fallback.evidence["step_v"] == pytest.approx(-0.060, abs=0.004)
    assert fallback.evidence["expected_step_v"] == pytest.approx(-0.060, abs=1e-4)
    assert fallback.evidence["current_a"] == pytest.approx(5.0, abs=0.01)
    assert fallback.evidence["suspected"] is False
    assert fallback.confidence > 0.95
    assert fallback.alternatives["supply_droop"] == pytest.approx(1 - fallback.confidence, abs=1e-3)
    assert covers(restored, 65.02)
    last = out.last("sense_fallback")
    assert str(last.state) == "cleared"
    assert at_s(last.cleared_utc_ns or 0) == pytest.approx(65.05, abs=0.15)


def test_unknown_path_resistance_is_suspected() -> None:
    event = play(falls, path_resistance_ohm=None).raised()[0]
    assert event.kind == "sense_fallback"
    assert event.evidence["suspected"] is True
    assert "expected_step_v" not in event.evidence
    assert 0.5 < event.confidence < 0.95
    assert "suspected" in event.message


def test_suspicion_is_confirmed_when_the_current_varies() -> None:
    """dV/dI was the source's 20 mΩ, then 20 + 12 mΩ."""

    def act(bench: Bench, load: Load, source: Source) -> None:
        bench.at(30.02, lambda: setattr(load, "level", 6.0))
        bench.at(50.02, lambda: setattr(load, "sense_ok", False))
        bench.at(65.02, lambda: setattr(load, "level", 9.0))

    last = play(act, path_resistance_ohm=None).last("sense_fallback")
    assert last.evidence["suspected"] is False
    assert last.confidence >= 0.98


def test_suspicion_is_withdrawn_when_it_was_the_source() -> None:
    def act(bench: Bench, load: Load, source: Source) -> None:
        bench.at(30.02, lambda: setattr(load, "level", 6.0))
        bench.at(50.02, lambda: setattr(source, "emf_v", source.emf_v - 0.06))
        bench.at(65.02, lambda: setattr(load, "level", 9.0))

    last = play(act, path_resistance_ohm=None).last("sense_fallback")
    assert str(last.state) == "cleared"
    assert last.evidence["revised_to"] == "supply_droop"


def test_a_meter_at_the_source_decides_both_ways() -> None:
    assert "sense_fallback" not in kinds(play(droops, meter=True))
    event = play(falls, meter=True).raised("sense_fallback")[0]
    assert event.confidence > 0.999
    assert abs(event.evidence["group_step_v"]["meter"]) < 0.005


@pytest.mark.parametrize("size_v", [0.015, 0.3, 1.5])
def test_droop_of_another_size_is_no_fallback_when_the_path_is_known(size_v: float) -> None:
    out = play(lambda b, x, s: b.at(40.02, lambda: setattr(s, "emf_v", s.emf_v - size_v)))
    assert "sense_fallback" not in kinds(out)


def at_40(do: Callable[[Load, Source], object]) -> Act:
    """One action at 40.02 s."""
    return lambda b, x, s: b.at(40.02, lambda: do(x, s))


def briefly(what: Callable[[Load, Source, bool], object], until_s: float) -> Act:
    """Off at 40.02 s, on again later."""
    return lambda b, x, s: (b.at(40.02, lambda: what(x, s, False)), b.at(until_s, lambda: what(x, s, True)))


CONFUSIONS: dict[str, Act] = {
    "set-point up": at_40(lambda x, s: setattr(x, "level", 8.0)),
    "set-point slightly up": at_40(lambda x, s: setattr(x, "level", 5.05)),
    "input switched": briefly(lambda x, s, on: setattr(x, "input_on", on), 60.02),
    "supply trip": at_40(lambda x, s: setattr(s, "is_on", False)),
    "supply dropout": briefly(lambda x, s, on: setattr(s, "is_on", on), 41.5),
    "current limit": at_40(lambda x, s: setattr(s, "limit_a", 4.6)),
    "slow droop": at_40(lambda x, s: setattr(s, "drift_v_per_s", -0.02)),
    "upward step": at_40(lambda x, s: setattr(s, "emf_v", s.emf_v + 0.06)),
    "nothing": at_40(lambda x, s: None),
}


@pytest.mark.parametrize("name", CONFUSIONS)
def test_confusions_stay_quiet(name: str) -> None:
    def act(bench: Bench, load: Load, source: Source) -> None:
        source.sag = lambda t: source.drift_v_per_s * 40.02 if source.drift_v_per_s else 0.0  # a drift begins at its own zero
        CONFUSIONS[name](bench, load, source)

    assert not play(act).raised("sense_fallback", "sense_restored")


def test_small_currents_and_local_wiring_are_not_watched() -> None:
    assert kinds(play(falls, level=0.02)) == []
    assert kinds(play(falls, sense="local", path_resistance_ohm=None)) == []


@pytest.mark.parametrize(("step", "period_s", "level"), [("0.01", 0.1, 5.0), ("0.001", 0.02, 2.0), ("0.001", 2.0, 5.0)])
def test_coarse_and_fine_fast_and_slow(step: str, period_s: float, level: float) -> None:
    device = load_spec(step=step, period_s=period_s)
    noise = 0.2 if step == "0.01" else 0.6
    bench = Bench(fresh_random(), loads=[Load(device, level=level, noise=noise)], jitter_s=period_s * 0.01, half_width_s=period_s * 0.04)
    at = 400.3 * period_s
    bench.at(at, lambda: setattr(bench.loads[0], "sense_ok", False))
    (event,) = record(bench, 450 * period_s).raised("sense_fallback")
    assert covers(event, at)
    assert at_s(event.detected_utc_ns) - at < 8 * period_s


def test_learned_path_resistance_serves_the_second_time() -> None:
    def act(bench: Bench, load: Load, source: Source) -> None:
        falls_and_returns(bench, load, source)
        bench.at(90.02, lambda: setattr(load, "sense_ok", False))

    out = play(act, path_resistance_ohm=None, until_s=110.0)
    first, second = out.raised("sense_fallback")
    assert first.evidence["suspected"] is True
    assert second.evidence["suspected"] is False
    assert second.evidence["expected_step_v"] == pytest.approx(-0.06, abs=0.004)
    assert second.confidence > first.confidence


def test_lead_put_back_while_the_input_was_off() -> None:
    def act(bench: Bench, load: Load, source: Source) -> None:
        falls(bench, load, source)
        bench.at(60.02, lambda: setattr(load, "input_on", False))
        bench.at(62.02, lambda: setattr(load, "sense_ok", True))
        bench.at(64.02, lambda: setattr(load, "input_on", True))

    out = play(act)
    assert str(out.last("sense_fallback").state) == "cleared"
    assert len(out.raised("sense_restored")) == 1


def test_sense_switch_that_the_load_reports() -> None:
    from dataclasses import replace

    from loadlog.model.device import ChannelSpec
    from loadlog.model.quantity import Scale
    from loadlog.model.sample import Reading, Stamp

    device = load_spec()
    device = replace(device, channels=(*device.channels, ChannelSpec("sense_remote", "", "bool", Scale.of(1), 1.0)))
    pipeline = Pipeline([device], next_seq=1, next_event_id=1)
    events = []
    for n, remote in enumerate([1] * 5 + [0] * 5 + [1] * 5):
        counts = {"voltage_v": 24_000, "current_a": 5000, "sense_remote": remote}
        events += pipeline.feed(Reading("load-1", Stamp(n * 10**8, 10**6), counts))[1]
    assert [(e.kind, str(e.state)) for e in events] == [
        ("sense_fallback", "active"), ("sense_fallback", "cleared"), ("sense_restored", "cleared"),
    ]  # fmt: skip
    assert events[0].confidence == 1.0


def test_weighing_follows_the_densities() -> None:
    """A step of exactly I·R with R known is the lead's; the same step seen by a meter is the source's; unknown R is between."""
    known, unknown = PathPrior(0.012, 0.15, 0.05), PathPrior(None)
    assert probability_of_lead(0.06, 0.001, 5.0, 24.0, known, []) > 0.95
    assert probability_of_lead(0.30, 0.001, 5.0, 24.0, known, []) < 0.5
    assert 0.5 < probability_of_lead(0.06, 0.001, 5.0, 24.0, unknown, []) < 0.95
    assert probability_of_lead(0.06, 0.001, 5.0, 24.0, known, [PeerStep("m", -0.06, 0.001)]) < 0.01
    assert probability_of_lead(0.06, 0.001, 5.0, 24.0, unknown, [PeerStep("m", 0.0, 0.001)]) > 0.999


def in_mode(mode: str, level: float, act: Act, *, path_ohm: float | None = 0.012, meter: bool = False, source_ohm: float = 0.1) -> Record:
    """Like `play`, in another mode; the set-point moves once at 30 s, by our order, so that dV/dI is learned."""
    load = Load(load_spec(path_resistance_ohm=path_ohm), mode, level)
    bench = Bench(fresh_random(), Source(ohm=source_ohm), [load], [meter_spec()] if meter else [])
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)

    def step() -> None:
        pipeline.order("load-1", "setpoint", level * 1.02, T0_NS + round(bench.t_s * 1e9))
        load.level = level * 1.02

    bench.at(15.0, step)
    act(bench, load, bench.source)
    return record(bench, 90.0, pipeline)


POINTS = {"CP": 120.0, "CR": 5.0, "CV": 23.0}  # about 5 A, 5 A and 10 A at 24 V


@pytest.mark.parametrize("mode", POINTS)
def test_every_mode_shows_it_and_its_return(mode: str) -> None:
    out = in_mode(mode, POINTS[mode], falls_and_returns)
    assert kinds(out) == ["sense_fallback", "sense_restored"]
    fallback, restored = out.raised()
    assert covers(fallback, 40.02)
    assert covers(restored, 65.02)
    assert at_s(fallback.detected_utc_ns) < 40.02 + 0.6
    assert fallback.evidence["mode"] == mode.lower()
    assert fallback.evidence["path_resistance_ohm"] == pytest.approx(0.012, rel=0.2)
    assert fallback.evidence["suspected"] is False


@pytest.mark.parametrize("mode", POINTS)
def test_a_meter_tells_lead_and_source_apart_in_every_mode(mode: str) -> None:
    """In CV the source is relieved when the lead falls off, and is held by the load when it droops itself."""
    drop_v = 0.06 if mode != "CV" else 0.12
    droop = in_mode(mode, POINTS[mode], lambda b, x, s: b.at(40.02, lambda: setattr(s, "emf_v", s.emf_v - drop_v)), meter=True)
    assert "sense_fallback" not in kinds(droop)
    (event,) = in_mode(mode, POINTS[mode], falls, meter=True, path_ohm=None).raised("sense_fallback")
    assert event.confidence > 0.99


@pytest.mark.parametrize("mode", POINTS)
def test_set_points_and_slow_droops_of_every_mode_stay_quiet(mode: str) -> None:
    def knob(bench: Bench, load: Load, source: Source) -> None:
        bench.at(40.02, lambda: setattr(load, "level", load.level * 0.99))
        bench.at(50.02, lambda: setattr(load, "level", load.level * 1.03))

    def sags(bench: Bench, load: Load, source: Source) -> None:
        source.sag = lambda t: 0.002 * max(t - 40.0, 0.0)

    for act in (knob, sags):
        assert "sense_fallback" not in kinds(in_mode(mode, POINTS[mode], act))


def test_a_slow_droop_is_hardly_ever_a_fallback_where_the_path_is_not_known() -> None:
    """The mains sags within 15 to 25 s by 1 to 10 mV, polled at 0.5 to 2 Hz, at 2 A. No size speaks for the lead, so the shape must.
    Three in a thousand may pass; eight in eight hundred have P < 0.004 then. It was one in sixty while ramps counted less."""
    rnd, told = fresh_random(), 0
    device = load_spec(period_s=1.0, path_resistance_ohm=None)
    for _ in range(800):
        sense, context = SenseFallback(device), Context(device)
        polls, size_v, noise_v = rnd.uniform(15.0, 25.0) * rnd.choice((0.5, 1.0, 2.0)), rnd.uniform(1e-3, 1e-2), rnd.uniform(3e-4, 1.5e-3)
        for n in range(430 + round(polls)):
            emf_v = 24.0 - size_v * min(max((n - 400) / polls, 0.0), 1.0)
            values = {"voltage_v": round(emf_v + rnd.gauss(0.0, noise_v), 3), "current_a": round(rnd.gauss(2.0, 0.0006), 3)}
            sample = Sample(n + 1, "load-1", Stamp(n * 10**9, 10**6), Quality.GOOD, {}, values, {"input_on": 1, "mode": 0})
            told += len(sense.update(sample, context))
    assert told < 8


def test_step_far_from_the_known_path_is_never_said_as_sure() -> None:
    """A droop of 3.7 times the expected step."""
    out = play(lambda b, x, s: b.at(40.02, lambda: setattr(s, "emf_v", s.emf_v - 0.222)))
    assert all(e.evidence["suspected"] for e in out.raised("sense_fallback"))


def test_another_load_of_the_group_explains_the_step() -> None:
    """load-2 takes 3 A more from the common source of 20 mΩ: 60 mV, just what the lead of load-1 would make."""
    loads = [Load(load_spec(), level=5.0), Load(load_spec("load-2", path_resistance_ohm=None), level=2.0)]
    bench = Bench(fresh_random(), loads=loads)
    bench.at(40.02, lambda: setattr(loads[1], "level", 5.0))
    assert not record(bench, 60.0).raised("sense_fallback")


def test_what_another_load_does_later_takes_nothing_from_what_it_did() -> None:
    """It takes 1 A more and trips two of its polls later, before all that are waited for have been polled."""
    peer = Peer(load_spec("load-2", period_s=1.0))
    for n, current_a in enumerate([6.0] * 10 + [7.0] * 2 + [0.0] * 6):
        peer.recent.append(Glance(n * 10**9, n * 10**9 + 10**6, 24.0 - 0.02 * current_a, current_a, None))
    onset = Onset(92 * 10**8, 98 * 10**8)
    assert moved_by_others({"load-2": peer}, -0.02, onset, 112 * 10**8, 0.05)
    (seen,) = peer_steps({"load-2": replace_currents(peer, 6.0)}, onset, 112 * 10**8)
    assert seen.size_v == pytest.approx(-0.02)


def replace_currents(peer: Peer, current_a: float) -> Peer:
    """The same voltages at one current."""
    other = Peer(peer.device)
    other.recent.extend(replace(seen, current_a=current_a) for seen in peer.recent)
    return other


@pytest.mark.parametrize("meter", [False, True])
def test_an_order_that_was_reached_explains_no_step_of_the_voltage_alone(meter: bool) -> None:
    """The lead falls off a second after the current was ordered to be another one; its new level has been learned by then."""
    load = Load(load_spec(period_s=0.02))
    bench = Bench(fresh_random(), loads=[load], meters=[meter_spec(period_s=0.1)] if meter else [])
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)

    def order() -> None:
        pipeline.order("load-1", "setpoint", 7.0, T0_NS + round(bench.t_s * 1e9))
        load.level = 7.0

    bench.at(10.013, order)
    bench.at(11.213, lambda: setattr(load, "sense_ok", False))
    out = record(bench, 14.0, pipeline)
    assert kinds(out) == ["sense_fallback"]
    assert covers(out.raised()[0], 11.213)


@pytest.mark.parametrize("falls", [False, True])
def test_an_order_may_move_the_voltage_alone_where_no_mode_is_told(falls: bool) -> None:
    """A load in CV on a source of current, 20 Ohm: the current hardly follows. Without an order the same is no order's doing."""
    load = Load(load_spec(period_s=1.0, status=False, path_resistance_ohm=None), mode="CV", level=12.0, noise=3.0)
    bench = Bench(fresh_random(), Source(emf_v=72.0, ohm=20.0, slow_v=0.0), [load])
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)

    def turn() -> None:
        load.level = 11.7
        if not falls:
            pipeline.order("load-1", "setpoint", 11.7, T0_NS + round(bench.t_s * 1e9))

    bench.at(120.5, turn)
    out = record(bench, 180.0, pipeline)
    assert ("sense_fallback" in kinds(out)) is falls


def test_a_witness_whose_counts_do_not_move_may_have_missed_half_a_count() -> None:
    """Its mean over many equal counts is no better than one of them: q/sqrt(12) on either side of the onset (GUM F.2.2.1)."""
    peer = Peer(load_spec("load-2", step="0.01"))
    for n in range(20):
        peer.recent.append(Glance(n * 10**9, n * 10**9 + 10**6, 24.04, 3.0, None))
    (seen,) = peer_steps({"load-2": peer}, Onset(10 * 10**9 + 10**8, 10 * 10**9 + 2 * 10**8), 10**12)
    assert seen.size_v == pytest.approx(0.0, abs=1e-9)
    assert seen.uncertainty_v == pytest.approx(0.01 / math.sqrt(6.0), rel=1e-6)


@pytest.mark.parametrize("falls_at_s", [34.82, 50.0, 65.22])
def test_a_lead_that_falls_off_next_to_or_while_the_load_is_silent(falls_at_s: float) -> None:
    """Half a minute, three hundred polls; two samples before or after it show too little by themselves."""

    def act(bench: Bench, load: Load, source: Source) -> None:
        bench.at(35.02, lambda: setattr(load, "answers", False))
        bench.at(65.02, lambda: setattr(load, "answers", True))
        bench.at(falls_at_s, lambda: setattr(load, "sense_ok", False))

    out = play(act)
    assert [k for k in kinds(out) if not k.startswith("communication")] == ["sense_fallback"]
    event = out.last("sense_fallback")
    assert covers(event, falls_at_s)
    assert event.evidence["step_v"] == pytest.approx(-0.060, abs=0.004)
    assert event.confidence > 0.9


@pytest.mark.parametrize(("moved_v", "path_ohm"), [(-0.003, 0.012), (-0.006, 0.0012), (0.006, 0.0012)])
def test_a_source_that_drifts_while_the_load_is_silent_is_no_lead(moved_v: float, path_ohm: float) -> None:
    """For an hour: as much as sources drift, be it just what a lead would make."""

    def act(bench: Bench, load: Load, source: Source) -> None:
        bench.at(80.02, lambda: setattr(load, "answers", False))
        bench.at(2000.0, lambda: setattr(source, "emf_v", source.emf_v + moved_v))
        bench.at(3680.02, lambda: setattr(load, "answers", True))

    out = play(act, until_s=3740.0, period_s=0.5, path_resistance_ohm=path_ohm)
    assert [k for k in kinds(out) if not k.startswith("communication")] == []
