"""A bit that flips anywhere in a closed recording is found, whatever it means: no check of SQLite's sees one within a number or a text."""

from __future__ import annotations

import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from loadlog.model.errors import StoreError
from loadlog.store import checksums, sealed
from loadlog.store.verify import verify
from loadlog.store.writer import Recording
from tests.unit.store.recorded import (
    DAY_NS,
    NS,
    PATIENCE_S,
    T0,
    HandClock,
    OpenJournal,
    event,
    failed,
    run_info,
    sample,
    sealing_at,
    snapshot,
)
from tests.unit.store.test_sealing import format_1, only_file

__all__ = ["format_1"]
BILLION = 1_000_000_000


@pytest.fixture
def closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A run of ten minutes with sealed rows and rows that are not, events, notes, a gap; returns its file."""
    with sealing_at(monkeypatch, 100), OpenJournal(tmp_path) as opened:
        journal = opened.journal
        journal.start_run(run_info(devices=("load-1", "load-2"), planned_s=60.5), snapshot())
        for seq in range(1, 600):
            device = ("load-1", "load-2")[seq % 2]
            t_ns = T0 + seq * NS
            put = failed(seq, device, t_utc_ns=t_ns) if seq % 50 == 0 else sample(seq, device, t_ns, uncertain={"voltage_v": "too_fast"})
            journal.put_sample(put if seq % 7 else sample(seq, device, t_ns, counts={"energy_wh": 2**64 - seq}, held={"mode": 1}))
            if seq % 20 == 0:
                opened.flush()
        journal.put_events([event(1, 601), event(2, 602, device=None, note="Ω")])
        journal.put_note(0, "soak-0001", T0, "Ida", "leads changed")
        journal.put_identity("load-1", {"serial": "17"}, T0)
        opened.seal()
        opened.put(*(failed(seq) if seq % 9 == 0 else sample(seq, uncertain={"current_a": "stale"}) for seq in range(6010, 6060)))
        journal.stop_run("soak-0001", T0 + 600 * NS, "done").result(PATIENCE_S)
    path = tmp_path / "recordings" / "run-soak-0001.sqlite"
    for other in path.parent.glob("rolling-*"):
        other.unlink()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("SELECT count(*) FROM sealed").fetchone()[0] > 2
        assert db.execute("SELECT count(*) FROM sample").fetchone()[0] > 20
    return path


def test_it_is_sound(closed: Path) -> None:
    (finding,) = verify(closed.parent).findings
    assert finding.sound, finding.message


COLUMNS = [
    *[("sample", name) for name in ("device", "t_utc_ns", "half_width_ns", "lateness_ns", "quality", "v0", "v1", "v4", "held")],
    ("sample", "failure"), ("sample", "marks"),
    *[("rollup", name) for name in ("rows", "count", "sum", "minimum", "maximum", "worst", "minute")],
    *[("span", name) for name in ("first_seq", "t_min_ns", "t_max_ns", "rows")],
    *[("channel", name) for name in ("name", "unit", "num", "den", "off")], ("device", "name"), ("device", "spec"), ("device", "role"),
    *[("event", name) for name in ("onset_latest_utc_ns", "severity", "state", "message", "body", "acknowledged", "confidence")],
    ("note", "text"), ("note", "t_utc_ns"), ("identity", "text"), ("run", "started_utc_ns"), ("run", "planned_s"), ("run", "devices"),
    ("meta", "value"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "column"), COLUMNS)
def test_a_bit_that_flips_in_a_cell_is_one_clear_line(closed: Path, table: str, column: str) -> None:
    change_a_cell(closed, table, column, random.Random(f"{table}.{column}"))
    (finding,) = verify(closed.parent).findings
    assert not finding.sound
    assert finding.message.startswith(f"{closed}: ")
    assert "\n" not in finding.message


def change_a_cell(path: Path, table: str, column: str, chance: random.Random) -> None:
    """Flip one of its lower bits, as on the disk; SQLite is told nothing."""
    with closing(sqlite3.connect(path)) as db:
        keys = [row[5] and row[1] for row in db.execute(f"PRAGMA table_info({table})")]
        key = [f'"{name}"' for name in keys if name]
        where = " AND ".join(f"{name} = ?" for name in key)
        cells = db.execute(f"SELECT {column}, {', '.join(key)} FROM {table} WHERE {column} IS NOT NULL").fetchall()
        cell, *place = chance.choice([row for row in cells if row[0] != "checksums"])
        flipped: Any
        if isinstance(cell, str):
            at = chance.randrange(len(cell))
            flipped = cell[:at] + chr(ord(cell[at]) ^ 1) + cell[at + 1 :]
        else:
            flipped = cell ^ 1 << chance.randrange(3) if isinstance(cell, int) else cell * (1 + 2**-20)
        db.execute(f"UPDATE {table} SET {column} = ? WHERE {where}", (flipped, *place))
        db.commit()


def content(path: Path) -> Any:
    """All that a reader could see, or the error that it would get; but for `run.keep`, and doubles to a billionth."""
    try:
        with closing(sqlite3.connect(path)) as db:
            db.text_factory = bytes
            names = db.execute("SELECT name, type, sql FROM sqlite_schema ORDER BY type, name").fetchall()
            out: list[Any] = [names, db.execute("PRAGMA user_version").fetchone(), db.execute("PRAGMA application_id").fetchone()]
            for name, kind, _ in names:
                if kind == b"table":
                    rows = db.execute(f'SELECT * FROM "{name.decode()}"').fetchall()
                    rows = [row[:-1] for row in rows] if name == b"run" else rows
                    out.append(sorted(repr([int(c * BILLION) if isinstance(c, float) else c for c in row]) for row in rows))
            return out
    except (sqlite3.Error, UnicodeDecodeError) as exc:
        return repr(exc)


@pytest.mark.parametrize("seed", range(3))
def test_a_bit_that_flips_in_the_file_is_found_or_changes_nothing(closed: Path, seed: int) -> None:
    chance = random.Random(seed)
    whole, expected = closed.read_bytes(), content(closed)
    used = [place for place, byte in enumerate(whole) if byte]  # most pages of so short a recording are nearly empty
    found = 0
    for _ in range(60):
        damaged = bytearray(whole)
        damaged[chance.choice(used)] ^= 1 << chance.randrange(8)
        closed.write_bytes(damaged)
        for beside in closed.parent.glob("*.sqlite-*"):
            beside.unlink()
        sealed._kept.__init__()  # type: ignore[misc]  # as another process would find it
        changed = content(closed) != expected
        (finding,) = verify(closed.parent).findings
        assert "\n" not in finding.message
        assert not (changed and finding.sound), "not found"
        found += changed
    assert found > 40


def test_a_value_that_changed_is_named_with_device_channel_and_minute_in_version_1_too(format_1: Path) -> None:
    path = format_1 / "recordings" / "run-fixture-0001.sqlite"
    with closing(sqlite3.connect(path)) as db:
        seq, t_utc_ns = db.execute("SELECT seq, t_utc_ns FROM sample WHERE device = 1 AND v0 IS NOT NULL LIMIT 1 OFFSET 30").fetchone()
        db.execute("UPDATE sample SET v0 = v0 + 1024 WHERE seq = ?", (seq,))
        db.commit()
    found = {finding.name: finding for finding in verify(format_1).findings}
    assert not found[path.name].sound
    minute = f"2027-01-15T07:{(t_utc_ns - T0) // (60 * NS):02d}Z"
    assert f"load-1, minute from {minute}: voltage_v: samples and minute contradict each other" in found[path.name].message


@pytest.mark.parametrize("table", ["device", "channel"])
def test_what_never_changes_is_guarded_while_the_recording_is_open(tmp_path: Path, table: str) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(seq) for seq in range(1, 100)))
    assert verify(tmp_path).sound
    change_a_cell(only_file(tmp_path), table, {"device": "spec", "channel": "num"}[table], random.Random(1))
    assert not verify(tmp_path).sound


def test_an_open_recording_is_sound_while_it_is_written_and_sealed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also across steps of the clock, which bring later rows into old minutes."""
    with sealing_at(monkeypatch, 10), OpenJournal(tmp_path) as opened:
        for turn in range(30):
            opened.put(*(sample(0, t_utc_ns=T0 + (turn % 3 * 100 + n * 7) * NS) for n in range(12)))
            (finding,) = verify(tmp_path).findings
            assert finding.sound, finding.message


def test_rows_that_come_into_a_minute_during_the_verification_are_no_damage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between two of its looks rows are sealed, into minutes that it has counted already."""
    from loadlog.store import recount

    with sealing_at(monkeypatch, 10), OpenJournal(tmp_path) as opened:
        opened.put(*(sample(0, t_utc_ns=T0 + n * NS) for n in range(30)))
        opened.seal()
        stored = recount._Recount._stored

        def later(self: Any, places: Any) -> Any:
            opened.put(*(sample(0, t_utc_ns=T0 + n * NS) for n in range(30)))
            opened.seal()
            return stored(self, places)

        monkeypatch.setattr(recount._Recount, "_stored", later)
        (finding,) = verify(tmp_path).findings
        assert finding.sound, finding.message


def test_a_run_that_is_kept_later_stays_sound(tmp_path: Path, closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as db:
        db.execute("UPDATE run SET keep = 1")
        db.commit()
    assert verify(tmp_path).sound


def test_a_recording_that_a_crash_left_open_is_guarded_when_it_is_closed(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(seq) for seq in range(1, 200)))
        first = only_file(tmp_path)
    with OpenJournal(tmp_path, HandClock(T0 + DAY_NS)) as opened:
        opened.put(sample(0, t_utc_ns=T0 + DAY_NS))
    change_a_cell(first, "sample", "lateness_ns", random.Random(2))
    assert [finding.sound for finding in verify(tmp_path).findings] == [False, True]


def test_too_many_rows_to_read_at_the_end_are_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checksums, "HOT_AT_MOST", 50)
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(*(sample(seq) for seq in range(1, 100)))
        opened.journal.stop_run("soak-0001", T0, "done").result(PATIENCE_S)
    with closing(sqlite3.connect(only_file(tmp_path))) as db:
        (text,) = db.execute("SELECT value FROM meta WHERE key = 'checksums'").fetchone()
    assert "meta" in text
    assert "sample" not in text
    assert verify(tmp_path).sound


def test_a_file_of_no_version_is_damaged(tmp_path: Path, closed: Path) -> None:
    with closing(sqlite3.connect(closed)) as db:
        db.execute("PRAGMA user_version = 0")
    with pytest.raises(StoreError, match="is damaged: it says that it has format 0"):
        Recording.reopen(shutil.copy(closed, tmp_path / "copy.sqlite"))
