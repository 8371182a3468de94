"""Who stopped the current, by what the others on the same source show."""

from __future__ import annotations

import pytest

from loadlog.model.event import Event
from tests.checklists.traces import Bench, Load, Source, at_s, fresh_random, load_spec, meter_spec, record

TRIPS = ("supply_trip", "load_trip", "open_circuit")


def test_another_device_within_the_interval_of_the_onset_bears_witness() -> None:
    """The meter is polled 13 ms after the load and not again for a second: it collapsed before the load showed it."""
    spec = load_spec(sense="local", path_resistance_ohm=None)
    bench = Bench(fresh_random(), loads=[Load(spec)], meters=[meter_spec(period_s=1.0)], jitter_s=0.0)
    bench.at(20.006, lambda: setattr(bench.source, "is_on", False))
    first = record(bench, 25.0).raised(*TRIPS)[0]
    assert (first.kind, first.confidence) == ("supply_trip", 0.99)
    assert at_s(first.detected_utc_ns) < 20.006 + 0.1 + 0.01


def test_another_load_of_the_group_decides() -> None:
    rnd = fresh_random()
    specs = [load_spec(f"load-{n}", sense="local", path_resistance_ohm=None) for n in (1, 2)]
    bench = Bench(rnd, loads=[Load(s, level=3.0) for s in specs])
    bench.at(20.02, lambda: setattr(bench.loads[0], "lead_ok", False))
    events = record(bench, 40.0).raised()
    assert [(e.kind, e.device) for e in events] == [("open_circuit", "load-1")]


def test_the_second_sample_tells_where_the_source_answers_to_the_lost_current() -> None:
    """Behind 0.1 Ω the other load's voltage steps up by 0.6 V, marked as a possible spike: it bears witness all the same."""
    specs = [load_spec(f"load-{n}", sense="local", path_resistance_ohm=None) for n in (1, 2)]
    bench = Bench(fresh_random(), Source(ohm=0.1), loads=[Load(s, level=6.0) for s in specs])
    bench.at(20.05, lambda: setattr(bench.loads[0], "lead_ok", False))
    (event,) = record(bench, 40.0).raised()
    assert (event.kind, event.device) == ("open_circuit", "load-1")
    assert at_s(event.detected_utc_ns) <= 20.05 + 2 * 0.1 + 0.01


def test_loads_that_share_a_limit_unequally_tell_the_form_of_their_source() -> None:
    """A load in CC keeps its 4 A of the 4.5 A that are left, one in CR the rest: half of what the source gave, so no foldback."""
    specs = [load_spec(f"load-{n}") for n in (1, 2)]
    bench = Bench(fresh_random(), loads=[Load(specs[0], "CR", 4.8), Load(specs[1], "CC", 4.0)])
    bench.at(20.05, lambda: setattr(bench.source, "limit_a", 4.5))
    out = record(bench, 40.0)
    assert {e.device: e.evidence["form"] for e in out.events if e.kind == "supply_trip"} == {
        "load-1": "current_limit",
        "load-2": "current_limit",
    }


def together(sense: str, second_on: bool = True) -> dict[str, Event]:
    """The first statement of each of two loads whose source falls silent; the second is polled after the first."""
    specs = [load_spec(f"load-{n}", sense=sense, path_resistance_ohm=None) for n in (1, 2)]
    bench = Bench(fresh_random(), loads=[Load(s, level=3.0) for s in specs])
    bench.loads[1].input_on = second_on
    bench.at(20.02, lambda: setattr(bench.source, "is_on", False))
    out = record(bench, 40.0)
    return {e.device or "": e for e in out.raised("supply_trip", "open_circuit")}


@pytest.mark.parametrize("sense", ["local", "remote"])
def test_what_a_source_does_to_two_loads_is_told_of_the_second_as_of_the_first(sense: str) -> None:
    told = together(sense)
    first, second = sorted(told.values(), key=lambda e: e.onset.latest_utc_ns)
    assert {first.kind, second.kind} == {"supply_trip"}
    assert "same_cause_as" not in first.evidence
    assert second.evidence["same_cause_as"] == first.device
    assert f"(latch off, as at {first.device})" in second.message


def test_a_load_that_was_off_tells_nothing_and_is_not_named() -> None:
    told = together("remote", second_on=False)
    assert list(told) == ["load-1"]
    assert "same_cause_as" not in told["load-1"].evidence


def test_a_collapse_in_one_poll_that_two_loads_show_is_no_spike() -> None:
    """The supply is back before the next poll, and its voltage alone moved: alone it would be a possible spike, and told as nothing."""
    for n, expected in ((1, []), (2, ["supply_trip"])):
        bench = Bench(fresh_random(), loads=[Load(load_spec(f"load-{k + 1}")) for k in range(n)])
        bench.at(20.05, lambda b=bench: setattr(b.source, "emf_v", 15.0))  # type: ignore[misc]
        bench.at(20.15, lambda b=bench: setattr(b.source, "emf_v", 24.0))  # type: ignore[misc]
        out = record(bench, 40.0)
        assert [e.kind for e in out.raised()] == expected
        assert all(str(out.last(kind).state) == "cleared" for kind in expected)
