"""Runs, the time between runs, restarts: which recording holds what, and that no number is ever given twice."""

from __future__ import annotations

import json
import os
import re
import sqlite3
import threading
from pathlib import Path

import pytest

from loadlog.model.clock import format_utc
from loadlog.model.errors import RefusedError, StoreError
from loadlog.model.event import EventState
from loadlog.store import Archive
from loadlog.store.verify import verify
from tests.unit.store.recorded import DAY_NS, NS, PATIENCE_S, SPECS, T0, HandClock, OpenJournal, event, run_info, sample, snapshot, spec


def test_samples_of_a_device_are_recorded_in_its_run_and_nowhere_else(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        journal = opened.journal
        for seq in range(1, 31):
            if seq == 10:
                journal.start_run(run_info(), snapshot())
            if seq == 20:
                journal.stop_run("soak-0001", T0 + 2 * NS, "done")
            journal.put_sample(sample(seq, "load-1" if seq % 2 else "load-2"))
        opened.flush()
        archive = Archive(tmp_path)
        assert [s.seq for s in archive.samples("load-1", run="soak-0001")] == list(range(11, 20, 2))
        assert list(archive.samples("load-2", run="soak-0001")) == []
        assert [s.seq for s in archive.samples("load-1")] == list(range(1, 31, 2))
        assert [s.seq for s in archive.samples("load-2")] == list(range(2, 31, 2))
        run = archive.run("soak-0001")
        assert (run.ended_utc_ns, run.end_reason, run.devices) == (T0 + 2 * NS, "done", ("load-1",))
        assert {r.run for r in archive.since(0)} == {None, "soak-0001"}


def test_several_runs_go_on_at_once(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        journal = opened.journal
        journal.start_run(run_info("a-0001", ("load-1",)), snapshot())
        journal.start_run(run_info("b-0002", ("load-2", "case")), snapshot())
        for seq, device in enumerate(("load-1", "load-2", "case"), start=1):
            journal.put_sample(sample(seq, device))
        opened.flush()
        assert [journal.run_of(d) for d in SPECS] == ["a-0001", "b-0002", "b-0002"]
        assert [run.id for run in journal.running] == ["a-0001", "b-0002"]
        archive = Archive(tmp_path)
        assert [r.kind for r in archive.recordings()] == ["run", "run"]
        assert [s.seq for s in archive.samples("case", run="b-0002")] == [3]


def test_orders_that_cannot_be_carried_out_are_refused_at_once(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        journal = opened.journal
        journal.start_run(run_info("a-0001", ("load-1",)), snapshot()).result(PATIENCE_S)
        with pytest.raises(RefusedError, match="load-1 is in run a-0001"):
            journal.start_run(run_info("b-0002", ("case", "load-1")), snapshot())
        with pytest.raises(RefusedError, match="no device 'load-9'"):
            journal.start_run(run_info("b-0002", ("load-9",)), snapshot())
        with pytest.raises(RefusedError, match="'b-0002' is not on"):
            journal.stop_run("b-0002", T0, "")
        assert journal.run_of("case") is None
        journal.stop_run("a-0001", T0, "done").result(PATIENCE_S)
        with pytest.raises(RefusedError, match="a run a-0001 before"):
            journal.start_run(run_info("a-0001", ("load-1",)), snapshot())
        with pytest.raises(RefusedError, match="'a-0001' is not on"):
            journal.put_note(9, "a-0001", T0, "me", "too late").result(PATIENCE_S)


def test_run_numbers_are_given_out_once(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        assert opened.journal.next_run_id("soak") == "soak-0001"
        opened.journal.start_run(run_info("other-0004"), snapshot())
        assert opened.journal.next_run_id("soak") == "soak-0005"
    with OpenJournal(tmp_path) as opened:
        assert opened.journal.next_run_id("soak") == "soak-0006"


def test_notes_go_to_their_run_or_to_the_time_between(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.put_note(1, None, T0, "ann", "fan noisy").result(PATIENCE_S)
        opened.journal.start_run(run_info(), snapshot())
        opened.journal.put_note(2, "soak-0001", T0 + 1, "ann", "lead moved").result(PATIENCE_S)
        archive = Archive(tmp_path)
        assert [(n.seq, n.text) for n in archive.notes("soak-0001")] == [(2, "lead moved")]
        assert [n.text for n in archive.notes()] == ["fan noisy", "lead moved"]


def test_an_active_event_is_carried_into_the_next_recording_and_back(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        journal = opened.journal
        journal.put_events([event(1, 1), event(2, 2, device="load-2")])
        journal.start_run(run_info(), snapshot()).result(PATIENCE_S)
        archive = Archive(tmp_path)
        assert [e.id for e in archive.events(run="soak-0001")] == [1]
        journal.stop_run("soak-0001", T0, "done")
        journal.put_events([event(1, 3, state=EventState.CLEARED)])
        opened.flush()
        (cleared,) = archive.events(run="soak-0001")
        assert (cleared.id, cleared.state) == (1, EventState.CLEARED)
        assert [e.id for e in archive.events()] == [1, 2]


def test_each_recording_alone_tells_what_was_active_while_it_was_written(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        journal = opened.journal
        opened.put(sample(1, "load-2"))
        journal.start_run(run_info(), snapshot())
        journal.put_events([event(1, 2)])
        journal.stop_run("soak-0001", T0, "done")
        opened.put(sample(3))
    for path in (tmp_path / "recordings").glob("run-*"):
        path.rename(tmp_path / "elsewhere")
    assert [e.id for e in Archive(tmp_path).events()] == [1]


def test_an_event_without_a_device_is_told_in_every_open_recording(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1, "load-2"))
        opened.journal.start_run(run_info(), snapshot())
        opened.journal.put_events([event(1, 2, device=None)])
        opened.flush()
        archive = Archive(tmp_path)
        assert [e.id for e in archive.events(run="soak-0001")] == [1]
        for recording in archive.recordings():
            with sqlite3.connect(recording.path) as connection:
                assert connection.execute("SELECT count(*) FROM event").fetchone() == (1,)
        assert len(archive.events()) == 1


def test_after_a_restart_the_run_goes_on_in_the_same_recording_and_the_gap_is_told(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.journal.put_events([event(5, 1)])
        opened.put(sample(2), sample(3))
        assert opened.journal.last_event_id == 5
    clock = HandClock(T0 + 3600 * NS)
    with OpenJournal(tmp_path, clock) as opened:
        journal = opened.journal
        assert (journal.last_seq, journal.last_event_id) == (3, 5)
        assert [e.id for e in journal.active_events] == [5]
        assert journal.run_of("load-1") == "soak-0001"
        opened.put(sample(4, t_utc_ns=T0 + 3600 * NS))
    archive = Archive(tmp_path)
    assert [s.seq for s in archive.samples("load-1", run="soak-0001")] == [2, 3, 4]
    assert len(archive.recordings_of("soak-0001")) == 1
    (gap,) = archive.gaps("soak-0001")
    assert (gap.device, gap.from_utc_ns, gap.to_utc_ns, gap.samples) == ("load-1", T0 + 3 * NS // 10, T0 + 3600 * NS, None)


def test_numbers_go_on_when_the_newest_recording_is_empty_or_was_moved_away(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(7))
        opened.journal.put_events([event(3, 8, device="case")])
        opened.journal.start_run(run_info(), snapshot()).result(PATIENCE_S)
    for path in (tmp_path / "recordings").glob("rolling-*"):
        path.unlink()
    (tmp_path / "ledger.json").unlink()
    with OpenJournal(tmp_path) as opened:  # only the run's recording, without a sample, is left
        assert (opened.journal.last_seq, opened.journal.last_event_id) == (8, 3)
        opened.put(sample(9))
        opened.journal.stop_run("soak-0001", T0, "done")
    for path in (tmp_path / "recordings").iterdir():
        path.unlink()
    with OpenJournal(tmp_path) as opened:
        assert (opened.journal.last_seq, opened.journal.last_event_id) == (9, 3)


def test_a_sample_without_a_number_or_with_a_used_one_gets_the_next(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        given = [opened.journal.put_sample(sample(seq)) for seq in (0, 0, 5, 5, 3, 0)]
        assert given == [1, 2, 5, 6, 7, 8]
        opened.flush()
        assert [s.seq for s in Archive(tmp_path).samples("load-1")] == given


def test_changed_channels_begin_a_new_part_of_the_run(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
    wider = {**SPECS, "load-1": spec("load-1", extra=3)}
    with OpenJournal(tmp_path, specs=wider) as opened:
        opened.put(sample(2, counts={"voltage_v": 1, "extra2_v": 5}, device_spec=wider["load-1"]))
        opened.journal.stop_run("soak-0001", T0 + NS, "done").result(PATIENCE_S)
    archive = Archive(tmp_path)
    assert [r.name for r in archive.recordings_of("soak-0001")] == ["run-soak-0001.sqlite", "run-soak-0001.p2.sqlite"]
    assert [s.values.get("extra2_v") for s in archive.samples("load-1", run="soak-0001")] == [None, 0.005]
    assert archive.run("soak-0001").end_reason == "done"
    assert len(archive.runs()) == 1
    with OpenJournal(tmp_path, specs=wider) as opened:
        assert opened.journal.running == ()


def test_a_run_whose_devices_left_the_configuration_is_ended(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
    rest = {"case": SPECS["case"]}
    with OpenJournal(tmp_path, specs=rest) as opened:
        assert opened.journal.running == ()
    assert Archive(tmp_path).run("soak-0001").end_reason == "its devices are no longer configured"


def test_the_rolling_recording_changes_after_midnight_and_old_ones_are_removed_but_never_runs(tmp_path: Path) -> None:
    clock = HandClock()
    with OpenJournal(tmp_path, clock, rolling_keep_days=2.0) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1), sample(2, "load-2"))
        opened.journal.stop_run("soak-0001", T0, "done").result(PATIENCE_S)
        for day in range(1, 6):
            clock.move(DAY_NS)
            opened.put(sample(2 + day, "load-2", t_utc_ns=T0 + day * DAY_NS))
            opened.put(sample(0, "load-2", t_utc_ns=T0 + day * DAY_NS + NS))
        clock.move(NS * 60)
        opened.put(sample(0, "load-2", t_utc_ns=T0 + 5 * DAY_NS + 2 * NS))
    recordings = Archive(tmp_path).recordings()
    assert [r.kind for r in recordings] == ["run", "rolling", "rolling", "rolling"]
    assert [s.stamp.t_utc_ns // DAY_NS - T0 // DAY_NS for s in Archive(tmp_path).samples("load-2")] == [3, 3, 4, 4, 5, 5, 5]
    assert len(list(Archive(tmp_path).samples("load-1"))) == 1


def test_the_rolling_recording_changes_by_size(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal._keeper._around.rotate_bytes = 100_000
        for seq in range(1, 41):
            opened.put(*(sample(seq * 100 + i) for i in range(100)))
    archive = Archive(tmp_path)
    assert len(archive.recordings()) > 1
    assert [s.seq for s in archive.samples("load-1")] == list(range(100, 4100))


def test_a_second_recorder_is_refused(tmp_path: Path) -> None:
    with OpenJournal(tmp_path), pytest.raises(StoreError, match=rf"another recorder \(process {os.getpid()}\) is writing here"):
        OpenJournal(tmp_path)
    with OpenJournal(tmp_path):
        pass


def test_a_clean_end_leaves_no_wal_and_loses_nothing(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        for seq in range(1, 101):
            opened.journal.put_sample(sample(seq))
    assert [p.name for p in (tmp_path / "recordings").iterdir()] == [Archive(tmp_path).recordings()[0].name]
    assert len(list(Archive(tmp_path).samples("load-1"))) == 100
    assert verify(tmp_path).sound


def test_a_sample_is_on_disk_within_the_interval_without_asking(tmp_path: Path) -> None:
    with OpenJournal(tmp_path, commit_interval_s=0.05) as opened:
        done = threading.Event()
        opened.journal._keeper._on_commit = lambda seq: done.set()
        opened.journal.put_sample(sample(1))
        assert done.wait(PATIENCE_S)
        assert opened.journal.status()["committed_seq"] == 1


def test_identities_are_kept_with_the_recording_once(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        for t in range(3):
            opened.journal.put_identity("load-1", {"serial": "4711"}, T0 + t)
        opened.journal.put_identity("load-1", {"serial": "4712"}, T0 + 9)
        opened.flush()
        assert Archive(tmp_path).snapshot().identities == {"load-1": {"serial": "4712"}}
        (recording,) = Archive(tmp_path).recordings()
        with sqlite3.connect(recording.path) as connection:
            assert connection.execute("SELECT count(*) FROM identity").fetchone() == (2,)


def test_the_snapshot_explains_the_recording(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1))
        archive = Archive(tmp_path)
        assert archive.snapshot() == snapshot()
        assert archive.devices() == SPECS


def test_the_status_is_plain_json(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1))
        status = json.loads(json.dumps(opened.journal.status()))
        assert (status["committed_seq"], status["waiting"], status["lost"], status["trouble"]) == (1, 0, 0, "")


def test_a_gap_in_a_run_is_told_with_the_first_sample_after_it(tmp_path: Path) -> None:
    """Before any order that follows that sample: a run that is stopped at once still tells of its gap."""
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
    with OpenJournal(tmp_path) as opened:
        opened.journal.put_sample(sample(50))
        told = [t for t in opened.troubles if t.kind == "sample_gap"]
        assert [t.key for t in told] == ["load-1"]
        assert re.fullmatch(r"load-1: no samples for \d+ (s|min): the recorder was not running", told[0].message)
        assert told[0].evidence["gap_from"] == format_utc(told[0].since_utc_ns)
        opened.journal.put_sample(sample(51))
        opened.flush()
        assert [t.kind for t in opened.troubles].count("sample_gap") == 1


def test_a_gap_between_runs_is_recorded_and_not_told(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1))
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(50))
        assert opened.troubles == []
    assert [gap.device for gap in Archive(tmp_path).gaps()] == ["load-1"]
