"""No room: polls go on, samples wait, the reserve is given up first, nothing is lost, and recording resumes by itself."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from loadlog.store import Archive
from loadlog.store.verify import verify
from tests.small_disk import mounted
from tests.unit.store.recorded import PATIENCE_S, OpenJournal, event, run_info, sample, snapshot, until

ROOT = Path(__file__).parents[2]
MIB = 1 << 20


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with mounted(tmp_path / "disk", 12) as place:
        yield place


def test_a_full_disk_costs_no_sample(small_disk: Path) -> None:
    with OpenJournal(small_disk, reserve_mib=2, low_mib=0, commit_interval_s=0.05) as opened:
        journal = opened.journal
        journal.start_run(run_info(), snapshot())
        opened.put(sample(0))
        assert (small_disk / "reserve.bin").stat().st_size == 2 * MIB
        ballast = small_disk / "ballast"
        ballast.write_bytes(b"\0" * (os.statvfs(small_disk).f_bavail * os.statvfs(small_disk).f_frsize - 200_000))
        put = 1
        while (small_disk / "reserve.bin").exists():
            for _ in range(200):
                journal.put_sample(sample(0))
            put += 200
            time.sleep(0.01)
        # with the reserve given up there is room again for a while
        committed = journal.flush().result(PATIENCE_S)
        assert committed >= put
        told = [t for t in opened.troubles if t.key == "write"]
        assert [t.active for t in told] == [True]
        assert told[-1].message.endswith("the reserve was released and is written into")
        while "samples wait in memory" not in (told := [t for t in opened.troubles if t.key == "write"])[-1].message:
            for _ in range(200):
                journal.put_sample(sample(0))
            put += 200
            time.sleep(0.01)
        assert "no room left on the disk (free some space; recording resumes by itself)" in told[-1].message
        journal.put_events([event(1, 0)])
        held = len(list(Archive(small_disk).samples("load-1")))
        assert committed <= held < put
        for _ in range(500):
            journal.put_sample(sample(0))
        put += 500
        waiting = journal.flush()
        ballast.unlink()
        waiting.result(PATIENCE_S)
        assert journal.status()["lost"] == 0
        until(lambda: not opened.troubles[-1].active)
        assert [t.active for t in opened.troubles if t.key == "write"] == [True, True, False]  # one trouble, whatever is tried
        assert (small_disk / "reserve.bin").exists()
        assert len(list(Archive(small_disk).samples("load-1", run="soak-0001"))) == put
        assert [e.id for e in Archive(small_disk).events()] == [1]
    assert verify(small_disk).sound
    assert verify(small_disk).missing == []


def test_a_disk_that_is_full_at_the_start_is_told_and_recorded_on_later(small_disk: Path) -> None:
    ballast = small_disk / "ballast"
    with ballast.open("wb") as file:
        free = os.statvfs(small_disk).f_bavail * os.statvfs(small_disk).f_frsize
        file.write(b"\0" * (free - 2 * 4096))
    with OpenJournal(small_disk, reserve_mib=2, commit_interval_s=0.05, low_mib=1) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.journal.put_sample(sample(0))
        until(lambda: any(t.key == "write" for t in opened.troubles))
        assert {t.kind for t in opened.troubles} == {"disk_low", "store_trouble"}
        assert opened.journal.run_of("load-1") == "soak-0001"
        ballast.unlink()
        assert opened.journal.flush().result(PATIENCE_S) == 1
        assert len(list(Archive(small_disk).samples("load-1", run="soak-0001"))) == 1


def test_low_room_is_told_before_the_disk_is_full_and_when_it_is_over(small_disk: Path) -> None:
    with OpenJournal(small_disk, low_mib=8, reserve_mib=0) as opened:
        opened.put(sample(0))
        (small_disk / "ballast").write_bytes(b"\0" * 6 * MIB)
        opened.clock.move(11_000_000_000)
        opened.put(sample(0))
        until(lambda: bool(opened.troubles))
        (small_disk / "ballast").unlink()
        opened.clock.move(11_000_000_000)
        opened.put(sample(0))
        until(lambda: len(opened.troubles) > 1)
        assert [(t.kind, t.active) for t in opened.troubles] == [("disk_low", True), ("disk_low", False)]


def test_a_disk_that_is_unmounted_and_mounted_again(small_disk: Path) -> None:
    """The data directory is the disk's root; what is mounted over it meanwhile has no folder of recordings."""
    with OpenJournal(small_disk, commit_interval_s=0.05) as opened:
        opened.put(*(sample(0) for _ in range(10)))
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(small_disk)], check=True)
        for _ in range(10):
            opened.journal.put_sample(sample(0))
        until(lambda: bool(opened.troubles))
        assert "directory is missing" in opened.troubles[0].message
        subprocess.run(["umount", str(small_disk)], check=True)
        assert opened.flush() == 20
        assert len(list(Archive(small_disk).samples("load-1"))) == 20
        assert len(Archive(small_disk).recordings()) == 1


def test_a_disk_that_turns_read_only_and_back(small_disk: Path) -> None:
    """As the kernel does with a file system on which it found errors."""
    with OpenJournal(small_disk, commit_interval_s=0.05) as opened:
        opened.put(sample(0))
        opened.journal._keeper._rolling.close()  # no file is open for writing, or it could not be remounted
        fd = opened.journal._lock_file._fd
        opened.journal._lock_file._fd = os.open(small_disk, os.O_RDONLY)
        os.close(fd)
        subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
        opened.journal.put_sample(sample(0))
        until(lambda: bool(opened.troubles))
        assert "read-only" in opened.troubles[0].message
        subprocess.run(["mount", "-o", "remount,rw", str(small_disk)], check=True)
        assert opened.flush() == 2
        assert len(list(Archive(small_disk).samples("load-1"))) == 2
        assert opened.troubles[-1].active is False


_LIMITED = """
import resource, sys, time
from pathlib import Path
from tests.small_disk import mounted
from tests.unit.store.recorded import OpenJournal, sample, PATIENCE_S
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
with OpenJournal(Path(sys.argv[1]), commit_interval_s=0.05) as opened:
    opened.put(sample(0))
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, hard))
    put = 1
    while not opened.troubles:
        for _ in range(100):
            opened.journal.put_sample(sample(0))
        put += 100
        time.sleep(0.005)
    resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
    opened.journal.flush().result(PATIENCE_S)
    print(put, opened.troubles[0].message, sep="\\n")
"""


def test_a_file_that_may_not_grow_costs_no_sample(tmp_path: Path) -> None:
    """A limit on the size of files (setrlimit) makes each write beyond it fail with EFBIG, as a quota or an old file system would."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", _LIMITED, str(tmp_path)], capture_output=True, text=True, timeout=60, check=True, env=environment
    )  # fmt: skip
    put, message = done.stdout.splitlines()
    assert "samples wait in memory" in message
    assert len(list(Archive(tmp_path).samples("load-1"))) == int(put)
    assert verify(tmp_path).sound
