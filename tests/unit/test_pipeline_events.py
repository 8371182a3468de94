"""The pipeline's book of events: numbers, states, acknowledgement, restart."""

from __future__ import annotations

import pytest

from loadlog.model.clock import ClockStep
from loadlog.model.device import LimitSpec
from loadlog.model.errors import RefusedError
from loadlog.model.event import Event, EventState, Finding, Onset, Severity
from loadlog.model.sample import FailureCause, PollFailure, Reading, Stamp
from loadlog.pipeline import RECENT_EVENTS, Pipeline
from tests.checklists.traces import Bench, Load, fresh_random, load_spec, meter_spec, record, with_limits

LIMITED = with_limits(load_spec(), voltage_v=LimitSpec(high=25.0))


def reading(n: int, volts: float, device: str = "load-1") -> Reading:
    """The n-th poll."""
    return Reading(device, Stamp(n * 10**8, 10**6), {"voltage_v": round(volts * 1000), "current_a": 1000})


def pipeline(**more: object) -> Pipeline:
    """One load with a limit."""
    return Pipeline([LIMITED], next_seq=100, next_event_id=7, **more)  # type: ignore[arg-type]


def test_one_counter_for_samples_events_and_notes() -> None:
    line = pipeline()
    sample, events = line.feed(reading(1, 24.0))
    assert (sample.seq, events) == (100, [])
    assert line.take_seq() == 101
    sample, (event,) = line.feed(reading(2, 26.0))
    assert (sample.seq, event.seq, event.id) == (102, 103, 7)
    sample, (cleared,) = line.feed(reading(3, 24.0))
    assert (sample.seq, cleared.seq, cleared.id) == (104, 105, 7)
    assert line.next_seq == 106
    assert (event.state, cleared.state) == (EventState.ACTIVE, EventState.CLEARED)
    assert cleared.cleared_utc_ns == 3 * 10**8 + 10**6
    assert cleared.onset == event.onset


def test_detected_is_the_sample_that_decided_and_run_is_the_one_of_then() -> None:
    runs = {"load-1": "soak-0001"}
    line = pipeline(run_of=runs.get)
    line.feed(reading(1, 24.0))
    (event,) = line.feed(reading(2, 26.0))[1]
    assert event.detected_utc_ns == 2 * 10**8 + 10**6
    runs["load-1"] = "soak-0002"
    (cleared,) = line.feed(reading(3, 24.0))[1]
    assert (event.run, cleared.run) == ("soak-0001", "soak-0001")


def test_active_events_are_unique_and_only_news_makes_a_state() -> None:
    line = pipeline()
    finding = Finding("store_trouble", None, Severity.ALARM, Onset(1, 2), "disk full", key="disk", evidence={"waiting": 1})
    (first,) = line.service_finding(finding)
    assert line.service_finding(finding) == []
    more = Finding("store_trouble", None, Severity.ALARM, Onset(5, 6), "disk full", key="disk", evidence={"waiting": 9})
    (second,) = line.service_finding(more)
    assert (second.id, second.onset, second.evidence["waiting"]) == (first.id, first.onset, 9)
    other = Finding("store_trouble", None, Severity.ALARM, Onset(5, 6), "slow", key="slow")
    assert line.service_finding(other)[0].id != first.id
    assert [e.id for e in line.active()] == [first.id, first.id + 1]
    over = Finding("store_trouble", None, Severity.ALARM, Onset(7, 8), "", key="disk", clear=True)
    assert line.service_finding(over)[0].cleared_utc_ns == 8
    assert line.service_finding(over) == []


def test_momentary_events_are_cleared_at_once() -> None:
    line = pipeline()
    (event,) = line.clock_stepped(ClockStep(t_utc_ns=5_000, step_ns=-2_500_000_000))
    assert (event.kind, event.state, event.cleared_utc_ns, event.device) == ("clock_step", EventState.CLEARED, 5_000, None)
    assert event.evidence["step_s"] == -2.5
    assert line.active() == []


def test_acknowledge_once_active_or_cleared() -> None:
    line = pipeline()
    line.feed(reading(1, 24.0))
    (event,) = line.feed(reading(2, 26.0))[1]
    acknowledged = line.acknowledge(event.id, "ada", "seen", 10**9)
    assert (acknowledged.acknowledged, acknowledged.acknowledged_by, acknowledged.note) == (True, "ada", "seen")
    assert acknowledged.state is EventState.ACTIVE
    assert acknowledged.seq > event.seq
    with pytest.raises(RefusedError, match="already by ada"):
        line.acknowledge(event.id, "bob", "", 2 * 10**9)
    with pytest.raises(RefusedError, match="no event 999"):
        line.acknowledge(999, "ada", "", 10**9)
    (cleared,) = line.feed(reading(3, 24.0))[1]
    assert cleared.acknowledged
    assert cleared.evidence["acknowledged_at"] == "1970-01-01T00:00:01.000000000Z"
    (second,) = line.feed(reading(4, 26.0))[1]
    line.feed(reading(5, 24.0))
    assert line.acknowledge(second.id, "ada", "", 10**9).state is EventState.CLEARED


def test_a_device_that_is_not_here_is_refused() -> None:
    with pytest.raises(RefusedError, match="no device 'load-9'"):
        pipeline().feed(reading(1, 24.0, "load-9"))
    with pytest.raises(RefusedError, match="no device 'load-9'"):
        pipeline().order("load-9", "input_on", 0, 1)


def restarted(active: list[Event]) -> Pipeline:
    """The service after a restart."""
    line = Pipeline([LIMITED, meter_spec()], next_seq=1000, next_event_id=50)
    line.restore(active)
    return line


def test_restart_goes_on_with_a_limit() -> None:
    line = pipeline()
    line.feed(reading(1, 24.0))
    line.feed(reading(2, 26.0))
    after = restarted(line.active())
    assert [e.kind for e in after.active()] == ["limit"]
    assert after.feed(reading(3, 26.0))[1] == []
    (cleared,) = after.feed(reading(4, 24.0))[1]
    assert (cleared.id, cleared.state) == (7, EventState.CLEARED)
    (new,) = after.feed(reading(5, 26.0))[1]
    assert new.id == 50


def test_restart_goes_on_with_a_lost_device() -> None:
    line = pipeline()
    for n in range(15):
        line.feed(PollFailure("load-1", Stamp(n * 10**8, 10**6), FailureCause.TIMEOUT))
    after = restarted(line.active())
    events = after.feed(reading(100, 24.0))[1]
    assert [(e.kind, e.state) for e in events] == [
        ("communication_lost", EventState.CLEARED),
        ("communication_restored", EventState.CLEARED),
    ]


@pytest.mark.parametrize(
    ("break_it", "mend_it", "kind"),
    [
        (lambda b: setattr(b.source, "is_on", False), lambda b: setattr(b.source, "is_on", True), "supply_trip"),
        (
            lambda b: (setattr(b.loads[0], "input_on", False), setattr(b.loads[0], "protection", 4)),
            lambda b: (setattr(b.loads[0], "input_on", True), setattr(b.loads[0], "protection", 0)),
            "load_trip",
        ),
        (lambda b: setattr(b.loads[0], "sense_ok", False), lambda b: setattr(b.loads[0], "sense_ok", True), "sense_fallback"),
        (lambda b: setattr(b.loads[0], "protection", 8), lambda b: setattr(b.loads[0], "protection", 0), "protection"),
    ],
)
def test_restart_goes_on_with_what_was_broken(break_it: object, mend_it: object, kind: str) -> None:
    """Broken before the restart, mended after it: the same event is cleared, none is raised twice."""
    bench = Bench(fresh_random(), loads=[Load(load_spec())])
    bench.at(30.02, lambda: break_it(bench))  # type: ignore[operator]
    bench.at(70.02, lambda: mend_it(bench))  # type: ignore[operator]
    before = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    record(bench, 40.0, before)
    (event,) = [e for e in before.active() if e.kind == kind]
    after = Pipeline(bench.specs, next_seq=100_000, next_event_id=50)
    after.restore(before.active())
    out = record(bench, 330.0, after)  # a source that was gone for 40 s is watched for four minutes
    states = [e for e in out.events if e.kind == kind]
    assert {e.id for e in states} == {event.id}
    assert states[-1].state is EventState.CLEARED
    assert after.active() == []


def test_recent_events_are_bounded() -> None:
    line = pipeline()
    for n in range(RECENT_EVENTS + 50):
        line.clock_stepped(ClockStep(n, 10**9))
    with pytest.raises(RefusedError):
        line.acknowledge(7, "ada", "", 1)
    assert line.acknowledge(7 + RECENT_EVENTS + 49, "ada", "", 1).acknowledged


def test_learned_is_shown() -> None:
    bench = Bench(fresh_random(), loads=[Load(load_spec())])
    line = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    before = line.learned("load-1", 17)
    assert before.t_utc_ns == 17
    assert before.learning["sense_fallback"] == "noise_voltage_v 0 of 20, noise_current_a 0 of 20"
    assert [(f.name, f.state) for f in before.facts if f.state == "fixed"] == [("path_resistance_ohm", "fixed")]
    bench.at(30.02, lambda: setattr(bench.loads[0], "level", 9.0))
    record(bench, 60.0, line)
    after = line.learned("load-1")
    learned = {f.name: f for f in after.facts}
    assert "sense_fallback" not in after.learning
    assert after.learning["drift"].startswith("baseline_voltage_v 0 of 10")
    assert learned["noise_voltage_v"].value == pytest.approx(0.7e-3, rel=0.3)
    output = learned["output_resistance_ohm"]
    assert output.uncertainty is not None
    assert output.value == pytest.approx(0.02, abs=3 * output.uncertainty + 1e-4)


def test_resistances_are_recalled_after_a_restart_and_levels_are_learned_again() -> None:
    bench = Bench(fresh_random(), loads=[Load(load_spec(path_resistance_ohm=None))])
    line = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    bench.at(30.02, lambda: setattr(bench.loads[0], "level", 9.0))
    bench.at(45.02, lambda: setattr(bench.loads[0], "sense_ok", False))
    bench.at(50.02, lambda: setattr(bench.loads[0], "sense_ok", True))
    record(bench, 60.0, line)
    known = line.learned("load-1")
    again = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    again.recall("load-1", known)
    facts = {f.name: f for f in again.learned("load-1").facts}
    old = {f.name: f for f in known.facts}
    for name in ("output_resistance_ohm", "path_resistance_ohm"):
        assert facts[name].value == old[name].value, name
    assert again.learned("load-1").learning["sense_fallback"]
