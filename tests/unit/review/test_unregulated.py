"""The report's figures about regulation, over a run with a trip and a loose sense lead, against the physics it was played on."""

from __future__ import annotations

import dataclasses

import pytest

from loadlog.review.postmortem import PostMortem, post_mortem
from loadlog.review.unregulated import left_out
from loadlog.store import Archive
from tests.unit.review.test_replay import RUN, busy_bench, live
from tests.unit.store.recorded import NS, SPECS, T0, event

SOURCE_OHM = 0.02  # of the bench's source; the second load draws a constant current from it


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> PostMortem:
    directory = tmp_path_factory.mktemp("unregulated")
    live(directory, busy_bench(), 20.0, 100.0, stop=True)
    return post_mortem(Archive(directory), RUN.id)


def test_the_output_resistance_is_that_of_the_source(report: PostMortem) -> None:
    kinds = {p.event.kind for p in report.timeline}
    assert {"supply_trip", "sense_fallback"} <= kinds
    figure = report.devices[0].figures["voltage_v", "output_resistance"]
    assert figure.value is not None, figure.why_not
    assert abs(figure.value - SOURCE_OHM) < 2 * (figure.uncertainty or 0.0)
    (note,) = [n for n in figure.notes if "left out" in n]
    assert "supply trip" in note
    assert "sense fallback" in note


def test_what_a_source_does_concerns_all_its_devices_and_a_lead_only_its_own() -> None:
    one, two, other = (dataclasses.replace(s, group=g) for s, g in zip(SPECS.values(), ("a", "a", "b"), strict=True))
    told = [event(1, 10, kind="supply_trip", device="load-1"), event(2, 20, kind="sense_fallback", device="load-1")]
    until_ns = T0 + 60 * NS
    assert [s.reason for s in left_out(one, (one, two, other), told, until_ns)] == ["supply_trip", "sense_fallback"]
    assert [s.reason for s in left_out(two, (one, two, other), told, until_ns)] == ["supply_trip"]
    assert left_out(other, (one, two, other), told, until_ns) == ()
    assert left_out(one, (one, two, other), told, until_ns)[0].to_utc_ns == until_ns  # still on
