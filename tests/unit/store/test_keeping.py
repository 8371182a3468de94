"""What may go and what never does; live copies."""

from __future__ import annotations

import dataclasses
import json
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadlog.model.errors import RefusedError, StoreError, UsageError
from loadlog.model.run import RunInfo
from loadlog.store import Archive, RecordingInfo
from loadlog.store.backup import backup
from loadlog.store.retention import DAY_NS, Rules, mark, plan, prune
from loadlog.store.verify import verify
from tests.unit.store.recorded import NS, PATIENCE_S, T0, HandClock, OpenJournal, run_info, sample, snapshot

MIB = 1 << 20


def info(
    name: str, closed_days_ago: float | None, size_mib: int = 1, run: str | None = None, part: int = 1, **changes: object
) -> RecordingInfo:
    """A recording that exists only in a list; instants count from day 1000."""
    closed = None if closed_days_ago is None else round((1000 - closed_days_ago) * DAY_NS)
    about = None if run is None else RunInfo(run, run, ("load-1",), 0, ended_utc_ns=closed, end_reason="done")
    made = RecordingInfo(
        Path(name),
        "rolling" if run is None else "run",
        part,
        about,
        "b",
        ("load-1",),
        0,
        closed,
        1,
        100,
        0,
        0,
        0,
        100,
        0,
        1,
        size_mib * MIB,
        90,
    )
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


NOW = 1000 * DAY_NS


def gone(recordings: list[RecordingInfo], **rules: object) -> list[str]:
    return [r.name for removal in plan(recordings, NOW, Rules(**rules)).removals for r in removal.recordings]  # type: ignore[arg-type]


def test_rolling_recordings_go_by_age_and_runs_only_where_it_is_said() -> None:
    recordings = [info("old", 15), info("young", 13), info("run", 500, run="a-0001"), info("open", None)]
    assert gone(recordings, rolling_days=14) == ["old"]
    assert gone(recordings, rolling_days=14, run_days=365) == ["run", "old"]
    assert gone(recordings) == []


def test_beyond_the_size_the_oldest_go_until_it_fits() -> None:
    recordings = [info("c", 1, 5), info("a", 9, 5), info("b", 5, 5, run="b-0001"), info("open", None, 100)]
    assert gone(recordings, max_bytes=106 * MIB) == ["a", "b"]
    assert gone(recordings, max_bytes=111 * MIB) == ["a"]
    assert gone(recordings, max_bytes=115 * MIB) == []
    found = plan(recordings, NOW, Rules(max_bytes=90 * MIB))
    assert [r.recordings[0].name for r in found.removals] == ["a", "b", "c"]
    assert (found.over_bytes, found.spared[-1].why) == (10 * MIB, "still written")


def test_a_run_goes_with_all_its_parts_or_not_at_all() -> None:
    parts = [info("p1", 9, run="a-0001"), info("p2", 1, run="a-0001", part=2)]
    assert gone(parts, run_days=5) == []
    assert gone(parts, run_days=0.5) == ["p1", "p2"]
    left_open = [parts[0], info("p2", None, run="a-0001", part=2)]
    assert gone(left_open, run_days=0.5, max_bytes=0) == []


def test_what_is_kept_or_not_forwarded_stays_and_it_is_said_why() -> None:
    kept = info("kept", 50, run="k-0001")
    assert kept.run is not None
    kept = dataclasses.replace(kept, run=dataclasses.replace(kept.run, keep=True))
    behind, there, empty = info("behind", 40), info("there", 30), info("empty", 20, samples=0)
    reached = {"behind": 89, "there": 90}
    found = plan([kept, behind, there, empty], NOW, Rules(14, 14, 0, lambda name: reached.get(name, 0)))
    assert [r.recordings[0].name for r in found.removals] == ["there", "empty"]
    assert {s.recordings[0].name: s.why for s in found.spared} == {"kept": "marked to be kept", "behind": "not forwarded yet"}
    assert found.over_bytes == 2 * MIB


@given(
    st.lists(st.tuples(st.one_of(st.none(), st.floats(0, 100)), st.integers(1, 50), st.booleans(), st.booleans(), st.integers(0, 90))),
    st.floats(1, 60), st.integers(0, 400),
)  # fmt: skip
def test_no_rule_ever_takes_what_must_stay(made: list[tuple[float | None, int, bool, bool, int]], days: float, max_mib: int) -> None:
    recordings, reached = [], {}
    for i, (age, size, is_run, keep, place) in enumerate(made):
        one = info(f"r{i}", age, size, f"x-{i:04d}" if is_run else None)
        if one.run is not None:
            one = dataclasses.replace(one, run=dataclasses.replace(one.run, keep=keep))
        reached[one.name] = place
        recordings.append(one)
    found = plan(recordings, NOW, Rules(days, days, max_mib * MIB, reached.__getitem__))
    taken = [r for removal in found.removals for r in removal.recordings]
    assert len({r.name for r in taken}) == len(taken)
    assert all(r.closed_utc_ns is not None and reached[r.name] == 90 and not (r.run and r.run.keep) for r in taken)
    left = sum(r.size_bytes for r in recordings if r not in taken)
    assert found.over_bytes == max(0, left - max_mib * MIB)
    if found.over_bytes:
        for r in recordings:
            assert r in taken or r.closed_utc_ns is None or reached[r.name] < 90 or (r.run and r.run.keep)


def runs(directory: Path, count: int = 3) -> None:
    with OpenJournal(directory) as opened:
        for number in range(1, count + 1):
            opened.journal.start_run(run_info(f"soak-{number:04d}"), snapshot())
            opened.put(*(sample(0) for _ in range(20)))
            opened.journal.stop_run(f"soak-{number:04d}", T0 + number * NS, "done").result(PATIENCE_S)


def test_pruning_takes_the_files_and_leaves_a_marked_run(tmp_path: Path) -> None:
    runs(tmp_path)
    archive = Archive(tmp_path)
    (recording,) = archive.recordings_of("soak-0002")
    mark(recording, True)
    rules = Rules(run_days=1)
    later = T0 + 30 * DAY_NS
    assert len(prune(archive.folder, later, rules, dry_run=True).removals) == 2
    assert len(archive.recordings_of("soak-0001")) == 1
    prune(archive.folder, later, rules)
    assert [run.id for run in archive.runs()] == ["soak-0002"]
    assert not list(archive.folder.glob("*soak-0001*"))
    (recording,) = archive.recordings_of("soak-0002")
    mark(recording, False)
    prune(archive.folder, later, rules)
    assert archive.runs() == []
    assert verify(tmp_path).sound


def test_a_recording_that_is_written_is_not_marked_by_others(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
        (recording,) = Archive(tmp_path).recordings_of("soak-0001")
        with pytest.raises(RefusedError, match="still written"):
            mark(recording, True)


def test_the_recorder_removes_by_itself_what_the_rules_let_go(tmp_path: Path) -> None:
    runs(tmp_path)
    clock = HandClock(T0 + 10 * DAY_NS)
    reached: dict[str, int] = {}
    with OpenJournal(tmp_path, clock, run_keep_days=5.0, forwarded_up_to=lambda name: reached.get(name, 0)) as opened:
        opened.put(sample(0))
        assert len(Archive(tmp_path).runs()) == 3, "nothing is forwarded yet"
        reached["run-soak-0001.sqlite"] = 1 << 40
        clock.move(11 * NS)
        opened.put(sample(0))
        assert [run.id for run in Archive(tmp_path).runs()] == ["soak-0002", "soak-0003"]
    with OpenJournal(tmp_path, clock, run_keep_days=5.0, keep_unforwarded=False, forwarded_up_to=lambda name: 0) as opened:
        opened.put(sample(0))
        assert Archive(tmp_path).runs() == []


# -- copies


def test_a_live_backup_is_sound_and_whole_up_to_its_moment(tmp_path: Path) -> None:
    data, target = tmp_path / "data", tmp_path / "copy"
    data.mkdir()
    with OpenJournal(data, commit_interval_s=0.05) as opened:
        opened.put(*(sample(0, "load-1") for _ in range(500)))
        opened.journal.start_run(run_info(devices=("load-2",)), snapshot())
        stop = threading.Event()

        def write() -> None:
            while not stop.is_set():
                opened.journal.put_sample(sample(0, "load-1"))
                opened.journal.put_sample(sample(0, "load-2"))
                stop.wait(0.0005)

        writer = threading.Thread(target=write)
        writer.start()
        durable = opened.flush()
        done = backup(data, target)
        stop.set()
        writer.join(PATIENCE_S)
        assert (len(done.copied), done.skipped) == (2, {})
    assert verify(target).sound
    copied, original = Archive(target), Archive(data)
    for device in ("load-1", "load-2"):
        got = list(copied.samples(device))
        assert got == list(original.samples(device))[: len(got)]
        assert got[-1].seq >= durable - 3
    assert not list(target.rglob("*-wal"))
    assert not list(target.rglob("*.new"))


def test_a_second_backup_copies_only_what_is_new(tmp_path: Path) -> None:
    data, target = tmp_path / "data", tmp_path / "copy"
    data.mkdir()
    runs(data, 2)
    assert len(backup(data, target, "soak-0001").copied) == 1
    second = backup(data, target)
    names = [path.name for path in second.copied]
    assert "run-soak-0001.sqlite" not in names
    assert "run-soak-0002.sqlite" in names
    assert [path.name for path in second.kept] == ["run-soak-0001.sqlite"]
    (target / "recordings" / "run-soak-0001.sqlite").write_bytes(b"half")
    assert "run-soak-0001.sqlite" in [path.name for path in backup(data, target).copied]
    assert verify(target).sound


def next_run(directory: Path) -> str:
    with OpenJournal(directory) as opened:
        return opened.journal.next_run_id("soak")


def test_the_number_of_a_run_that_was_removed_before_the_backup_is_not_given_again(tmp_path: Path) -> None:
    data, target = tmp_path / "data", tmp_path / "copy"
    data.mkdir()
    runs(data, 2)
    for path in (data / "recordings").glob("run-*"):
        path.unlink()
    backup(data, target)
    assert next_run(target) == "soak-0003"


def test_a_backup_keeps_the_higher_numbers_of_two_directories(tmp_path: Path) -> None:
    """A machine that was set up afresh goes on backing up to where the old one did."""
    old, fresh, target = tmp_path / "old", tmp_path / "fresh", tmp_path / "copy"
    for folder, count in ((old, 3), (fresh, 1)):
        folder.mkdir()
        runs(folder, count)
        for path in (folder / "recordings").glob("run-*"):
            path.unlink()
        backup(folder, target)
    assert next_run(target) == "soak-0004"
    assert json.loads((fresh / "ledger.json").read_text())["run"] == 1, "what is copied is left as it is"


def test_a_copy_of_one_run_says_nothing_of_others(tmp_path: Path) -> None:
    data, target = tmp_path / "data", tmp_path / "copy"
    data.mkdir()
    runs(data, 2)
    backup(data, target, "soak-0001")
    assert [path.name for path in target.iterdir()] == ["recordings"]


def test_what_cannot_be_copied_is_said_and_the_rest_is_copied(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    runs(data, 2)
    (data / "recordings" / "run-soak-0001.sqlite").write_bytes(b"nonsense" * 1000)
    done = backup(data, tmp_path / "copy")
    assert "wrong header" in done.skipped["run-soak-0001.sqlite"]
    assert (tmp_path / "copy" / "recordings" / "run-soak-0002.sqlite").exists()
    with pytest.raises(UsageError, match="overwrite what it copies"):
        backup(data, data)
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="file"):
        backup(data, tmp_path / "file")


def test_a_target_without_room_is_said_before_anything_is_copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = tmp_path / "data"
    data.mkdir()
    runs(data, 1)
    monkeypatch.setattr("loadlog.store.backup.free_bytes", lambda folder: 1000)
    with pytest.raises(StoreError, match=r"has 0 MB of room, .* \(give a directory on another disk\)"):
        backup(data, tmp_path / "copy")
    assert not list((tmp_path / "copy").rglob("*.sqlite"))


def test_looking_after_the_folder_does_not_let_go_of_what_is_written(tmp_path: Path) -> None:
    """Closing a file drops all POSIX locks that the process holds on it (fcntl(2); sqlite.org/howtocorrupt.html, 2.2): were the recorder
    to look into a recording that it writes, the next program that opens it for writing would take itself for the only one and remove the
    WAL."""
    clock = HandClock()
    other = (
        "import sqlite3, sys; db = sqlite3.connect(sys.argv[1]); print(db.execute('SELECT count(*) FROM sample').fetchone()[0]); db.close()"
    )
    with OpenJournal(tmp_path, clock, max_gib=0.001) as opened:
        opened.put(*(sample(seq) for seq in range(1, 100)))
        (wal,) = (tmp_path / "recordings").glob("*-wal")
        clock.move(11 * NS)
        opened.put(sample(100))
        path = str(wal).removesuffix("-wal")
        done = subprocess.run([sys.executable, "-c", other, path], capture_output=True, text=True, check=True)
        assert done.stdout == "100\n"
        assert wal.exists(), "the WAL was removed under the recorder"
        opened.put(sample(101))
    assert [s.seq for s in Archive(tmp_path).samples("load-1")] == list(range(1, 102))
    assert verify(tmp_path).sound
