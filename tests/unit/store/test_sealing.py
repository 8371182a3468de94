"""Older rows become compressed bodies: by the helper process, in one transaction, readable as before, sound or named when they are not."""

from __future__ import annotations

import gzip
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from loadlog.model.errors import StoreError
from loadlog.model.sample import Sample
from loadlog.store import Archive, blocks, sealed
from loadlog.store.connect import DamagedError
from loadlog.store.edges import rolled_seq, sealed_seq, version_of
from loadlog.store.sealing import HELPER, Group, Sealer
from loadlog.store.verify import verify
from tests.unit.store.recorded import NS, T0, OpenJournal, failed, sample, sealing_at, until

DATA = Path(__file__).parents[2] / "data" / "store"


@pytest.fixture
def small_groups(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    with sealing_at(monkeypatch, 100):
        yield


def history(rows: int, seed: int = 3) -> list[Sample]:
    """Two devices, with everything that happens."""
    chance = random.Random(seed)
    out = []
    for seq in range(1, rows + 1):
        device = "load-1" if seq % 2 else "load-2"
        if chance.random() < 0.05:
            out.append(failed(seq, device))
        elif chance.random() < 0.05:
            out.append(sample(seq, device, counts={"voltage_v": chance.choice([-32768, 7]), "energy_wh": 2**64 - seq}))
        else:
            out.append(sample(seq, device, counts={"voltage_v": 24000 + chance.randrange(9), "current_a": 50000}, held={"mode": 1}))
    return out


def put_in_steps(opened: OpenJournal, samples: list[Sample], step: int = 50) -> None:
    for start in range(0, len(samples), step):
        opened.put(*samples[start : start + step])
    opened.seal()


def only_file(directory: Path) -> Path:
    (path,) = (directory / "recordings").glob("*.sqlite")
    return path


def hot_rows(path: Path) -> int:
    with sqlite3.connect(path) as db:
        return int(db.execute("SELECT count(*) FROM sample").fetchone()[0])


@pytest.mark.usefixtures("small_groups")
def test_sealed_rows_read_as_they_were(tmp_path: Path) -> None:
    put = history(1500)
    with OpenJournal(tmp_path) as opened:
        put_in_steps(opened, put)
        archive = Archive(tmp_path)
        assert hot_rows(only_file(tmp_path)) < 300
        for device in ("load-1", "load-2"):
            assert list(archive.samples(device)) == [one for one in put if one.device == device]
            window = (T0 + 20 * NS, T0 + 90 * NS)
            inside = [s for s in put if s.device == device and window[0] <= s.stamp.t_utc_ns < window[1]]
            assert list(archive.samples(device, *window)) == inside
            assert archive.polls(device) == (750, sum(s.failure is not None for s in put if s.device == device))
        assert [record.sample for record in archive.since(0)] == put
        assert [record.sample for record in archive.since(700, limit=77)] == put[700:777]
        assert archive.recordings()[0].samples == 1500
    with OpenJournal(tmp_path) as opened:
        assert opened.journal.last_seq == 1500
    assert verify(tmp_path).sound
    assert verify(tmp_path).missing == []


@pytest.mark.usefixtures("small_groups")
def test_the_newest_sample_of_a_device_that_fell_silent_is_found_in_a_body(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        put_in_steps(opened, [sample(1, "case"), *(sample(seq) for seq in range(2, 400))])
        newest = Archive(tmp_path).latest("case")
        assert newest is not None
        assert newest.seq == 1
        assert Archive(tmp_path).latest("load-2") is None


@pytest.mark.usefixtures("small_groups")
def test_a_reader_that_is_under_way_while_rows_are_sealed_misses_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("loadlog.store.reader.PAGE_ROWS", 40)
    monkeypatch.setattr("loadlog.store.follower.PAGE_ROWS", 40)
    put = history(1200)
    with OpenJournal(tmp_path) as opened:
        opened.put(*put[:100])
        archive = Archive(tmp_path)
        walk = archive.samples("load-1", None, T0 + 10 * NS)
        follower = archive.follow(0)
        walked, followed = [next(walk)], follower.poll(30)
        put_in_steps(opened, put[100:])
        walked += list(walk)
        while more := follower.poll(170):
            followed += more
    assert walked == [s for s in put if s.device == "load-1" and s.stamp.t_utc_ns < T0 + 10 * NS]
    assert [record.sample for record in followed] == put


def test_the_helper_process_seals_and_the_recorder_stays_small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("loadlog.store.sealing.SEAL_ROWS", 200)
    monkeypatch.setattr("loadlog.store.writer.SPAN_ROWS", 50)
    put = history(1000)
    with OpenJournal(tmp_path) as opened:
        for start in range(0, 1000, 50):
            opened.put(*put[start : start + 50])
        until(lambda: opened.flush() > 0 and hot_rows(only_file(tmp_path)) <= 400)
        assert [s for s in Archive(tmp_path).samples("load-1")] == [one for one in put if one.device == "load-1"]
    assert verify(tmp_path).sound
    code = "import sys, loadlog.recorder.process, loadlog.store.journal; sys.exit(any(m in sys.modules for m in ('numpy', 'pcodec')))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_helper_ends_with_the_recorder_and_by_no_signal_that_is_meant_for_it() -> None:
    """A service's stop sends SIGTERM to all its processes (systemd.kill(5)); what is under way must not turn into an alarm."""
    helper = subprocess.Popen(HELPER, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert helper.stdin is not None
    assert helper.stdout is not None
    helper.stdin.write(b'{"path": "/does/not/exist", "after": 0, "upto": 1, "rolled": false}\n')
    helper.stdin.flush()
    assert b"is missing" in helper.stdout.read(int.from_bytes(helper.stdout.read(8), "little"))
    assert os.getpriority(os.PRIO_PROCESS, helper.pid) == 19
    helper.terminate()
    helper.send_signal(signal.SIGINT)
    helper.stdin.write(b'{"path": "/does/not/exist", "after": 0, "upto": 1, "rolled": false}\n')
    helper.stdin.flush()
    assert len(helper.stdout.read(8)) == 8
    helper.stdin.close()
    helper.stdout.close()
    assert helper.wait(20) == 0


@pytest.mark.parametrize(
    "helper", [("/does/not/exist",), (sys.executable, "-c", "input()"), (sys.executable, "-c", "print('12345678nonsense')")]
)
def test_a_helper_that_does_not_work_costs_nothing_but_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, helper: tuple[str, ...]
) -> None:
    monkeypatch.setattr("loadlog.store.sealing.SEAL_ROWS", 100)
    monkeypatch.setattr("loadlog.store.writer.SPAN_ROWS", 50)
    monkeypatch.setattr("loadlog.store.compaction.UNROLLED_ROWS", 300)
    monkeypatch.setattr("loadlog.store.compaction.Sealer", lambda: Sealer(helper))
    with OpenJournal(tmp_path) as opened:
        for start in range(1, 1001, 50):
            opened.put(*(sample(seq) for seq in range(start, start + 50)))
        until(lambda: opened.flush() > 0 and bool(opened.troubles))
        opened.flush()
        (trouble,) = opened.troubles
        assert "older rows are not compressed for now: the encoding helper failed" in trouble.message
        assert trouble.momentary
        assert hot_rows(only_file(tmp_path)) == 1000
        with sqlite3.connect(only_file(tmp_path)) as db:
            until(lambda: opened.flush() > 0 and rolled_seq(db) >= 600)  # the minutes are made without the helper
            assert sealed_seq(db) == 0
    assert verify(tmp_path).sound


def test_a_body_that_does_not_fit_the_file_is_not_put_in(tmp_path: Path) -> None:
    from loadlog.store.encoder import encode_group
    from loadlog.store.sealing import Sealed, swap

    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(seq) for seq in range(1, 101)))
    path = only_file(tmp_path)
    answer = encode_group(path, 0, 50, False)
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("DELETE FROM sample WHERE seq = 7")
    assert swap(db, Sealed(Group(path, 0, 50, False), answer["sealed"], answer["rollup"])) is False
    assert db.execute("SELECT count(*) FROM sealed").fetchone() == (0,)
    assert db.execute("SELECT count(*) FROM sample").fetchone() == (99,)


@pytest.fixture
def sealed_file(tmp_path: Path, small_groups: None) -> Path:
    """A recording whose rows 1..200 or so are sealed."""
    with OpenJournal(tmp_path) as opened:
        put_in_steps(opened, history(600))
    return only_file(tmp_path)


def damage_block(path: Path, column: int) -> tuple[int, int]:
    """Flip one bit in the middle of a block of the first body of the first device; returns its first and last number."""
    db = sqlite3.connect(path)
    rowid, first, last, body = db.execute(
        "SELECT rowid, first_seq, last_seq, body FROM sealed WHERE device = 1 ORDER BY last_seq"
    ).fetchone()
    offset, length, _, _ = blocks.ENTRY.unpack_from(body, blocks.HEAD.size + column * blocks.ENTRY.size)
    flipped = bytearray(body)
    flipped[offset + length // 2] ^= 0x10
    db.execute("UPDATE sealed SET body = ? WHERE rowid = ?", (bytes(flipped), rowid))
    db.commit()
    db.close()
    return first, last


def test_a_flipped_bit_is_named_with_block_and_span_and_the_rest_is_read(tmp_path: Path, sealed_file: Path) -> None:
    before = list(Archive(tmp_path).samples("load-2"))
    first, last = damage_block(sealed_file, blocks.VALUES)
    (finding,) = verify(tmp_path).findings
    assert not finding.sound
    assert f"sealed rows {first}..{last} of load-1, 2027-01-15T07:00:00" in finding.message
    assert "block of v0 is damaged: checksum differs" in finding.message
    sealed._kept.__init__()  # type: ignore[misc]  # as another process would find it
    archive = Archive(tmp_path)
    assert list(archive.samples("load-2")) == before
    assert archive.series("load-1", ["current_a"], T0, T0 + 100 * NS, 10).channels["current_a"]
    later = (last + 1) * NS // 10 + T0
    assert len(list(archive.samples("load-1", later))) > 50
    with pytest.raises(DamagedError, match=rf"sealed rows {first}\.\.{last} .*v0 is damaged"):
        list(archive.samples("load-1"))


def test_a_recording_that_was_put_back_from_a_copy_is_read_again(tmp_path: Path, sealed_file: Path) -> None:
    """By a process that goes on, as the viewer does."""
    copy, before = sealed_file.read_bytes(), list(Archive(tmp_path).samples("load-1"))
    sealed._kept.__init__()  # type: ignore[misc]  # as another process would find it
    damage_block(sealed_file, blocks.VALUES)
    with pytest.raises(DamagedError):
        list(Archive(tmp_path).samples("load-1"))
    sealed_file.write_bytes(copy)
    assert list(Archive(tmp_path).samples("load-1")) == before


@pytest.mark.parametrize("where", [0, 4, 6, 9, 20])
def test_a_flipped_bit_in_head_or_directory_is_named(tmp_path: Path, sealed_file: Path, where: int) -> None:
    with sqlite3.connect(sealed_file) as db:
        rowid, body = db.execute("SELECT rowid, body FROM sealed WHERE device = 1 ORDER BY last_seq").fetchone()
        flipped = bytearray(body)
        flipped[where] ^= 0x40
        db.execute("UPDATE sealed SET body = ? WHERE rowid = ?", (bytes(flipped), rowid))
    (finding,) = verify(tmp_path).findings
    assert not finding.sound
    assert "sealed rows" in finding.message


@pytest.mark.parametrize(
    "change", ["UPDATE sealed SET t_max_ns = 'noon'", "UPDATE rollup SET sum = '12\x1034'", "UPDATE span SET rows = 'x'"]
)
def test_a_number_that_is_none_is_damage_and_ends_no_verification(tmp_path: Path, sealed_file: Path, change: str) -> None:
    """What a flipped bit makes of a number is found by no checksum of ours and no check of SQLite's."""
    with closing(sqlite3.connect(sealed_file)) as db, db:
        db.execute(change)
    (finding,) = verify(tmp_path).findings
    assert not finding.sound
    assert str(sealed_file) in finding.message
    if "rollup" in change:
        with pytest.raises(DamagedError, match=r"rolling-\S+: is damaged: a minute is unreadable"):
            Archive(tmp_path).series("load-1", ["voltage_v"], T0 - 3600 * NS, T0 + 3600 * NS, 1)


def test_any_flipped_bit_or_cut_of_a_body_is_found() -> None:
    """No damage passes, and none raises anything but the error that names it."""
    cells = [[i * 3, T0 + i * NS, 5, 6, 0, None, None, None, 24000 + i % 5, None if i % 3 else i] for i in range(300)]
    body = blocks.encode([blocks.column_of(column) for column in zip(*cells, strict=True)])
    chance = random.Random(8)
    for _ in range(400):
        bad = bytearray(body)
        if chance.random() < 0.2:
            bad = bad[: chance.randrange(len(bad))]
        else:
            bad[chance.randrange(len(bad))] ^= 1 << chance.randrange(8)
        try:
            faults = blocks.Body(bytes(bad)).faults()
        except blocks.BlockError:
            continue
        assert faults or bad[5] or any(bad[blocks.HEAD.size + 13 + i] for i in range(3))


# -- older formats


@pytest.fixture
def format_1(tmp_path: Path) -> Path:
    """The recordings of version 1."""
    (tmp_path / "recordings").mkdir()
    for packed in (DATA / "format-1").glob("*.gz"):
        (tmp_path / "recordings" / packed.stem).write_bytes(gzip.decompress(packed.read_bytes()))
    shutil.copy(DATA / "format-1" / "ledger.json", tmp_path)
    return tmp_path


def counts_of(path: Path) -> list[tuple[object, ...]]:
    """Straight from the rows of version 1."""
    with sqlite3.connect(path) as db:
        return db.execute("SELECT seq, t_utc_ns, failure, v0, v3 FROM sample WHERE device = 1 ORDER BY seq").fetchall()


def read_counts(directory: Path, run: str) -> list[tuple[object, ...]]:
    found = Archive(directory).rows("load-1", run=run)
    return [(row.seq, row.t_utc_ns, row.failure, row.counts[0], row.counts[3]) for _, row in found]


def test_recordings_of_version_1_are_read_as_they_are(format_1: Path) -> None:
    paths = sorted((format_1 / "recordings").glob("*.sqlite"))
    before = [path.read_bytes() for path in paths]
    assert [int.from_bytes(data[60:64], "big") for data in before] == [1, 1, 1]
    archive = Archive(format_1)
    closed, still_open = paths[1:]
    assert read_counts(format_1, "fixture-0001") == counts_of(closed)
    assert read_counts(format_1, "open-0002") == counts_of(still_open)
    assert [run.id for run in archive.runs()] == ["fixture-0001", "open-0002"]
    assert archive.run("fixture-0001").keep
    assert [(e.id, e.state) for e in archive.events(run="fixture-0001")] == [(1, "cleared"), (2, "active")]
    assert [note.text for note in archive.notes("fixture-0001")] == ["leads changed"]
    series = archive.series("load-1", ["voltage_v"], T0, T0 + 200 * NS, 2, run="fixture-0001").channels["voltage_v"]
    assert sum(b.count for b in series) == sum(r[3] not in (None, -32768) for r in counts_of(closed))
    assert verify(format_1).sound
    assert [path.read_bytes() for path in paths] == before


@pytest.mark.usefixtures("small_groups")
def test_an_open_recording_of_version_1_is_gone_on_with_and_sealed(format_1: Path) -> None:
    path = format_1 / "recordings" / "run-open-0002.sqlite"
    before = counts_of(path)
    with OpenJournal(format_1) as opened:
        assert opened.troubles == []
        assert opened.journal.run_of("load-1") == "open-0002"
        assert opened.journal.last_seq == json.loads((format_1 / "ledger.json").read_text())["seq"]
        put_in_steps(opened, [sample(seq) for seq in range(2001, 2400)])
        assert hot_rows(path) < 200
        assert read_counts(format_1, "open-0002")[: len(before)] == before
        with sqlite3.connect(path) as db:
            assert version_of(db) == 2
    assert verify(format_1).sound
    closed = format_1 / "recordings" / "run-fixture-0001.sqlite"
    with sqlite3.connect(closed) as db:
        assert version_of(db) == 1, "nobody writes into a closed recording"


def test_a_migration_that_is_cut_off_is_done_at_the_next_start(format_1: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from loadlog.store import schema
    from loadlog.store.writer import Recording

    path = format_1 / "recordings" / "run-open-0002.sqlite"
    with monkeypatch.context() as patch:
        patch.setattr(schema, "MIGRATIONS", {1: (schema.SEALED, "INSERT INTO nonsense VALUES(1)")})
        with pytest.raises(StoreError):
            Recording.reopen(path)
    with sqlite3.connect(path) as db:
        assert version_of(db) == 1
    Recording.reopen(path).close()
    with sqlite3.connect(path) as db:
        assert version_of(db) == 2
