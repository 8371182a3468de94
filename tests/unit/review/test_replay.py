"""A run replayed from its recordings: a bench that was busy before the run, neighbours outside it, a restart in the middle."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from loadlog.model.circumstance import Begun, Ordered
from loadlog.model.device import DeviceSpec, LimitSpec
from loadlog.model.errors import UsageError
from loadlog.model.event import Event
from loadlog.model.run import RunInfo
from loadlog.pipeline import Pipeline
from loadlog.review.archive_file import open_archive, write_archive
from loadlog.review.replay import replay_run
from loadlog.store import Archive
from tests.checklists.traces import T0_NS, Bench, Load, fresh_random, load_spec, meter_spec, with_limits
from tests.unit.store.recorded import HandClock, OpenJournal, snapshot

NS = 10**9
ORDER_S = 86.0
RUN = RunInfo("soak-0001", "soak", ("load-1",), T0_NS + 20 * NS)


def busy_bench() -> Bench:
    """Two loads and a meter on one source; only load-1 will be in the run."""
    limits = {"voltage_v": LimitSpec(high=24.05, low=23.0, deadband=0.02, on_delay_s=0.3)}
    first = Load(with_limits(load_spec("load-1"), **limits), level=4.0)
    second = Load(load_spec("load-2", period_s=0.25), level=2.0)
    bench = Bench(fresh_random(), loads=[first, second], meters=[meter_spec()])
    for t_s, action in (
        (18.0, lambda: setattr(first, "answers", False)), (23.0, lambda: setattr(first, "answers", True)),
        (45.0, lambda: setattr(first, "sense_ok", False)), (52.0, lambda: setattr(first, "sense_ok", True)),
        (75.0, lambda: setattr(bench.source, "is_on", False)), (78.0, lambda: setattr(bench.source, "is_on", True)),
        (61.0, lambda: setattr(first, "level", 4.5)),  # while the recorder is not running
        (86.0, lambda: setattr(first, "level", 3.0)),  # ordered
        (93.0, lambda: setattr(first, "level", 2.0)),  # by hand
    ):  # fmt: skip
        bench.at(t_s + 0.02, action)
    return bench


def live(directory: Path, bench: Bench, start_s: float | None, until_s: float, stop: bool) -> list[Event]:
    """One life of the recorder up to ``until_s``; the run begins at ``start_s``."""
    specs: dict[str, DeviceSpec] = {d.name: d for d in bench.specs}
    told, ordered = [], False
    with OpenJournal(directory, specs=specs, clock=HandClock(T0_NS + round(bench.t_s * NS))) as opened:
        journal = opened.journal
        pipeline = Pipeline(bench.specs, next_seq=journal.last_seq + 1, next_event_id=journal.last_event_id + 1, run_of=journal.run_of)
        pipeline.restore(journal.active_events)
        journal.put_circumstance(pipeline.begin(tuple(specs), T0_NS + round(bench.t_s * NS), "start", journal.remembered))
        for item in bench.run(until_s):
            if start_s is not None and item.stamp.t_utc_ns >= T0_NS + start_s * NS:
                journal.start_run(RUN, snapshot(specs))
                journal.put_circumstance(pipeline.begin(RUN.devices, RUN.started_utc_ns, "run"))
                start_s = None
            if not ordered and bench.t_s >= ORDER_S:
                ordered = True
                journal.put_circumstance(pipeline.order("load-1", "setpoint", 3.0, item.stamp.t_utc_ns - 1))
            sample, events = pipeline.feed(item)
            journal.put_sample(sample)
            journal.put_events(events)
            told += [e for e in events if e.device == "load-1" and e.run]
        journal.put_learned("load-1", pipeline.learned("load-1", item.stamp.t_utc_ns))
        if stop:
            journal.stop_run(RUN.id, T0_NS + round(until_s * NS), "done")
        opened.flush()
    return told


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Event]]:
    """A run of two lives of the recorder."""
    directory = tmp_path_factory.mktemp("replay")
    bench = busy_bench()
    told = live(directory, bench, 20.0, 60.0, stop=False)
    bench.t_s = 62.0
    told += live(directory, bench, None, 100.0, stop=True)
    return directory, told


def test_a_run_with_a_restart_and_neighbours_outside_comes_out_bit_for_bit(recorded: tuple[Path, list[Event]]) -> None:
    directory, told = recorded
    result = replay_run(Archive(directory), RUN.id)
    assert {"communication_restored", "sense_fallback", "supply_trip", "setpoint_changed"} <= {e.kind for e in told}
    assert result.identical, result.to_json()
    assert (result.missing, result.extra, result.changed, result.caveats) == ((), (), (), ())
    assert result.same > 3


def test_what_the_others_of_the_group_showed_is_missed_in_an_archive(recorded: tuple[Path, list[Event]], tmp_path: Path) -> None:
    """An archive holds the run alone: whoever replays it is told which samples the detectors had beside it."""
    packed = tmp_path / "soak.zip"
    write_archive(recorded[0], RUN.id, packed)
    with open_archive(packed) as (archive, run):
        (caveat,) = replay_run(archive, run).caveats
    assert caveat == "samples of load-2, meter, which the detectors saw beside the run, are not in these recordings"


@pytest.mark.parametrize("kind", [Begun, Ordered])
def test_without_its_circumstances_it_would_not(
    recorded: tuple[Path, list[Event]], kind: type, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    archive = Archive(recorded[0])
    first, *others = archive.circumstances(RUN.id)
    monkeypatch.setattr(archive, "circumstances", lambda run: [first, *(c for c in others if not isinstance(c, kind))])
    assert not replay_run(archive, RUN.id).identical


def test_where_the_detectors_began_is_recorded(recorded: tuple[Path, list[Event]]) -> None:
    begun = [c for c in Archive(recorded[0]).circumstances(RUN.id) if isinstance(c, Begun)]
    assert [c.reason for c in begun] == ["run", "start"]
    assert "load-1" in begun[1].recalled


def test_other_limits_give_a_list_of_differences(recorded: tuple[Path, list[Event]]) -> None:
    archive = Archive(recorded[0])
    specs = archive.devices(RUN.id)
    strict = {"load-1": with_limits(specs["load-1"], voltage_v=LimitSpec(low=23.99, deadband=0.001))}
    result = replay_run(archive, RUN.id, strict)
    assert not result.identical
    assert [e.key for e in result.missing] == []
    assert {e.kind for e in result.extra} == {"limit"} or {c.recorded.kind for c in result.changed} == {"limit"}
    wide = {"load-1": with_limits(specs["load-1"])}
    assert {e.kind for e in replay_run(archive, RUN.id, wide).missing} == {"limit"}


def test_a_device_that_is_not_configured_any_more_is_judged_as_recorded(recorded: tuple[Path, list[Event]]) -> None:
    result = replay_run(Archive(recorded[0]), RUN.id, {})
    assert result.identical
    assert result.caveats == ("load-1 is not in this configuration: judged as recorded",)


def test_an_unknown_run_is_refused_by_name(recorded: tuple[Path, list[Event]]) -> None:
    with pytest.raises(UsageError, match="there is no run 'soak-9'"):
        replay_run(Archive(recorded[0]), "soak-9")


def test_a_configuration_that_changed_in_mid_run_is_in_force_from_then_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The recorder was started again with a limit that the first life did not have, and without one that it had."""
    bench = busy_bench()
    first = next(load for load in bench.loads if load.spec.name == "load-1")
    later, first.spec = first.spec, with_limits(first.spec, voltage_v=LimitSpec(low=23.86, deadband=0.01))
    told = live(tmp_path, bench, 20.0, 60.0, stop=False)
    bench.t_s, first.spec = 62.0, later
    told += live(tmp_path, bench, None, 100.0, stop=True)
    said = " ".join(e.message for e in told if e.kind == "limit")
    assert "23.86 V" in said, "the first life tells of its own limit"
    assert "23 V" in said, "the second life too"
    archive = Archive(tmp_path)
    result = replay_run(archive, RUN.id)
    assert result.identical, result.to_json()
    last = archive.devices(RUN.id)
    monkeypatch.setattr(archive, "eras", lambda run: [(0, last)])
    assert not replay_run(archive, RUN.id).identical


def test_samples_are_validated_again_where_the_profile_says_otherwise(recorded: tuple[Path, list[Event]]) -> None:
    archive = Archive(recorded[0])
    spec = archive.devices(RUN.id)["load-1"]
    narrow = replace(spec, channels=tuple(replace(c, possible_high=3.7) if c.name == "current_a" else c for c in spec.channels))
    result = replay_run(archive, RUN.id, {"load-1": narrow})
    assert not result.identical
    assert replay_run(archive, RUN.id, {"load-1": spec}).identical
