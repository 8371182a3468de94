"""Runs and archives that are not as one would like them, through every command that looks back: one clear line or an honest report, the
right exit status, no traceback, no number out of nothing."""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
import json
import math
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from loadlog.cli.main import run
from loadlog.model.clock import NS
from loadlog.model.event import EventState, Onset, Severity
from loadlog.model.sample import Quality
from loadlog.store import Archive
from tests.integration.test_command_line import GOOD
from tests.unit.store.recorded import SPECS, T0, OpenJournal, event, failed, run_info, sample, snapshot

POLLS = 600


def polls(seqs: Iterator[int] | range, device: str = "load-1", shift_ns: Callable[[int], int] = lambda seq: 0) -> list[Any]:
    return [sample(n, device, T0 + n * NS // 10 + shift_ns(n)) for n in seqs]


def empty(opened: OpenJournal) -> None:
    """Nothing was recorded."""


def one_sample(opened: OpenJournal) -> None:
    opened.put(sample(1))


def no_good_sample(opened: OpenJournal) -> None:
    opened.put(*(failed(n) for n in range(1, POLLS)))


def nothing_but_doubt(opened: OpenJournal) -> None:
    marks = {"voltage_v": "stale", "current_a": "stale"}
    opened.put(*(sample(n, uncertain=marks, quality=Quality.UNCERTAIN) for n in range(1, POLLS)))


def clock_set_back(opened: OpenJournal) -> None:
    opened.put(*polls(range(1, POLLS), shift_ns=lambda n: -3600 * NS if n > POLLS // 2 else 0))
    t = T0 + POLLS // 2 * NS // 10
    told = event(1, POLLS + 1, None, EventState.CLEARED, kind="clock_step", key="", severity=Severity.WARNING, onset=Onset(t, t))
    opened.journal.put_events([told])


def device_vanished(opened: OpenJournal) -> None:
    opened.put(*polls(range(1, POLLS // 3)))
    opened.put(*(failed(n) for n in range(POLLS // 3, POLLS)))


def device_changed(opened: OpenJournal) -> None:
    opened.put(*polls(range(1, POLLS // 2)))
    names = frozenset(c.name for c in SPECS["load-1"].channels)
    others = {"uncertain": dict.fromkeys(names, "identity_changed"), "bad": names, "quality": Quality.BAD}
    opened.put(*(dataclasses.replace(one, **others) for one in polls(range(POLLS // 2, POLLS))))


KINDS = (empty, one_sample, no_good_sample, nothing_but_doubt, clock_set_back, device_vanished, device_changed)


def recorded(directory: Path, fill: Callable[[OpenJournal], None], end: bool = True, **changes: Any) -> Path:
    """A bench directory with one run; ``end`` False: nobody came to end it."""
    (directory / "bench.toml").write_text(GOOD)
    with OpenJournal(directory / "data") as opened:
        opened.journal.start_run(run_info(**changes), snapshot())
        fill(opened)
        if end:
            opened.journal.stop_run("soak-0001", T0 + POLLS * NS // 10, "done")
        opened.flush()
    return directory


@pytest.fixture
def loadlog(capfd: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def call(directory: Path, *arguments: str) -> tuple[int, str, str]:
        status = run([*arguments, "--config", str(directory / "bench.toml")])
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err
        return status, out, err

    return call


def numbers(tree: object) -> Iterator[float]:
    """Every number in JSON."""
    if isinstance(tree, dict):
        yield from itertools.chain.from_iterable(map(numbers, tree.values()))
    elif isinstance(tree, list):
        yield from itertools.chain.from_iterable(map(numbers, tree))
    elif isinstance(tree, int | float) and not isinstance(tree, bool):
        yield tree


def refuse(constant: str) -> float:
    raise AssertionError(f"{constant} is no JSON")


@pytest.mark.parametrize("fill", KINDS, ids=lambda f: f.__name__)
@pytest.mark.parametrize("end", [True, False], ids=["ended", "crashed"])
def test_every_command_copes(tmp_path: Path, fill: Callable[[OpenJournal], None], end: bool, loadlog: Any) -> None:
    bench = recorded(tmp_path, fill, end)
    for arguments in (
        ("review", "last"), ("review", "last", "--json"), ("review", "last", "--html", str(tmp_path / "r.html")),
        ("review", "last", "--pdf", str(tmp_path / "r.pdf")), ("review", "last", "--against", "last"), ("run", "show", "last"),
        ("run", "show", "last", "--json"), ("run", "list"), ("events", "--run", "last"), ("replay", "last"),
        ("export", "last", "--output", str(tmp_path / "r.csv")),
        ("export", "last", "--format", "parquet", "--output", str(tmp_path / "r.pq")),
        ("export", "last", "--format", "archive", "--output", str(tmp_path / "r.zip")), ("review", str(tmp_path / "r.zip")),
    ):  # fmt: skip
        status, out, err = loadlog(bench, *arguments)
        assert status == 0, (arguments, err)
        assert "nan" not in out.lower().split(), arguments
        if "--json" in arguments:
            for number in numbers(json.loads(out, parse_constant=refuse)):
                assert math.isfinite(number)


@pytest.mark.parametrize(
    ("fill", "says"),
    [
        (empty, "Cannot be judged: nothing was recorded"), (one_sample, "Cannot be judged: only 0.2 % of the readings"),
        (no_good_sample, "Cannot be judged: nothing was recorded"), (device_vanished, "Cannot be judged: only 33.2 % of the readings"),
    ],
)  # fmt: skip
def test_what_cannot_be_judged_is_not_judged(tmp_path: Path, fill: Any, says: str, loadlog: Any) -> None:
    assert loadlog(recorded(tmp_path, fill), "review", "last")[1].startswith(says)


def figures(bench: Path, loadlog: Any) -> dict[tuple[str, str], dict[str, Any]]:
    found = json.loads(loadlog(bench, "review", "last", "--json")[1])["figures"]["load-1"]
    return {(f["channel"], f["name"]): f for f in found}


@pytest.mark.parametrize("fill", [empty, no_good_sample, nothing_but_doubt], ids=lambda f: f.__name__)
def test_no_good_sample_gives_no_figure(tmp_path: Path, fill: Any, loadlog: Any) -> None:
    for figure in figures(recorded(tmp_path, fill), loadlog).values():
        assert figure["value"] is None, figure
        assert figure["why_not"]


def test_nothing_is_computed_across_a_clock_step(tmp_path: Path, loadlog: Any) -> None:
    charge = figures(recorded(tmp_path, clock_set_back), loadlog)["current_a", "charge"]
    assert charge["value"] == pytest.approx(5.0 * (POLLS - 3) / 10 / 3600, rel=1e-6)  # two stretches of 5 A, the step between them left out
    assert any("stepped back" in n for n in charge["notes"])


def test_another_instrument_s_readings_are_not_the_first_one_s(tmp_path: Path, loadlog: Any) -> None:
    mean = figures(recorded(tmp_path, device_changed), loadlog)["voltage_v", "mean"]
    assert mean["samples"] == POLLS // 2 - 1


def test_a_run_that_nobody_ended_says_since_when_it_is_silent(tmp_path: Path, loadlog: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = recorded(tmp_path, lambda opened: opened.put(*polls(range(1, POLLS))), end=False, planned_s=120.0)
    last_ns = T0 + (POLLS - 1) * NS // 10
    monkeypatch.setattr("time.time_ns", lambda: last_ns + NS)
    out = loadlog(bench, "review", "last")[1]
    assert out.startswith("Going on: held for 59.9 s so far")
    assert "progress: 60.9 s of 2 min 00 s planned (51 %); 599 of 609 readings expected so far, 98.4 %" in out
    shown = json.loads(loadlog(bench, "run", "show", "last", "--json")[1])
    assert shown["progress"] == {"elapsed_s": pytest.approx(60.9), "received": 599, "expected": 609}
    monkeypatch.setattr("time.time_ns", lambda: last_ns + 7200 * NS)
    out = loadlog(bench, "review", "last")[1]
    assert out.startswith("Not ended, and nothing was recorded for the last 2 h 00 min: the recorder is not running, or cannot record")
    assert "Held for 59.9 s so far until then" in out


@pytest.mark.parametrize(
    ("damage", "says"),
    [
        (lambda content: b"", "truncated or no ZIP file"),
        (lambda content: content[: len(content) // 2], "truncated or no ZIP file"),
        (lambda content: content.replace(b'"version": 1', b'"version": 2'), "is of version 2, this program reads 1"),
        (lambda content: b"time,voltage\n1,2\n", "truncated or no ZIP file"),
    ],
)
def test_archives_that_are_refused(tmp_path: Path, damage: Callable[[bytes], bytes], says: str, loadlog: Any) -> None:
    import zipfile

    bench = recorded(tmp_path, one_sample)
    path = tmp_path / "soak.zip"
    assert loadlog(bench, "export", "last", "--format", "archive", "--output", str(path))[0] == 0
    with zipfile.ZipFile(path) as pack:
        members = {name: pack.read(name) for name in pack.namelist()}
    with zipfile.ZipFile(path, "w") as pack:  # stored plainly, so that a text in it can be changed
        for name, content in members.items():
            pack.writestr(name, content)
    whole = path.read_bytes()
    path.write_bytes(damage(whole))
    if says.startswith("is of version"):
        members["manifest.json"] = damage(members["manifest.json"])
        with zipfile.ZipFile(path, "w") as pack:
            for name, content in members.items():
                pack.writestr(name, content)
    status, out, err = loadlog(bench, "review", str(path))
    assert (status, out) == (4, "")
    assert says in err
    assert len(err.splitlines()) == 1


def test_an_archive_opens_whatever_it_is_called(tmp_path: Path, loadlog: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """From another directory, without a configuration, under the name that a mail program gave it."""
    bench = recorded(tmp_path, lambda opened: opened.put(*polls(range(1, POLLS))))
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    assert loadlog(bench, "export", "last", "--format", "archive", "--output", str(elsewhere / "soak.ZIP"))[0] == 0
    monkeypatch.chdir(elsewhere)
    said = set()
    for name in ("soak.ZIP", "soak", "soak.zip.1"):
        if name != "soak.ZIP":
            Path(name).write_bytes(Path("soak.ZIP").read_bytes())
        status, out, err = loadlog(elsewhere, "review", name)
        assert status == 0, err
        said.add(out)
    assert len(said) == 1
    status, out, err = loadlog(elsewhere, "replay", "soak", "--as-recorded")
    assert (status, err) == (0, "")
    assert "samples of run soak-0001, judged as recorded" in out
    status, _, err = loadlog(elsewhere, "replay", "soak")
    assert (status, "there is no such configuration file" in err) == (2, True)
    for command in ("review", "replay"):
        status, _, err = loadlog(elsewhere, command, "./nothing", *(["--as-recorded"] if command == "replay" else []))
        assert (status, "nothing: cannot be read: No such file" in err) == (4, True)


def test_a_table_is_written_whole_or_not_at_all(tmp_path: Path, loadlog: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk ends in the middle: what stood there before stays, and no half table takes its name."""
    import loadlog.store.export_csv as csv_module

    bench = recorded(tmp_path, lambda opened: opened.put(*polls(range(1, POLLS))))
    before = tmp_path / "soak.csv"
    before.write_text("of yesterday")

    def full(*args: Any) -> Iterator[Any]:
        yield [("1",) * 5]
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(csv_module, "_merged", full)
    status, out, err = loadlog(bench, "export", "last", "--output", str(before))
    assert (status, out) == (4, "")
    assert "soak.csv: cannot be written: No space left on device" in err
    assert before.read_text() == "of yesterday"
    assert sorted(p.name for p in tmp_path.glob("soak*")) == ["soak.csv"]


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_a_device_named_twice_is_exported_once(tmp_path: Path, loadlog: Any, form: str) -> None:
    bench = recorded(tmp_path, lambda opened: opened.put(*polls(range(1, POLLS))))
    arguments = ("export", "last", "--format", form, "--output", str(tmp_path / "x"), "--device", "load-1", "--device", "load-1", "--json")
    status, out, err = loadlog(bench, *arguments)
    assert status == 0, err
    assert json.loads(out) == {"run": "soak-0001", "format": form, "output": str(tmp_path / "x"), "samples": POLLS - 1}


def test_a_program_gets_facts_of_what_was_done(tmp_path: Path, loadlog: Any) -> None:
    bench = recorded(tmp_path, one_sample)
    assert json.loads(loadlog(bench, "run", "keep", "last", "--json")[1]) == {"run": "soak-0001", "keep": True}
    path = tmp_path / "x.zip"
    facts = json.loads(loadlog(bench, "export", "last", "--format", "archive", "--output", str(path), "--json")[1])
    assert facts["output"] == str(path)
    assert facts["members"] > 5
    status, out, err = loadlog(bench, "export", "last", "--json")
    assert (status, out) == (2, "")
    assert "csv goes into a file with --json (give --output soak-0001.csv)" in err


@pytest.mark.parametrize("arguments", [("events",), ("run", "list")])
@pytest.mark.parametrize("form", [(), ("--json",)])
def test_a_list_says_which_recordings_it_lacks(tmp_path: Path, loadlog: Any, arguments: tuple[str, ...], form: tuple[str, ...]) -> None:
    bench = recorded(tmp_path, one_sample)
    (bench / "data" / "recordings" / "run-soak-0002.sqlite").write_bytes(b"x" * 8192)
    status, _, err = loadlog(bench, *arguments, *form)
    assert status == 0
    assert err.startswith("loadlog: left out: ")
    assert "run-soak-0002.sqlite: is damaged" in err


@pytest.mark.parametrize("older", [True, False])
def test_the_last_run_is_not_the_one_before_it(tmp_path: Path, loadlog: Any, older: bool) -> None:
    """The file of the newest run is damaged: who asks for the last one in the morning is told so, and not given yesterday's."""
    bench = recorded(tmp_path, one_sample)
    with OpenJournal(bench / "data") as opened:
        opened.journal.start_run(run_info("soak-0002"), snapshot())
        opened.journal.stop_run("soak-0002", T0, "done")
        opened.flush()
    folder = bench / "data" / "recordings"
    (folder / "run-soak-0002.sqlite").write_bytes(b"x" * 8192)
    if not older:
        (folder / "run-soak-0001.sqlite").unlink()
    for arguments in (("review", "last"), ("run", "show", "last"), ("export", "last"), ("replay", "last"), ("events", "--run", "last")):
        status, out, err = loadlog(bench, *arguments)
        assert (status, out) == (4, ""), arguments
        assert "the last run, soak-0002, cannot be read" in err
        assert ("(the one before it is soak-0001)" in err) == older
        assert len(err.splitlines()) == 1


@pytest.mark.parametrize(
    ("change", "commands"),
    [
        ("UPDATE event SET body = substr(body, 2)", (("replay", "last"),)),
        ("UPDATE event SET body = '{}'", (("replay", "last"),)),
        ("UPDATE event SET detected_utc_ns = 'noon'", (("replay", "last"),)),
        ("UPDATE sample SET marks = substr(marks, 2) WHERE marks IS NOT NULL", (("export", "last"), ("replay", "last"))),
        ("UPDATE sample SET marks = '[]' WHERE marks IS NOT NULL", (("export", "last"), ("replay", "last"))),
    ],
)
def test_text_that_is_no_json_any_more_is_damage_of_its_recording(
    tmp_path: Path, loadlog: Any, change: str, commands: tuple[tuple[str, ...], ...]
) -> None:
    """A flipped bit that SQLite cannot see: one line with the file, and a recorder that starts all the same."""

    def fill(opened: OpenJournal) -> None:
        opened.put(*polls(range(1, 20)), sample(20, uncertain={"voltage_v": "stale"}))
        opened.journal.put_events([event(1, 21)])

    bench = recorded(tmp_path, fill)
    path = bench / "data" / "recordings" / "run-soak-0001.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        db.execute(change)
    for arguments in commands:
        status, _, err = loadlog(bench, *arguments)
        if change.startswith("UPDATE sample") or status:
            assert status == 4, (arguments, err)
            assert "run-soak-0001.sqlite: is damaged: " in err
            assert len(err.splitlines()) == 1
    assert loadlog(bench, "events")[0] == 0
    if change.startswith("UPDATE event"):
        for _ in range(2):  # asked again it is damaged still
            said = loadlog(bench, "review", "last")[1]
            assert said.startswith("Cannot be judged: the events cannot be read, ")
            assert "run-soak-0001.sqlite: is damaged: event 1 unreadable" in said
        facts = json.loads(loadlog(bench, "review", "last", "--json")[1])
        assert facts["verdict"]["word"] == "cannot be judged"
        assert "is damaged: event 1 unreadable" in facts["damaged"][0]
        again = loadlog(bench, "replay", "last")[1]
        assert "note: events cannot be read: " in again
        assert "every event came out again" not in again
    with OpenJournal(bench / "data") as opened:
        opened.put(sample(1000))
        opened.flush()
    newest = Archive(bench / "data").latest("load-1")
    assert newest is not None
    assert newest.seq >= 1000  # beyond what the file that was set aside may hold


def test_an_archive_that_is_not_there(tmp_path: Path, loadlog: Any) -> None:
    bench = recorded(tmp_path, empty)
    status, _, err = loadlog(bench, "review", str(tmp_path / "no.zip"))
    assert status == 4
    assert "no.zip: cannot be read: No such file" in err


@pytest.mark.parametrize(
    "accept",
    [
        '[{ device = "load-1", channel = "voltage", statistic = "mean", low = 24.2, high = 23.8 }]',
        '[{ device = "load-1", channel = "voltage", statistic = "mean", low = 24.2 }, '
        '{ device = "load-1", channel = "voltage_v", statistic = "mean", high = 23.8 }]',
        '[{ device = "load-1", channel = "voltage", statistic = "mean" }]',
        '[{ device = "load-1", channel = "voltage", statistic = "mean", low = nan }]',
    ],
)
def test_limits_that_contradict_are_refused_before_anything_runs(tmp_path: Path, accept: str, loadlog: Any) -> None:
    (tmp_path / "bench.toml").write_text(GOOD + f'[[plan]]\nname = "soak"\ndevices = ["load-1"]\nduration = "1h"\naccept = {accept}\n')
    status, _, err = loadlog(tmp_path, "check")
    assert status == 2
    assert "plan" in err
    assert "accept" in err
    assert len(err.splitlines()) == 1
