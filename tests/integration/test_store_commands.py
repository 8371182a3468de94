"""`loadlog store` and `loadlog run keep` as a user meets them."""

from __future__ import annotations

import json
import re
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from loadlog.store import Archive
from tests.integration.test_command_line import GOOD, ROOT
from tests.unit.store.recorded import DAY_NS, NS, PATIENCE_S, T0, HandClock, OpenJournal, run_info, sample, sealing_at, snapshot
from tests.unit.store.test_sealing import damage_block, history, put_in_steps


def loadlog(bench: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "loadlog", *arguments, "--config", str(bench / "bench.toml")]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two closed runs of the year 2027's first days, the first with sealed rows; rules that let runs go after a day."""
    (tmp_path / "bench.toml").write_text(GOOD + "[store]\nrun_keep_days = 1\nmax_gib = 10\n")
    with sealing_at(monkeypatch, 100), OpenJournal(tmp_path / "data") as opened:
        opened.journal.start_run(run_info("soak-0001", ("load-1", "load-2")), snapshot())
        put_in_steps(opened, history(600))
        opened.journal.stop_run("soak-0001", T0, "done").result(PATIENCE_S)
        opened.journal.start_run(run_info("soak-0002"), snapshot())
        opened.put(sample(0))
        opened.journal.stop_run("soak-0002", T0, "done").result(PATIENCE_S)
    return tmp_path


def old(bench: Path) -> None:
    """Let the runs have ended long ago, whatever the clock of this machine says."""
    for path in (bench / "data" / "recordings").glob("run-*.sqlite"):
        with sqlite3.connect(path) as db:
            db.execute("UPDATE meta SET value = '1000000000' WHERE key = 'closed_utc_ns'")


def test_a_backup_is_made_and_made_again(bench: Path) -> None:
    done = loadlog(bench, "store", "backup", str(bench / "copy"), "--run", "soak-0001")
    assert (done.returncode, done.stderr) == (0, "")
    assert "1 copied" in done.stdout
    again = json.loads(loadlog(bench, "store", "backup", str(bench / "copy"), "--json").stdout)
    assert [Path(p).name for p in again["kept"]] == ["run-soak-0001.sqlite"]
    assert len(list(Archive(bench / "copy").samples("load-1"))) == 301
    refused = loadlog(bench, "store", "backup", str(bench / "data"))
    assert (refused.returncode, refused.stderr) == (
        2, "loadlog: the backup would overwrite what it copies (give another directory)\n",
    )  # fmt: skip


def test_pruning_says_what_it_would_do_does_it_and_spares_what_is_kept(bench: Path) -> None:
    old(bench)
    assert loadlog(bench, "run", "keep", "soak-0001").stdout == "run soak-0001 is kept\n"
    would = loadlog(bench, "store", "prune", "--dry-run").stdout
    assert "would go: run-soak-0002.sqlite" in would
    assert "stays: run-soak-0001.sqlite: marked to be kept" in would
    assert len(Archive(bench / "data").runs()) == 2
    facts = json.loads(loadlog(bench, "store", "prune", "--json").stdout)
    assert facts["removals"][0]["recordings"] == ["run-soak-0002.sqlite"]
    assert [run.id for run in Archive(bench / "data").runs()] == ["soak-0001"]
    assert loadlog(bench, "run", "keep", "soak-0001", "--off").returncode == 0
    assert "removed: run-soak-0001.sqlite" in loadlog(bench, "store", "prune").stdout
    assert "nothing to remove" in loadlog(bench, "store", "prune").stdout


def test_pruning_says_which_lines_stay(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(GOOD)
    with OpenJournal(tmp_path / "data", HandClock(1_600_000_000 * NS), rolling_keep_days=10_000.0) as opened:
        opened.journal.put_note(0, None, opened.clock.utc_ns(), "Ida", "swapped the lead").result(PATIENCE_S)
        for _ in range(2):
            opened.put(sample(0, t_utc_ns=opened.clock.utc_ns()))
            opened.clock.move(DAY_NS)
    would = loadlog(tmp_path, "store", "prune", "--dry-run").stdout
    assert re.fullmatch(r"would go: rolling-\S+ \(0\.\d MB\): closed more than 14 days ago; 1 note stays\n", would)
    facts = json.loads(loadlog(tmp_path, "store", "prune", "--json").stdout)
    assert [removal["written"] for removal in facts["removals"]] == ["1 note stays"]
    assert [note.text for note in Archive(tmp_path / "data").notes()] == ["swapped the lead"]
    (row,) = (line for line in loadlog(tmp_path, "store", "status").stdout.splitlines() if "logbook-" in line)
    assert "no samples" in row
    assert "notes 1, acknowledged events 0" in row
    assert loadlog(tmp_path, "store", "verify").returncode == 0
    assert loadlog(tmp_path, "store", "prune").stdout == "nothing to remove\n"


def test_a_flipped_bit_is_one_line_and_status_4(bench: Path) -> None:
    sound = loadlog(bench, "store", "verify")
    assert sound.returncode == 0, sound.stdout
    first, last = damage_block(bench / "data" / "recordings" / "run-soak-0001.sqlite", 8)
    done = loadlog(bench, "store", "verify", "--json")
    assert done.returncode == 4
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    (bad,) = [line["message"] for line in lines if not line["sound"]]
    assert f"sealed rows {first}..{last} of load-1" in bad
    assert "block of v0 is damaged" in bad
    exported = loadlog(bench, "export", "soak-0001")
    assert exported.returncode == 4
    assert exported.stderr.count("\n") == 1
    assert "v0 is damaged: checksum differs" in exported.stderr
    assert loadlog(bench, "export", "soak-0001", "--device", "load-2").returncode == 0
