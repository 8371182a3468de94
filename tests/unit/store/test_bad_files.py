"""Files that are no sound recordings: each one clear line, each costs only itself, and the recording goes on."""

from __future__ import annotations

import errno
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from loadlog.model.errors import StoreError
from loadlog.store import Archive
from loadlog.store.connect import translated
from loadlog.store.info import read_info
from loadlog.store.schema import APPLICATION_ID, SCHEMA_VERSION
from loadlog.store.status import status
from loadlog.store.verify import verify
from loadlog.store.writer import Batch, Birth, Recording
from tests.unit.store.recorded import NS, PATIENCE_S, T0, OpenJournal, event, run_info, sample, snapshot, until


def record(directory: Path, first: int = 1, last: int = 2000) -> Path:
    """A closed run of some pages; returns its file."""
    with OpenJournal(directory) as opened:
        run_id = opened.journal.next_run_id("soak")
        opened.journal.start_run(run_info(run_id), snapshot())
        opened.put(*(sample(seq) for seq in range(first, last + 1)))
        opened.journal.stop_run(run_id, T0, "done").result(PATIENCE_S)
    return directory / "recordings" / f"run-{run_id}.sqlite"


def foreign(path: Path) -> None:
    path.unlink()
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE t(x)")


def newer(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute(f"PRAGMA user_version={SCHEMA_VERSION + 6}")


def truncated(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 3)


def stump(path: Path) -> None:
    os.truncate(path, 50)


def empty(path: Path) -> None:
    os.truncate(path, 0)


def flipped(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(3)
        file.write(b"\xff")


def overwritten(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(100)
        file.write(b"\xa5" * 3000)


NEWER = (
    f"was written by a newer loadlog: it has format {SCHEMA_VERSION + 6}, this version of loadlog knows up to {SCHEMA_VERSION} "
    r"\(update loadlog; nothing in it is touched\)"
)
FAULTS = [
    (foreign, "is a SQLite file, but no recording of loadlog"),
    (newer, NEWER),
    (truncated, "is damaged"),
    (stump, "is damaged: only 50 bytes long"),
    (empty, "is damaged: only 0 bytes long"),
    (flipped, "is damaged or no SQLite file: wrong header"),
    (overwritten, "is damaged"),
]


@pytest.mark.parametrize(("fault", "message"), FAULTS, ids=lambda x: getattr(x, "__name__", ""))
def test_a_bad_file_is_one_clear_line_and_costs_only_itself(tmp_path: Path, fault: Callable[[Path], None], message: str) -> None:
    good, bad = record(tmp_path), record(tmp_path, 3001, 4000)
    fault(bad)
    archive = Archive(tmp_path)
    assert [r.path for r in archive.recordings()] == [good]
    assert len(list(archive.samples("load-1"))) == 2000
    line = archive.damaged[bad.name]
    assert "\n" not in line
    assert str(bad) in line
    with pytest.raises(StoreError, match=f"run 'soak-0002' cannot be read: .*{message}") as refused:
        archive.run("soak-0002")
    assert refused.value.exit_status == 4
    assert archive.run("soak").id == "soak-0001", "one is readable"
    facts = status(tmp_path, T0)
    assert (facts.left_alone if fault in (foreign, newer) else facts.damaged) == {bad.name: line}
    with pytest.raises(StoreError, match=message) as caught:
        read_info(bad)
    assert caught.value.exit_status == 4
    result = verify(tmp_path)
    assert [f.sound for f in result.findings] == [True, False]
    assert re.search(message, result.findings[1].message)


@pytest.mark.parametrize(("fault", "message"), FAULTS, ids=lambda x: getattr(x, "__name__", ""))
def test_the_recorder_starts_beside_a_bad_file_and_numbers_go_on(tmp_path: Path, fault: Callable[[Path], None], message: str) -> None:
    record(tmp_path)
    bad = record(tmp_path, 3001, 4000)
    fault(bad)
    (tmp_path / "ledger.json").unlink()
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(0))
        assert opened.journal.last_seq > 2000
        (trouble,) = opened.troubles
    assert (trouble.kind, trouble.momentary) == ("store_trouble", True)
    assert str(bad) in trouble.message
    left_alone = fault in (foreign, newer)
    assert bad.exists() == left_alone
    assert Path(f"{bad}.damaged").exists() == (not left_alone)


def test_numbers_of_a_recording_of_a_newer_version_are_not_given_again(tmp_path: Path) -> None:
    """A roll back leaves such files behind, and what they hold may be in a time-series database."""
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info("soak-0007"), snapshot())
        opened.put(*(sample(seq) for seq in range(1, 50)))
        opened.journal.put_events([event(31, 50)])
        opened.journal.stop_run("soak-0007", T0, "done").result(PATIENCE_S)
    bad = tmp_path / "recordings" / "run-soak-0007.sqlite"
    newer(bad)
    with sqlite3.connect(bad) as connection:
        connection.execute("DROP TABLE span")  # whatever the newer version does without
    before = bad.read_bytes()
    (tmp_path / "ledger.json").unlink()
    with OpenJournal(tmp_path) as opened:
        assert opened.journal.last_seq >= 50
        assert opened.journal.last_event_id == 31
        assert opened.journal.next_run_id("soak") == "soak-0008"
    assert bad.read_bytes() == before


def test_numbers_of_a_damaged_recording_are_not_given_again(tmp_path: Path) -> None:
    record(tmp_path, 1, 10)
    bad = record(tmp_path, 11, 4000)
    (tmp_path / "ledger.json").unlink()
    overwritten(bad)
    with OpenJournal(tmp_path) as opened:
        assert opened.journal.last_seq >= 4000


def test_a_run_whose_recording_is_damaged_goes_on_in_a_further_part(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(*(sample(seq) for seq in range(1, 1000)))
    flipped(tmp_path / "recordings" / "run-soak-0001.sqlite")
    with OpenJournal(tmp_path) as opened:
        assert opened.journal.run_of("load-1") == "soak-0001"
        assert opened.journal.last_seq >= 999
        opened.put(sample(0))
        archive = Archive(tmp_path)
        assert len(list(archive.samples("load-1", run="soak-0001"))) == 1
        assert [r.name for r in archive.recordings()] == ["run-soak-0001.p2.sqlite"]


def test_damage_under_the_running_recorder_costs_that_recording_only(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(seq) for seq in range(1, 3000)))
        (path,) = (tmp_path / "recordings").glob("*.sqlite")
        opened.journal._keeper._rolling.close()  # the pages are no longer in memory
        overwritten(path)
        opened.put(sample(3000), sample(3001))
        assert [t.kind for t in opened.troubles] == ["store_trouble"]
        assert "set aside as" in opened.troubles[0].message
        assert [s.seq for s in Archive(tmp_path).samples("load-1")] == [3000, 3001]
        assert Path(f"{path}.damaged").exists()


def test_a_recording_that_is_removed_under_the_recorder_is_followed_by_a_new_one(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.journal.put_events([event(1, 1)])
        opened.put(sample(2))
        for path in (tmp_path / "recordings").iterdir():
            path.unlink()
        opened.put(sample(3), sample(4))
        assert "was removed or renamed" in opened.troubles[0].message
        archive = Archive(tmp_path)
        assert [s.seq for s in archive.samples("load-1", run="soak-0001")] == [3, 4]
        assert [e.id for e in archive.events(run="soak-0001")] == [1]


def test_samples_wait_while_the_directory_is_gone_and_none_is_lost(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1))
        (tmp_path / "recordings").rename(tmp_path / "elsewhere")
        for seq in range(2, 50):
            opened.journal.put_sample(sample(seq))
        waiting = opened.journal.flush()
        opened.journal._nudge()
        until(lambda: bool(opened.troubles))
        (trouble,) = opened.troubles
        assert (trouble.kind, trouble.active) == ("store_trouble", True)
        assert "directory is missing (mount or create it); samples wait in memory" in trouble.message
        assert opened.journal.status()["trouble"] == trouble.message
        (tmp_path / "elsewhere").rename(tmp_path / "recordings")
        assert waiting.result(PATIENCE_S) == 49
    assert opened.troubles[-1].active is False
    assert [s.seq for s in Archive(tmp_path).samples("load-1")] == list(range(1, 50))
    assert len(Archive(tmp_path).recordings()) == 1


def test_what_the_queue_cannot_hold_is_counted_and_recorded_as_a_gap(tmp_path: Path) -> None:
    with OpenJournal(tmp_path, queue_samples=1000) as opened:
        opened.put(sample(1))
        (tmp_path / "recordings").rename(tmp_path / "elsewhere")
        opened.journal.put_sample(sample(2))
        opened.journal._nudge()
        until(lambda: bool(opened.troubles))
        opened.journal.put_events([event(9, 3)])
        for seq in range(4, 3004):
            opened.journal.put_sample(sample(seq, "load-1" if seq % 3 else "load-2"))
        assert opened.journal.status()["waiting"] == 1000
        waiting = opened.journal.flush()
        (tmp_path / "elsewhere").rename(tmp_path / "recordings")
        waiting.result(PATIENCE_S)
        archive = Archive(tmp_path)
        stored = {r.seq for r in archive.since(0)}
        assert {1, 2} | set(range(2004, 3004)) <= stored
        assert [e.id for e in archive.events()] == [9]
        gaps = archive.gaps()
        assert sum(g.samples or 0 for g in gaps) == opened.journal.status()["lost"] == 3003 - 1 - len(stored)
        assert {g.device for g in gaps} == {"load-1", "load-2"}
        assert {t.kind for t in opened.troubles} == {"store_trouble", "sample_gap"}
        assert verify(tmp_path).missing == []


def test_a_missing_directory_and_a_missing_parent_are_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"cannot be read: No such file or directory \(start the service once"):
        Archive(tmp_path / "none").recordings()
    with pytest.raises(StoreError, match="directory above it is missing"):
        OpenJournal(tmp_path / "not" / "there")
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="cannot be made"):
        OpenJournal(tmp_path / "file")


def test_an_empty_directory_holds_nothing(tmp_path: Path) -> None:
    archive = Archive(tmp_path)
    assert archive.recordings() == []
    assert archive.runs() == []
    assert archive.events() == []
    assert archive.latest("load-1") is None
    assert archive.since(0) == []
    assert verify(tmp_path).sound


def test_a_locked_recording_is_said_and_read_again_when_it_is_free(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("loadlog.store.connect.READ_TIMEOUT_S", 0.01)
    path = record(tmp_path, 1, 10)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("PRAGMA locking_mode=EXCLUSIVE")
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(StoreError, match=r"is locked by another program \(close the other program\)") as caught:
        read_info(path)
    assert caught.value.retryable
    other.close()
    assert read_info(path).samples == 10


def test_a_disk_that_stays_full_is_one_trouble_whatever_file_is_tried(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tried: list[Path] = []

    def full(path: Path, birth: Birth) -> Recording:
        tried.append(path)
        with translated(path):
            raise OSError(errno.ENOSPC, "No space left on device", str(path))

    with OpenJournal(tmp_path) as opened, monkeypatch.context() as patch:
        patch.setattr(Recording, "create", full)
        opened.journal.put_sample(sample(1))
        for _ in range(5):
            known = len(tried)
            opened.clock.move(10 * NS)
            opened.journal.flush()
            until(lambda known=known: len(tried) > known)  # type: ignore[misc]
        assert len(set(tried)) > 1
        (trouble,) = opened.troubles
        assert "no room left on the disk (free some space; recording resumes by itself); samples wait in memory" in trouble.message
        patch.undo()
        assert opened.flush() == 1
    assert [t.active for t in opened.troubles] == [True, False]


def test_a_recording_that_somebody_else_locks_is_written_when_it_is_free(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("loadlog.store.connect.READ_TIMEOUT_S", 0.01)
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1))
        (path,) = (tmp_path / "recordings").glob("*.sqlite")
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        opened.journal.put_sample(sample(2))
        waiting = opened.journal.flush()
        until(lambda: bool(opened.troubles))
        assert "is locked by another program (close the other program); samples wait" in opened.troubles[0].message
        other.execute("ROLLBACK")
        other.close()
        assert waiting.result(PATIENCE_S) == 2
        assert [s.seq for s in Archive(tmp_path).samples("load-1")] == [1, 2]
        assert [t.active for t in opened.troubles] == [True, False]


@pytest.mark.skipif(os.geteuid() != 0 or shutil.which("setpriv") is None, reason="needs root to become somebody else")
@pytest.mark.parametrize("mode", [0o755, 0o700])
def test_somebody_without_write_permission_reads_a_closed_recording_or_is_told_why_not(tmp_path: Path, mode: int) -> None:
    """SQLite, "Read-Only Databases" (wal.html): without a shared-memory file, mode=ro wants to create one; immutable=1 does not."""
    record(tmp_path, 1, 10)
    for folder in (tmp_path, *list(tmp_path.parents)[:2]):
        folder.chmod(0o755)
    (tmp_path / "recordings").chmod(mode)
    program = (
        "import sys; from pathlib import Path; from loadlog.store import Archive\n"
        "from loadlog.model.errors import StoreError\n"
        "try: print(len(list(Archive(Path(sys.argv[1])).samples('load-1'))))\n"
        "except StoreError as exc: print(exc)\n"
    )
    somebody = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", sys.executable, "-c"]
    here = Path(__file__).parents[3]
    if subprocess.run([*somebody, "import loadlog.store"], capture_output=True, timeout=60, cwd=here, check=False).returncode:
        pytest.skip("the interpreter, its libraries or the sources are not readable for others here")
    done = subprocess.run([*somebody, program, str(tmp_path)], capture_output=True, text=True, timeout=60, cwd=here, check=False)
    expected = "10" if mode == 0o755 else f"{tmp_path / 'recordings'}: cannot be read: Permission denied"
    assert done.stdout.startswith(expected), done.stderr


@pytest.mark.parametrize("suffix", [".new", ".new-journal"])
def test_a_recording_that_was_half_made_when_the_power_went_is_swept_away(tmp_path: Path, suffix: str) -> None:
    record(tmp_path, 1, 10)
    left = tmp_path / "recordings" / f"run-x-0009.sqlite{suffix}"
    left.write_bytes(b"half")
    with OpenJournal(tmp_path) as opened:
        assert not left.exists()
        assert opened.troubles == []


def test_the_file_says_what_it_is(tmp_path: Path) -> None:
    """SQLite file format, 1.3: user version at offset 60, application id at 68, big-endian."""
    head = record(tmp_path, 1, 10).read_bytes()[:100]
    assert int.from_bytes(head[60:64], "big") == SCHEMA_VERSION == 2
    assert head[68:72] == b"LdLg" == APPLICATION_ID.to_bytes(4, "big")


def test_a_disk_that_does_not_answer_is_told_while_it_lasts_and_when_it_is_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No call fails: the write hangs. Samples wait, and nobody waits for them."""
    hangs, go_on = threading.Event(), threading.Event()
    write = Recording.write

    def slow(self: Recording, batch: Batch) -> None:
        hangs.set()
        assert go_on.wait(PATIENCE_S)
        write(self, batch)

    with OpenJournal(tmp_path) as opened:
        journal = opened.journal
        opened.put(sample(1))
        with monkeypatch.context() as patch:
            patch.setattr(Recording, "write", slow)
            journal.put_sample(sample(2))
            waiting = journal.flush()
            assert hangs.wait(PATIENCE_S)
            opened.clock.move(9 * NS)
            journal.look_at_disk()
            assert opened.troubles == []
            opened.clock.move(2 * NS)
            for seq in range(3, 100):
                journal.put_sample(sample(seq))
                journal.look_at_disk()
            (trouble,) = opened.troubles
            assert (trouble.kind, trouble.active, trouble.since_utc_ns) == ("store_trouble", True, T0)
            assert trouble.message == (
                f"{tmp_path}: the disk has not answered for 10 s (check it, its cable, and what else writes to it); samples wait in memory"
            )
            assert journal.status()["trouble"] == trouble.message
            assert journal.status()["waiting"] == 97
            go_on.set()
            assert waiting.result(PATIENCE_S) >= 2
        opened.flush()
        journal.look_at_disk()
        assert [t.active for t in opened.troubles] == [True, False]
        assert journal.status()["trouble"] == ""
        assert [s.seq for s in Archive(tmp_path).samples("load-1")] == list(range(1, 100))
