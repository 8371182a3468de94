"""What people wrote between runs outlives the readings: retention leaves a logbook of a rolling recording."""

from __future__ import annotations

import errno
import json
import sqlite3
from pathlib import Path

import pytest

from loadlog.model.errors import StoreError
from loadlog.model.event import EventState
from loadlog.store import Archive
from loadlog.store.backup import backup
from loadlog.store.connect import DiskFullError
from loadlog.store.info import LOGBOOK, RecordingInfo
from loadlog.store.logbook import leave_logbook
from loadlog.store.retention import DAY_NS, Rules, plan, prune
from loadlog.store.verify import verify
from tests.unit.store.recorded import NS, PATIENCE_S, T0, HandClock, OpenJournal, event, run_info, sample, snapshot

LONG_AFTER = T0 + 40 * DAY_NS
RULES = Rules(rolling_days=14)


def day(opened: OpenJournal, *notes: str) -> None:
    """One rolling recording: samples, and lines between runs."""
    opened.put(*(sample(0, t_utc_ns=opened.clock.utc_ns()) for _ in range(50)))
    for text in notes:
        opened.journal.put_note(0, None, opened.clock.utc_ns(), "Ida", text).result(PATIENCE_S)
    opened.clock.move(DAY_NS)


def two_days(directory: Path, *notes: str) -> None:
    """Two rolling recordings, the second closed by a third."""
    with OpenJournal(directory, HandClock(), rolling_keep_days=1000.0) as opened:
        day(opened, *notes)
        day(opened)
        day(opened)


def texts(directory: Path) -> list[str]:
    return [note.text for note in Archive(directory).notes()]


def names(directory: Path) -> list[str]:
    return sorted(path.name.split("-")[0] for path in (directory / "recordings").glob("*.sqlite"))


def test_notes_between_runs_stay_when_the_recorder_removes_their_recording(tmp_path: Path) -> None:
    clock = HandClock()
    with OpenJournal(tmp_path, clock, rolling_keep_days=3.0) as opened:
        day(opened, "swapped the lead", "bench swept")
        day(opened)
        for _ in range(5):
            day(opened)
        clock.move(11 * NS)
        opened.put(sample(0, t_utc_ns=clock.utc_ns()))
        archive = Archive(tmp_path)
        assert [(run, note.author, note.text) for run, note in archive.logbook()] == [
            (None, "Ida", "swapped the lead"), (None, "Ida", "bench swept"),
        ]  # fmt: skip
        assert next(archive.samples("load-1")).stamp.t_utc_ns > T0 + 2 * DAY_NS, "the readings went"
        assert [r.kind for r in archive.recordings()].count(LOGBOOK) == 1, "a day without a line leaves nothing"
        (logbook,) = (r for r in archive.recordings() if r.kind == LOGBOOK)
        assert (logbook.notes, logbook.samples, logbook.devices) == (2, 0, ())
        assert logbook.size_bytes < 50_000
        inode = logbook.path.stat().st_ino
        clock.move(30 * DAY_NS)
        opened.put(sample(0, t_utc_ns=clock.utc_ns()))
        clock.move(11 * NS)
        opened.put(sample(0, t_utc_ns=clock.utc_ns()))
        assert logbook.path.stat().st_ino == inode, "it is made once"
        assert texts(tmp_path) == ["swapped the lead", "bench swept"]
    assert verify(tmp_path).sound
    with OpenJournal(tmp_path, clock) as opened:  # and the next recorder takes it for what it is
        assert opened.troubles == []
        assert opened.journal.put_sample(sample(0, t_utc_ns=clock.utc_ns())) > logbook.last_seq


def test_it_is_said_what_stays_and_what_goes(tmp_path: Path) -> None:
    with OpenJournal(tmp_path, HandClock(), rolling_keep_days=1000.0) as opened:
        day(opened, "one line")
        opened.journal.start_run(run_info(devices=("load-2",)), snapshot())
        opened.journal.put_note(0, "soak-0001", T0, "Ida", "in the run").result(PATIENCE_S)
        opened.journal.stop_run("soak-0001", opened.clock.utc_ns(), "done").result(PATIENCE_S)
        day(opened)
        day(opened)
    would = prune(Archive(tmp_path).folder, LONG_AFTER, Rules(14, 14), dry_run=True)
    assert {r.recordings[0].kind: r.written for r in would.removals if r.written} == {"rolling": "1 note stays", "run": "with 1 note"}
    assert LOGBOOK not in names(tmp_path)
    prune(Archive(tmp_path).folder, LONG_AFTER, Rules(14, 14))
    assert texts(tmp_path) == ["one line"]
    assert prune(Archive(tmp_path).folder, LONG_AFTER, Rules(14, 14)).removals == []


def test_an_acknowledged_event_stays_with_who_and_why_once_it_is_over(tmp_path: Path) -> None:
    by = {"acknowledged": True, "acknowledged_by": "Ben", "note": "lead was loose"}
    with OpenJournal(tmp_path, HandClock(), rolling_keep_days=1000.0) as opened:
        day(opened)
        opened.journal.put_events([event(1, 0), event(2, 0), event(3, 0)])
        opened.journal.put_events([event(1, 0, **by), event(3, 0, **by)])
        opened.journal.put_events([event(1, 0, state=EventState.CLEARED, **by), event(2, 0, state=EventState.CLEARED)])
        opened.flush()
        day(opened)
        day(opened)
    prune(Archive(tmp_path).folder, LONG_AFTER, RULES)
    archive = Archive(tmp_path)
    logbooks = [r for r in archive.recordings() if r.kind == LOGBOOK]
    assert [(r.notes, r.acknowledged) for r in logbooks] == [(0, 1)]
    kept = {e.id: (e.acknowledged_by, e.note, e.state) for e in archive.events()}
    assert kept[1] == ("Ben", "lead was loose", EventState.CLEARED)
    assert 2 not in kept, "nobody wrote anything about it"
    assert kept[3] == ("Ben", "lead was loose", EventState.ACTIVE), "the next recording tells what is still active"
    with sqlite3.connect(logbooks[0].path) as db:
        assert db.execute("SELECT id FROM event").fetchall() == [(1,)]
        assert json.loads(db.execute("SELECT body FROM event").fetchone()[0])["evidence"]


@pytest.mark.parametrize("left", ["before the recording went", "in a backup"])
def test_a_recording_beside_its_own_logbook_tells_each_line_once(tmp_path: Path, left: str) -> None:
    data = tmp_path / "data"
    data.mkdir()
    two_days(data, "one line")
    first = Archive(data).recordings()[0]
    if left == "in a backup":
        backup(data, tmp_path / "copy")
        prune(Archive(data).folder, LONG_AFTER, RULES)
        backup(data, tmp_path / "copy")
        data = tmp_path / "copy"
    else:
        assert leave_logbook(first) is not None
    assert first.path.name in {r.name for r in Archive(data).recordings()}
    assert texts(data) == ["one line"]
    prune(Archive(data).folder, LONG_AFTER, RULES)
    assert names(data)[0] == LOGBOOK
    assert texts(data) == ["one line"]
    assert verify(data).sound


def test_without_room_for_the_logbook_the_recording_stays_and_the_others_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    two_days(tmp_path, "one line")

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("loadlog.store.logbook._write", full)
        with pytest.raises(DiskFullError):
            prune(Archive(tmp_path).folder, LONG_AFTER, RULES)
        assert names(tmp_path) == ["rolling", "rolling"], "the first with its note, and the one that is written"
        assert len([r for r in Archive(tmp_path).recordings() if r.samples]) == 2
    prune(Archive(tmp_path).folder, LONG_AFTER, RULES)
    assert names(tmp_path) == [LOGBOOK, "rolling"]
    assert texts(tmp_path) == ["one line"]


def test_numbers_that_went_with_the_readings_are_not_told_as_missing(tmp_path: Path) -> None:
    two_days(tmp_path, "one line")
    before = verify(tmp_path)
    assert before.missing == []
    prune(Archive(tmp_path).folder, LONG_AFTER, RULES)
    after = verify(tmp_path)
    assert after.missing == []
    assert [f.message.rpartition(": ")[2] for f in after.findings] == [
        "sound, notes 1, acknowledged events 0",
        "sound, 50 samples, still open",
    ]


def test_no_rule_removes_a_logbook(tmp_path: Path) -> None:
    kept = RecordingInfo(tmp_path / "l", LOGBOOK, 1, None, "b", (), 0, 1, 0, 9, 0, 0, 0, 0, None, None, 1000, 0, notes=1)
    found = plan([kept], LONG_AFTER, Rules(1, 1, 100))
    assert (found.removals, found.spared, found.over_bytes) == ([], [], 900)


def test_a_damaged_recording_is_not_removed_unread(tmp_path: Path) -> None:
    two_days(tmp_path, "one line")
    info = Archive(tmp_path).recordings()[0]
    info.path.write_bytes(b"nonsense" * 1000)
    with pytest.raises(StoreError):
        leave_logbook(info)
    assert info.path.exists()
