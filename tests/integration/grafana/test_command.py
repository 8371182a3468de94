"""`loadlog dashboards write`: what it writes and says, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from loadlog.cli.main import run
from loadlog.grafana import EVERY_BENCH, all_files
from tests.integration.grafana.world import CONFIG

MORE = """
[[forward]]
name = "far"
kind = "influxdb2"
url = "https://far.example:8086"
bucket = "long-term"
token_env = "T"
heartbeat_s = 600
"""


def config(folder: Path, text: str = "", more: str = "") -> str:
    path = folder / "bench.toml"
    path.write_text((text or CONFIG.format(name="wall", interval_s=0)) + more, encoding="utf-8")
    return str(path)


def test_for_every_bench_no_configuration_is_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["dashboards", "write", str(tmp_path / "out"), "--config", str(tmp_path / "none.toml")]) == 0
    written = {str(p.relative_to(tmp_path / "out")): p.read_text(encoding="utf-8") for p in (tmp_path / "out").rglob("*") if p.is_file()}
    assert written == all_files(EVERY_BENCH)
    assert str(tmp_path / "out" / "loadlog-overview.json") in capsys.readouterr().out


def test_facts_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["dashboards", "write", str(tmp_path / "out"), "--bench", "--json", "--config", config(tmp_path)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["folder"] == str(tmp_path / "out")
    assert "loadlog-wall-soak-run.json" in told["files"]
    assert all((tmp_path / "out" / name).is_file() for name in told["files"])


def test_the_target_is_chosen_by_name(tmp_path: Path) -> None:
    path = config(tmp_path, more=MORE)
    for target, url, minutes in (("lab", "http://127.0.0.1:8086", "5"), ("far", "https://far.example:8086", "100")):
        assert run(["dashboards", "write", str(tmp_path / target), "--bench", "--target", target, "--config", path]) == 0
        assert url in (tmp_path / target / "datasources" / "influxdb2.yaml").read_text(encoding="utf-8")
        assert f"No heartbeat for about {minutes} minutes" in (tmp_path / target / "provisioning/alerting/loadlog-wall.yaml").read_text()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--bench", "--target", "lob"], "there is no forwarding target 'lob'"),
        (["--target", "lab"], "--target is for --bench"),
        (["--bench", "--config", "nowhere.toml"], "nowhere.toml"),
        (["--bnech"], "--bnech"),
    ],
)
def test_what_is_refused(arguments: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["dashboards", "write", str(tmp_path / "out"), "--config", config(tmp_path), *arguments]) == 2
    streams = capsys.readouterr()
    assert told in streams.err
    assert len(streams.err.splitlines()) == 1
    assert not streams.out
    assert not (tmp_path / "out").exists()


def test_a_bench_that_forwards_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = CONFIG.format(name="wall", interval_s=0).split("[[forward]]")[0]
    assert run(["dashboards", "write", str(tmp_path / "out"), "--bench", "--config", config(tmp_path, text)]) == 2
    assert "no [[forward]] target" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    for folder in (tmp_path / "file", Path("/proc/self/here")):
        assert run(["dashboards", "write", str(folder)]) == 4
        error = capsys.readouterr().err
        assert str(folder) in error
        assert len(error.splitlines()) == 1
