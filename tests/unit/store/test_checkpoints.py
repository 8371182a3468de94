"""The WAL is brought into the file between commits, not within one, whatever the size of commits."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest

from loadlog.store.connect import WAL_PAGES
from loadlog.store.writer import Recording
from tests.unit.store.recorded import OpenJournal, sample, until

PAGE_BYTES = 4096


def brought_into(path: Path) -> int:
    """Samples in the file without its WAL; 0 while it is being written."""
    with (
        contextlib.suppress(sqlite3.DatabaseError),
        contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro&immutable=1", uri=True)) as alone,
    ):
        return int(alone.execute("SELECT count(*) FROM sample").fetchone()[0])
    return 0


@pytest.mark.parametrize("rows", [1, 8, 500])
def test_no_commit_brings_the_wal_into_the_file_and_it_stays_small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rows: int) -> None:
    """Of what a commit does to the file itself: nothing. A passive checkpoint writes it (https://www.sqlite.org/wal.html, 2.1)."""
    within: list[int] = []
    write = Recording.write

    def watched(recording: Recording, batch: object) -> None:
        before = recording.path.stat().st_mtime_ns
        write(recording, batch)  # type: ignore[arg-type]
        within.append(recording.path.stat().st_mtime_ns - before)

    monkeypatch.setattr(Recording, "write", watched)
    commits = 400 if rows < 100 else 60
    with OpenJournal(tmp_path) as opened:
        seq = 0
        for _ in range(commits):
            for _ in range(rows):
                seq += 1
                opened.journal.put_sample(sample(seq))
            opened.flush()
        (path,) = (tmp_path / "recordings").glob("*.sqlite")
        size = path.with_name(path.name + "-wal").stat().st_size
        until(lambda: brought_into(path) > 0)  # by a thread of its own, which may have just begun
    assert len(within) >= commits
    assert not any(within)
    assert size < 1.75 * WAL_PAGES * PAGE_BYTES
