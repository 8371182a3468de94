"""How a supply fails: for good, for a moment, again and again, or in its limit; told as one event."""

from __future__ import annotations

import pytest

from tests.checklists.traces import (
    Bench,
    Load,
    Source,
    at_s,
    covers,
    load_spec,
)
from tests.unit.detectors.stops import TRIPS, kinds, off, play


def test_latch_off() -> None:
    out = play(off)
    assert kinds(out) == ["supply_trip"]
    first, last = out.raised()[0], out.last("supply_trip")
    assert covers(first, 20.02)
    assert at_s(first.detected_utc_ns) < 20.02 + 0.25  # two samples
    assert (last.evidence["form"], last.evidence["form_settled"], str(last.state)) == ("latch_off", True, "active")
    assert first.evidence["voltage_before_v"] == pytest.approx(23.9, abs=0.05)
    assert first.evidence["current_before_a"] == pytest.approx(5.0, abs=0.05)


def test_dropout_clears_at_its_return() -> None:
    def act(bench: Bench, load: Load, source: Source) -> None:
        off(bench, load, source)
        bench.at(22.02, lambda: setattr(source, "is_on", True))

    out = play(act)
    assert kinds(out) == ["supply_trip"]
    last = out.last("supply_trip")
    assert (last.evidence["form"], str(last.state)) == ("dropout", "cleared")
    assert at_s(last.cleared_utc_ns or 0) == pytest.approx(22.05, abs=0.12)
    assert last.message.endswith("; it is back")


def test_a_trip_that_is_still_watched_says_that_the_voltage_is_back() -> None:
    """After a minute without voltage its return must hold for a while until the trip is over; before it came back nothing says so."""

    def act(bench: Bench, load: Load, source: Source) -> None:
        off(bench, load, source)
        bench.at(50.02, lambda: setattr(source, "is_on", True))

    out = play(act, until_s=52.0)
    last = out.last("supply_trip")
    assert (str(last.state), last.evidence["returns"]) == ("active", 1)
    assert last.message.endswith("; it is back")
    assert not any(e.message.endswith("it is back") for e in out.events if e.kind == "supply_trip" and not e.evidence["returns"])


def test_hiccup_is_one_event_with_a_count() -> None:
    def act(bench: Bench, load: Load, source: Source) -> None:
        for n in range(60):
            bench.at(20.02 + 1.3 * n, lambda: setattr(source, "is_on", False))
            bench.at(21.12 + 1.3 * n, lambda: setattr(source, "is_on", True))

    out = play(act, until_s=130.0)
    assert kinds(out) == ["supply_trip"]
    last = out.last("supply_trip")
    assert (last.evidence["form"], last.evidence["returns"], str(last.state)) == ("hiccup", 60, "cleared")
    assert len([e for e in out.events if e.kind == "supply_trip"]) < 15
    said = [e.evidence["cycle_s"] for e in out.events if e.evidence.get("returns", 0) >= 8]
    assert said[0] == pytest.approx(1.3, abs=0.1)


def test_a_hiccup_under_a_load_that_keeps_the_source_in_its_limit_shows_in_the_current() -> None:
    """In CP the load asks for more than any source gives at a low voltage, so the voltage never comes back."""

    def act(bench: Bench, load: Load, source: Source) -> None:
        bench.at(20.02, lambda: setattr(source, "emf_v", 0.3))
        for n in range(30):
            bench.at(20.32 + 1.3 * n, lambda: setattr(source, "is_on", False))
            bench.at(21.32 + 1.3 * n, lambda: setattr(source, "is_on", True))

    out = play(act, until_s=59.0, load=Load(load_spec(), mode="CP", level=120.0))
    assert kinds(out) == ["supply_trip"]
    last = out.last("supply_trip")
    assert (last.evidence["form"], str(last.state)) == ("hiccup", "active")
    assert last.evidence["returns"] >= 16  # told at every doubling
    assert last.evidence["cycle_s"] == pytest.approx(1.3, abs=0.1)
    assert len([e for e in out.events if e.kind == "supply_trip"]) < 15


@pytest.mark.parametrize(("times", "cools_s", "warms_s", "period_s"), [(4, 60.0, 90.0, 0.5), (3, 110.0, 540.0, 2.0)])
def test_thermal_cycling(times: int, cools_s: float, warms_s: float, period_s: float) -> None:
    """One event, of a load that is far too much, and of one that is hardly: too hot again after nine minutes."""
    cycle_s = cools_s + warms_s

    def act(bench: Bench, load: Load, source: Source) -> None:
        for n in range(times):
            bench.at(20.02 + cycle_s * n, lambda: setattr(source, "is_on", False))
            bench.at(20.02 + cycle_s * n + cools_s, lambda: setattr(source, "is_on", True))

    out = play(act, until_s=20.0 + cycle_s * times + 8.0 * cools_s, period_s=period_s)
    assert kinds(out) == ["supply_trip"]
    assert out.last("supply_trip").evidence["form"] == "thermal_cycling"
    assert str(out.last("supply_trip").state) == "cleared"


@pytest.mark.parametrize("back_s", [0.0, 400.0])
def test_a_load_that_trips_after_the_source_is_back_is_told(back_s: float) -> None:
    """The source is still watched, lest it fails again, and with ``back_s`` it does."""

    def act(bench: Bench, load: Load, source: Source) -> None:
        off(bench, load, source)
        bench.at(80.02, lambda: setattr(source, "is_on", True))
        bench.at(130.02, lambda: setattr(load, "input_on", False))
        bench.at(130.02, lambda: setattr(load, "protection", 1 << 4))
        if back_s:
            bench.at(200.02, lambda: setattr(load, "input_on", True))
            bench.at(200.02, lambda: setattr(load, "protection", 0))
            bench.at(300.02, lambda: setattr(source, "is_on", False))

    out = play(act, until_s=330.0, period_s=0.5)
    trips = out.raised(*TRIPS)
    assert [e.kind for e in trips] == ["supply_trip", "load_trip"]
    assert covers(trips[1], 130.02)
    assert at_s(trips[1].detected_utc_ns) < 130.02 + 1.1  # two samples
    assert str(out.last("load_trip").state) == ("cleared" if back_s else "active")
    assert out.last("supply_trip").evidence["returns"] == 1
    assert out.last("supply_trip").evidence["form"] == ("thermal_cycling" if back_s else "latch_off")


@pytest.mark.parametrize(("limit_a", "form"), [(4.5, "current_limit"), (1.0, "foldback")])
def test_current_limit_and_foldback(limit_a: float, form: str) -> None:
    out = play(lambda b, x, s: b.at(20.02, lambda: setattr(s, "limit_a", limit_a)))
    assert kinds(out) == ["supply_trip"]
    assert out.last("supply_trip").evidence["form"] == form
    assert out.raised()[0].confidence >= 0.99
