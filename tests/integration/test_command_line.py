"""The command line as a user meets it: exit statuses, one-line errors, JSON alone on standard output, the bring-up tools on a live line."""

from __future__ import annotations

import json
import logging
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from loadlog.cli.main import run
from loadlog.process.priority import NICE
from tests.one_load import one_load

ROOT = Path(__file__).resolve().parents[2]
GOOD = one_load(name="t", tcp_port=1)


@pytest.fixture
def called(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Exit status, output and errors of a command line in this process, in ``tmp_path``."""
    monkeypatch.chdir(tmp_path)
    root = logging.getLogger()
    monkeypatch.setattr(root, "handlers", list(root.handlers))  # those of `serve` would write to a stream that is closed afterwards
    monkeypatch.setattr(root, "level", root.level)

    def call(*arguments: str) -> tuple[int, str, str]:
        return run(list(arguments)), *capfd.readouterr()

    return call


def loadlog(*arguments: str, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "loadlog", *arguments], cwd=cwd, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.parametrize(
    ("arguments", "status", "line"),
    [
        (["rum", "list"], 2, "there is no command 'rum' (nearest known: run)"),
        (["run", "lits"], 2, "there is no command 'lits' (nearest known: list)"),
        (["check", "--confg", "x"], 2, "--confg"),
        (["check", "--config", "absent.toml"], 2, "absent.toml: there is no such configuration file"),
        (["run", "list", "--config", "bench.toml"], 4, "recordings"),
        (["run", "start", "soak", "--config", "bench.toml"], 1, "no recorder is running"),
        (["run", "start", "soak", "--duration", "12 hours", "--config", "bench.toml"], 2, "'12 hours' is no duration such as 90s"),
        (["read", "lod-1", "--config", "bench.toml"], 2, "there is no device 'lod-1' (nearest known: load-1)"),
        (["read", "load-1", "--config", "bench.toml"], 3, "127.0.0.1:1"),
        (["read", "load-1", "--panel", "24.0", "--config", "bench.toml"], 2, "is not CHANNEL=VALUE"),
        (["read", "load-1", "--panel", "voltage_v=nan", "--config", "bench.toml"], 2, "'voltage_v=nan' is not CHANNEL=VALUE"),
        (["registers", "/dev/absent", "1", "0", "10", "--showing", "nan"], 2, "'nan' is no number such as 24.01"),
        (["scan", "/dev/absent", "--timeout", "nan"], 2, "'nan' is no number such as 24.01"),
        (["accuracy", "load-1", "--seconds", "inf", "--config", "bench.toml"], 2, "--seconds"),
        (["run", "start", "soak", "--duration", "0s", "--config", "bench.toml"], 2, "'0s' is not between 0 and ten years"),
        (["run", "start", "soak", "--duration", f"{'9' * 400}h", "--config", "bench.toml"], 2, "is not between 0 and ten years"),
        (["events", "--since", "0001-01-01T00:00:00+01:00", "--config", "bench.toml"], 2, "is neither an instant"),
        (["check", "--config", "."], 2, ".: cannot read the configuration file: Is a directory (check path, owner and mode)"),
        (["scan", "/dev/absent"], 3, "/dev/absent: there is no such port"),
        (["registers", "/dev/absent", "1", "0", "10"], 3, "/dev/absent: there is no such port"),
        (["registers", "/dev/absent", "1", "x", "10"], 3, "/dev/absent"),
        (["events", "--since", "yesterday", "--config", "bench.toml"], 2, "'yesterday' is neither an instant"),
        (["events", "--kind", "sense_fallbck", "--config", "bench.toml"], 2, "(nearest known: sense_fallback)"),
        (["simulate", "workshp"], 2, "workshop"),
        (["run", "start"], 2, "Missing argument 'NAME' (see: loadlog run start --help)"),
        (["run", "note", "soak-0001", "lead warm", "--config", "bench.toml"], 2, "(lead warm)"),
        (["events", "--kind", "xyz", "--config", "bench.toml"], 2, "there is no event kind 'xyz' (known: "),
        (["forward", "retry", "lab", "--config", "bench.toml"], 2, "there is no forwarding target 'lab' (none is configured)"),
        (["notify", "test", "--config", "bench.toml"], 2, "see [notify] in the sample configuration"),
        (["accuracy", "load-1", "--csv", "absent.csv", "--config", "bench.toml"], 2, "readings file (check its path)"),
        (["accuracy", "load-1", "--csv", "notes.txt", "--config", "bench.toml"], 2, "notes.txt: there is no column 'voltage'"),
        (["accuracy", "load-1", "--point", "24", "--config", "bench.toml"], 2, "is not CHANNEL=REFERENCE such as"),
        (["check", "--config", "folder"], 2, "folder: cannot read the configuration file: Is a directory"),
        (["check", "--config", "notes.txt"], 2, "notes.txt: not valid TOML"),
        (["review", "absent.zip", "--config", "bench.toml"], 4, "absent.zip: cannot be read: No such file"),
        (["replay", "last", "--with", "absent.toml", "--config", "bench.toml"], 2, "absent.toml: there is no such configuration file"),
        (["export", "last", "--format", "xml", "--config", "bench.toml"], 2, "'csv', 'parquet', 'archive'"),
        (["dashboards", "write", "notes.txt"], 4, "cannot be written: File exists (give another folder)"),
        (["store", "backup", "notes.txt", "--config", "bench.toml"], 2, "Directory 'notes.txt' is a file"),
        (["scan", "127.0.0.1"], 2, "is neither a serial port such as"),
        (["scan", "/dev/null"], 3, "/dev/null: not a serial port"),
        (["registers", "/dev/absent", "300", "0", "10"], 2, "300 is not in the range"),
        (["demo", "--duration", "soon"], 2, "'soon' is no duration such as 90s"),
        (["serve", "--reload", "--config", "bench.toml"], 1, "no recorder is running (start it with: loadlog serve)"),
        (["ack", "5", "--config", "bench.toml"], 1, "no recorder is running (start it with: loadlog serve)"),
    ],
)
def test_an_error_is_one_line_with_its_exit_status(tmp_path: Path, called: Any, arguments: list[str], status: int, line: str) -> None:
    (tmp_path / "bench.toml").write_text(GOOD)
    (tmp_path / "notes.txt").write_text("voltage,reading\n")
    (tmp_path / "folder").mkdir()
    found, out, err = called(*arguments)
    assert found == status, err
    assert line in err
    assert err.count("\n") == 1, err
    assert "Traceback" not in err
    assert out == ""


@pytest.mark.parametrize(
    ("arguments", "status"),
    [(["rum"], 2), (["run", "start", "soak"], 1), (["read", "load-1"], 3), (["run", "list"], 4), (["run", "start"], 2)],
    ids=lambda v: " ".join(v) if isinstance(v, list) else None,
)
def test_the_process_ends_with_the_status_of_its_error(tmp_path: Path, arguments: list[str], status: int) -> None:
    (tmp_path / "bench.toml").write_text(GOOD)
    (tmp_path / "config").mkdir()
    (tmp_path / "bench.toml").rename(tmp_path / "config" / "bench.toml")
    done = loadlog(*arguments, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (status, ""), done.stderr
    assert done.stderr.startswith("loadlog: ")
    assert done.stderr.count("\n") == 1, done.stderr


def test_v_adds_the_traceback_with_its_cause(tmp_path: Path) -> None:
    done = loadlog("check", "--config", "absent.toml", "-v", cwd=tmp_path)
    assert done.returncode == 2
    assert "FileNotFoundError" in done.stderr


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ('name = "t"', 'name = "t"\nnane = 1', "bench.nane: unknown key (nearest known: name)"),
        ('kind = "modbus-tcp"', 'kind = "modbus-udp"', "bus[rack].kind: Input should be 'modbus-rtu'"),
        ("tcp_port = 1\n", "", "bus[rack]: kind modbus-tcp needs host and tcp_port"),
        ('bus = "rack"', 'bus = "rakc"', "device load-1: there is no bus 'rakc' (nearest known: rack)"),
        ("unit_id = 1", "unit_id = 256", "device[load-1].unit_id"),
        ("unit_id = 1\n", "", "device load-1: unit_id is missing"),
        (
            "shipped:simulated-load",
            "shipped:simulated-laod",
            "there is no shipped profile 'simulated-laod' (nearest known: simulated-load)",
        ),
        ("shipped:simulated-load", "absent.toml", "absent.toml: there is no such profile file"),
        ('role = "load"', 'role = "thermometer"', "role"),
        ("[bench]", "[bench", "not valid TOML"),
        ("[bench]", '[[plan]]\nname = "x"\ndevices = ["nobody"]\n[bench]', "plan x: there is no device 'nobody'"),
        (
            "rate_hz = 1.0",
            'rate_hz = 1.0\n[[protective_action]]\non = ["over_temprature"]\ndevice = "load-1"',
            "there is no event kind 'over_temprature' (nearest known: over_temperature)",
        ),
        ("rate_hz = 1.0", "rate_hz = nan", "device[load-1].rate_hz"),
    ],
)
def test_a_configuration_error_names_file_key_and_what_is_known(tmp_path: Path, called: Any, old: str, new: str, line: str) -> None:
    assert old in GOOD
    (tmp_path / "bench.toml").write_text(GOOD.replace(old, new, 1))
    for command in (["check"], ["serve", "--part", "recorder"]):
        status, _, err = called(*command, "--config", "bench.toml")
        assert status == 2, err
        assert line in err
        assert err.count("\n") == 1, err


@pytest.mark.parametrize("encode", [lambda text: b"\xef\xbb\xbf" + text.encode(), lambda text: text.replace("\n", "\r\n").encode()])
def test_a_configuration_written_by_another_editor_is_taken(tmp_path: Path, called: Any, encode: Callable[[str], bytes]) -> None:
    """With a byte-order mark, or with the line ends of another system."""
    (tmp_path / "bench.toml").write_bytes(encode(GOOD))
    assert called("check", "--config", "bench.toml")[0] == 0


def test_check_tells_a_program_what_it_tells_people(tmp_path: Path, called: Any) -> None:
    more = '[[protective_action]]\non = ["over_temperature"]\ndevice = "load-1"\n'
    more += '[[forward]]\nname = "lab"\nkind = "influxdb1"\nurl = "http://h:8086"\ndatabase = "d"\n'
    (tmp_path / "bench.toml").write_text(GOOD + more)
    said = called("check", "--config", "bench.toml")[1]
    assert "protective action: input_off of load-1 on over_temperature." in said
    assert "forwarding to lab: influxdb1 at http://h:8086" in said
    facts = json.loads(called("check", "--json", "--config", "bench.toml")[1])
    assert facts["protective_actions"] == [{"device": "load-1", "action": "input_off", "on": ["over_temperature"]}]
    assert facts["forward"] == [{"name": "lab", "kind": "influxdb1", "url": "http://h:8086"}]


def test_check_prints_json_alone(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(GOOD)
    done = loadlog("check", "--json", "--config", "bench.toml", cwd=tmp_path)
    assert done.returncode == 0
    assert json.loads(done.stdout)["buses"][0]["devices"][0]["device"] == "load-1"


def test_the_sample_configuration_and_the_template_pass(tmp_path: Path) -> None:
    done = loadlog("check", "--config", "config/bench.toml")
    assert done.returncode == 0, done.stderr


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Path]]:
    """A simulated workshop; its serial port and a configuration that goes with it."""
    folder = tmp_path_factory.mktemp("line")
    command = [sys.executable, "-m", "loadlog", "simulate", "workshop", "--json", "--links", str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as simulator:
        assert simulator.stdout is not None
        ports = {p["bus"]: p["address"] for p in (json.loads(simulator.stdout.readline()) for _ in range(2))}
        host, _, number = ports["meter"].rpartition(":")
        template = resources.files("loadlog.demo").joinpath("bench.toml").read_text(encoding="utf-8")
        config = folder / "bench.toml"
        config.write_text(template.format(rack=ports["rack"], meter_host=host, meter_port=number, data_dir=folder, tcp_port=0))
        yield Path(ports["rack"]), config
        simulator.terminate()


def test_read_shows_value_uncertainty_and_raw_words(line: tuple[Path, Path]) -> None:
    done = loadlog("read", "load-1", "--json", "--config", str(line[1]))
    assert done.returncode == 0, done.stderr
    channels = {c["name"]: c for c in json.loads(done.stdout)["channels"]}
    voltage = channels["voltage_v"]
    # u32, high word first, 1 mV a count: the manual of the simulated load.
    high, low = (int(word, 16) for word in voltage["raw"][0][1].split())
    assert voltage["value"] == pytest.approx((high * 65536 + low) / 1000)
    # ± (0.05 % + 10 counts of 1 mV), rectangular (JCGM 100:2008 4.3.7); the resolution adds under 1 %.
    assert voltage["uncertainty"] == pytest.approx((voltage["value"] * 0.0005 + 0.010) / 3**0.5, rel=0.01)
    assert (voltage["unit"], voltage["quality"]) == ("V", "good")


def test_read_says_when_the_front_panel_shows_something_else(line: tuple[Path, Path]) -> None:
    assert loadlog("read", "load-1", "--panel", "voltage_v=12.0", "--config", str(line[1])).returncode == 1


def test_serve_once_reads_every_device(line: tuple[Path, Path]) -> None:
    done = loadlog("serve", "--once", "--json", "--config", str(line[1]))
    assert done.returncode == 0, done.stderr
    assert [json.loads(text)["device"] for text in done.stdout.splitlines()] == ["load-1", "load-2", "case", "meter"]


def test_scan_finds_every_unit_and_nothing_else(line: tuple[Path, Path]) -> None:
    done = loadlog("scan", str(line[0]), "--unit", "1-6", "--baud", "38400", "--json")
    assert done.returncode == 0, done.stderr
    found = [json.loads(text) for text in done.stdout.splitlines()]
    assert [f["unit"] for f in found if "unit" in f] == [1, 2, 5]


def test_registers_shows_the_set_point_and_the_holes(line: tuple[Path, Path]) -> None:
    done = loadlog("registers", str(line[0]), "1", "0x10", "24", "--baud", "38400", "--json", "--showing", "5.0")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    meaning = {m["address"]: m for m in found["meanings"]}
    assert meaning[0x20]["f32_low_first"] == 5.0  # CC 5 A, f32, low word first
    assert [(h["first"], h["last"]) for h in found["holes"]] == [(0x1A, 0x1F), (0x26, 0x27)]
    assert {"address": 0x20, "type": "f32", "word_order": "low-first"}.items() <= found["showing"][0].items()


def test_a_unit_that_is_not_there_is_said_with_what_to_try(line: tuple[Path, Path]) -> None:
    done = loadlog("registers", str(line[0]), "9", "0", "4", "--baud", "38400")
    assert done.returncode == 3
    assert "unit 9: no answer" in done.stderr
    assert "scan" in done.stderr


@pytest.mark.parametrize(("command", "gives_way"), [(["events"], True), (["store", "status"], True), (["run", "list"], False)])
def test_a_process_that_reads_recordings_gives_way_to_who_writes_them(tmp_path: Path, command: list[str], gives_way: bool) -> None:
    code = (
        "import os, sys; from loadlog.cli.main import run; before = os.nice(0); "
        "run(sys.argv[1:], own_process=True); print('nicer by', os.nice(0) - before)"
    )
    missing = ["--config", str(tmp_path / "none.toml")]
    done = subprocess.run([sys.executable, "-c", code, *command, *missing], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == f"nicer by {NICE - os.nice(0) if gives_way else 0}"
