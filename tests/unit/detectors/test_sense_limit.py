"""A load in CV holds the voltage, so a source in its current limit shows as less current, as a fallen sense lead does: both are named, and
another voltage decides."""

from __future__ import annotations

import math
import random

import pytest

from loadlog.detectors.base import Peer
from loadlog.detectors.sense_causes import (
    CONFIGURED_SHARE,
    CONTACT,
    DROOP,
    GROWN,
    GROWN_BY,
    LEAD,
    LIMIT,
    PRIOR_LEAD,
    PRIOR_LIMIT,
    SMALLEST_SOURCE_STEP_V,
    SOURCE_LOG_DEVIATION,
    UNKNOWN_LOG_DEVIATION,
    UNKNOWN_OHM,
    UNKNOWN_SOURCE_OHM,
    WRONG_CONFIGURATION,
    AtSource,
    PeerStep,
    moved_by_others,
    path_prior,
    peer_steps,
    probability_of_lead,
    source_resistances,
    supply_limits,
    weigh_limit,
)
from loadlog.model.event import Onset
from loadlog.model.sample import Quality, Sample, Stamp
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
    meter_spec,
    record,
    supply_spec,
)

FALLS_S, SET_S, RETURNS_S = 40.02, 60.02, 80.02


def bench_in_cv(rnd: random.Random, **spec: object) -> tuple[Bench, Load]:
    """About 6 A at 23.4 V through 0.1 Ω; nothing but this operating point was seen."""
    load = Load(load_spec(**spec), mode="CV", level=23.4)  # type: ignore[arg-type]
    return Bench(rnd, source=Source(ohm=0.1, slow_v=0.0), loads=[load]), load


def limit_falls(bench: Bench, limit_a: float) -> None:
    bench.at(FALLS_S, lambda: setattr(bench.source, "limit_a", limit_a))


def set_lower(bench: Bench, load: Load) -> None:
    bench.at(SET_S, lambda: setattr(load, "level", 23.1))


def told(out: Record) -> list[str]:
    return [e.kind for e in out.raised(LEAD, LIMIT, "sense_restored", "supply_trip")]


@pytest.mark.parametrize("path_ohm", [0.012, None])
def test_half_of_the_current_is_lead_or_limit_and_both_are_named(path_ohm: float | None) -> None:
    rnd = fresh_random()
    bench, _ = bench_in_cv(rnd, path_resistance_ohm=path_ohm)
    limit_falls(bench, rnd.uniform(2.0, 3.0))
    (event,) = record(bench, 59.0).raised(LEAD, LIMIT)
    assert covers(event, FALLS_S)
    assert at_s(event.detected_utc_ns) < FALLS_S + 0.6
    causes = {event.kind: event.confidence, **event.alternatives}
    assert set(causes) == {LEAD, LIMIT, DROOP}
    assert sum(causes.values()) == pytest.approx(1.0, abs=2e-4)
    assert min(causes[LEAD], causes[LIMIT]) > 0.1
    assert "another set-point decides" in event.evidence["decides"]


def test_a_current_that_stays_at_another_voltage_proves_the_limit() -> None:
    bench, load = bench_in_cv(fresh_random(), path_resistance_ohm=None)
    limit_falls(bench, 3.0)
    set_lower(bench, load)
    bench.at(RETURNS_S, lambda: setattr(bench.source, "limit_a", 30.0))
    out = record(bench, 100.0)
    states = [e for e in out.events if e.kind in (LEAD, LIMIT)]
    before = [e for e in states if at_s(e.detected_utc_ns) < SET_S]
    proved = [e for e in states if e.kind == LIMIT and e.confidence > 0.95]
    assert before
    assert proved
    assert covers(proved[0], FALLS_S)
    assert not [e for e in out.raised(LEAD) if out.last(LEAD).state != "cleared" or out.last(LEAD).evidence["revised_to"] != LIMIT]
    assert out.last(LIMIT).state == "cleared"
    assert "sense_restored" not in told(out)


def test_a_current_that_follows_the_voltage_disproves_it() -> None:
    """The path is as large as the source's resistance: half of the current is gone."""
    bench, load = bench_in_cv(fresh_random(), path_resistance_ohm=None)
    load.path_ohm = 0.1
    bench.at(FALLS_S, lambda: setattr(load, "sense_ok", False))
    set_lower(bench, load)
    out = record(bench, 75.0)
    last = out.last(LEAD)
    assert last.state == "active"
    assert LIMIT not in last.alternatives
    assert not out.raised(LIMIT) or out.last(LIMIT).state == "cleared"


def test_with_local_sense_the_limit_is_told_and_its_end() -> None:
    bench, _ = bench_in_cv(fresh_random(), sense="local", path_resistance_ohm=None)
    limit_falls(bench, 2.5)
    bench.at(RETURNS_S, lambda: setattr(bench.source, "limit_a", 30.0))
    out = record(bench, 95.0)
    assert told(out) == [LIMIT]
    (event,) = out.raised(LIMIT)
    assert event.confidence > 0.5
    assert LEAD not in event.alternatives
    assert out.last(LIMIT).state == "cleared"


def test_a_restart_while_the_source_limits_goes_on_with_it() -> None:
    bench, _ = bench_in_cv(fresh_random(), sense="local", path_resistance_ohm=None)
    limit_falls(bench, 2.5)
    bench.at(RETURNS_S, lambda: setattr(bench.source, "limit_a", 30.0))
    record(bench, 55.0, first := Pipeline(bench.specs, next_seq=1, next_event_id=1))
    again = Pipeline(bench.specs, next_seq=10**6, next_event_id=99)
    again.restore(first.active())
    out = record(bench, 75.0, again)
    assert not [e for e in out.events if e.kind == LIMIT]
    assert [e.kind for e in again.active()] == [LIMIT]
    assert record(bench, 95.0, again).last(LIMIT).state == "cleared"


UNTIL_NS = T0_NS + 30 * 10**9


def polled(mode: int, volts: tuple[float, float], amperes: tuple[float, float]) -> tuple[dict[str, Peer], Onset]:
    """A supply's readings before and after 10 s."""
    peer = Peer(supply_spec())
    for n in range(20):
        k = int(n > 10)
        stamp = Stamp(T0_NS + n * 10**9, 10**6)
        values = {"voltage_v": volts[k] + 0.001 * (n % 2), "current_a": amperes[k]}
        peer.take(Sample(n + 1, "psu", stamp, Quality.GOOD, {}, values, {"mode": mode if k else 0}))
    return {"psu": peer}, Onset(T0_NS + 10 * 10**9 + 10**8, T0_NS + 10 * 10**9 + 2 * 10**8)


def test_a_supply_that_is_polled_says_whether_it_limits() -> None:
    peers, onset = polled(1, (23.4, 23.4), (6.0, 3.0))
    assert supply_limits(peers, onset) is True
    assert weigh_limit(0.7, 3.0, 6.0, True, True)[LIMIT] > 0.99
    peers, onset = polled(0, (23.4, 23.4), (6.0, 3.0))
    assert supply_limits(peers, onset) is False
    assert weigh_limit(0.7, 3.0, 6.0, True, False)[LIMIT] < 0.01
    assert supply_limits({}, onset) is None


def test_a_polled_supply_bears_witness_though_its_current_is_ours() -> None:
    """It is relieved when the lead falls off; what its current changed is what ours did, and no other load's."""
    peers, onset = polled(0, (23.4, 23.7), (6.0, 3.0))
    (seen,) = peer_steps(peers, onset, UNTIL_NS)
    assert seen.size_v == pytest.approx(0.3, abs=1e-3)
    assert not moved_by_others(peers, -3.0, onset, UNTIL_NS, 1.0, -3.0)
    peers, onset = polled(0, (23.4, 23.3), (6.0, 9.0))
    assert moved_by_others(peers, -0.1, onset, UNTIL_NS, 0.1, 0.0)


def test_another_load_that_takes_the_current_of_one_in_cv_explains_it() -> None:
    """The source's current at that voltage is what it is, so it is shared, ampere for ampere."""
    for ohm in (0.02, 0.1):
        loads = [Load(load_spec(), mode="CV", level=24.0 - 8.0 * ohm), Load(load_spec("load-2", path_resistance_ohm=None), level=2.0)]
        bench = Bench(fresh_random(), source=Source(ohm=ohm, slow_v=0.0), loads=loads)
        bench.at(20.02, lambda load=loads[0]: setattr(load, "level", load.level + 0.01))  # so its resistance is known
        bench.at(FALLS_S, lambda load=loads[1]: setattr(load, "level", 4.0))
        assert told(record(bench, 59.0)) == []


def test_a_contact_takes_the_lead_s_place_with_local_sense() -> None:
    causes = weigh_limit(0.7, 3.0, 6.0, False, None)
    assert set(causes) == {CONTACT, LIMIT, DROOP}
    assert sum(causes.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("source_ohm", [None, 0.1])
@pytest.mark.parametrize("path_ohm", [None, 0.03])
def test_in_cv_the_probability_of_each_cause_is_its_share_among_steps_of_that_size(
    path_ohm: float | None, source_ohm: float | None
) -> None:
    """Causes and sizes are drawn as `sense_causes` says that they are expected."""
    rnd, current_a = fresh_random(), 6.0
    said: dict[tuple[str, int], list[tuple[float, bool]]] = {}
    prior = path_prior(path_ohm, None, (source_ohm, 0.001))
    for _ in range(40_000):
        if rnd.random() < PRIOR_LEAD:
            true = LEAD
            path = UNKNOWN_OHM * math.exp(rnd.gauss(0.0, UNKNOWN_LOG_DEVIATION))
            if path_ohm is not None and (standing := rnd.random()) >= WRONG_CONFIGURATION:
                has_grown = standing < WRONG_CONFIGURATION + GROWN
                path = path_ohm * (1.0 + rnd.expovariate(1.0 / GROWN_BY) if has_grown else rnd.gauss(1.0, CONFIGURED_SHARE))
            behind = UNKNOWN_SOURCE_OHM * math.exp(rnd.gauss(0.0, SOURCE_LOG_DEVIATION)) if source_ohm is None else source_ohm
            step_a = current_a * path / (path + behind)
        elif rnd.random() < PRIOR_LIMIT:
            true, step_a = LIMIT, current_a * rnd.random()
        else:
            true, step_a = DROOP, SMALLEST_SOURCE_STEP_V * (current_a / SMALLEST_SOURCE_STEP_V) ** rnd.random()
        if not 0.003 < step_a < 0.997 * current_a:
            continue
        of_lead = probability_of_lead(step_a, 0.0005, current_a - step_a, current_a, prior, ())
        for cause, p in weigh_limit(of_lead, step_a, current_a, True, None).items():
            said.setdefault((cause, int(10 * p)), []).append((p, cause == true))
    judged = {key: items for key, items in said.items() if len(items) >= 2500}
    assert len(judged) >= 4
    for key, items in judged.items():
        assert sum(p for p, _ in items) == pytest.approx(sum(is_so for _, is_so in items), abs=0.05 * len(items)), key


@pytest.mark.parametrize("toward", [1.0, -1.0])
def test_a_device_at_a_source_of_unknown_resistance_sees_it_relieved_of_the_current_or_loaded_again(toward: float) -> None:
    """As the lead falls off, and as it comes back: by 0.4 A."""
    at_source = AtSource(
        [(share, toward * 0.4 * ohm, 0.4 * deviation) for share, ohm, deviation in source_resistances(None, math.inf)], 0.0
    )
    assert at_source.log_ratio(PeerStep("meter", toward * 0.02, 0.0005), 0.001) > 10.0
    assert at_source.log_ratio(PeerStep("meter", -toward * 0.02, 0.0005), 0.001) < -2.0


@pytest.mark.parametrize("source_ohm", [None, 0.1])
@pytest.mark.parametrize("spread_v", [0.0003, 0.002, 0.01])
def test_what_another_device_sees_counts_for_as_much_as_it_can_tell(spread_v: float, source_ohm: float | None) -> None:
    """A step of 0.05 A in CV, the lead's or the source's, one as likely as the other; a device at the source with so much noise."""
    rnd = fresh_random()
    said: dict[int, list[tuple[float, bool]]] = {}
    expected = source_resistances(source_ohm, 0.02 * (source_ohm or 0.0))
    at_source = AtSource([(share, 0.05 * ohm, 0.05 * deviation) for share, ohm, deviation in expected], 0.0)
    for _ in range(20_000):
        is_lead = rnd.random() < 0.5
        ohm = UNKNOWN_SOURCE_OHM * math.exp(rnd.gauss(0.0, SOURCE_LOG_DEVIATION)) if source_ohm is None else source_ohm
        seen_v = (0.05 * ohm if is_lead else 0.0) + rnd.gauss(0.0, spread_v)
        p = 1.0 / (1.0 + math.exp(-at_source.log_ratio(PeerStep("meter", seen_v, spread_v), 0.0)))
        said.setdefault(min(int(5 * p), 4), []).append((p, is_lead))
    for items in (items for items in said.values() if len(items) >= 1000):
        assert sum(p for p, _ in items) == pytest.approx(sum(is_so for _, is_so in items), abs=0.05 * len(items))


def test_a_meter_at_a_source_that_droops_by_little_speaks_against_the_lead_in_cv() -> None:
    """By forty deviations of the current; the load holds the source's voltage, so the meter sees nothing, where a lead that falls off
    relieves the source of 12 mV. How well the load reads that voltage does not matter."""
    rnd = fresh_random()
    for is_lead in (False, True) * 3:
        load = Load(load_spec(path_resistance_ohm=0.0025), mode="CV", level=23.0, path_ohm=0.0025, noise=1.5)
        bench = Bench(rnd, source=Source(ohm=0.2, slow_v=0.0), loads=[load], meters=[meter_spec()])
        if is_lead:
            bench.at(FALLS_S, lambda load=load: setattr(load, "sense_ok", False))
        else:
            bench.at(FALLS_S, lambda source=bench.source: setattr(source, "emf_v", source.emf_v - 0.012))
        assert told(record(bench, 59.0)) == [LEAD] * is_lead
