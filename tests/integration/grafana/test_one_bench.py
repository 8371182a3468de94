"""Dashboards made for one bench by the command line, over a database that holds minimum, mean and maximum per minute instead of samples."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from loadlog.cli.main import run
from tests.databases import Influx1
from tests.integration.grafana.grafana import ALL, expand, rows, series, transformed
from tests.integration.grafana.world import CONFIG, RUN, World, by_bucket, mean

pytestmark = pytest.mark.server
START_S, INTERVAL_S, WIDTH_S = 1_800_000_000, 60, 300
BENCH = "bench-a"


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> World:
    return World(tmp_path_factory.mktemp("world"), START_S, INTERVAL_S)


@pytest.fixture(scope="module")
def influx(tmp_path_factory: pytest.TempPathFactory, world: World) -> Iterator[Influx1]:
    with Influx1(tmp_path_factory.mktemp("influx")) as server:
        server.create("bench")
        server.get("/write", "\n".join(world.lines).encode(), db="bench")
        yield server


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("written")
    (folder / "bench.toml").write_text(CONFIG.format(name=BENCH, interval_s=INTERVAL_S), encoding="utf-8")
    assert run(["dashboards", "write", str(folder / "out"), "--bench", "--config", str(folder / "bench.toml")]) == 0
    return folder / "out"


def board(written: Path, name: str) -> Any:
    return json.loads((written / f"loadlog-{BENCH}-{name}.json").read_text(encoding="utf-8"))


def asked(influx: Influx1, world: World, query: str) -> Any:
    chosen = {"device": ALL, "run": (RUN,)}  # no bench: it is known
    return influx.query(expand(query, world.start_s, world.end_s, f"{WIDTH_S}s", chosen), "bench")


def test_every_query_answers(influx: Influx1, world: World, written: Path) -> None:
    asked_for = 0
    for name in ("overview", "soak-run", "post-mortem", "service-health"):
        made = board(written, name)
        assert "bench" not in [variable["name"] for variable in made["templating"]["list"]]
        for panel in made["panels"]:
            for target in panel.get("targets", []):
                answer = asked(influx, world, target["query"])
                assert answer, (name, panel["title"])
                for row in rows(answer):
                    assert row.get("bench", BENCH) == BENCH
                asked_for += 1
    assert asked_for > 40


def test_extremes_and_limits_of_each_device(influx: Influx1, world: World, written: Path) -> None:
    """Per device a row; the smallest, mean and largest value are those of the samples, which the database does not hold."""
    device, seen = "", 0
    for panel in board(written, "soak-run")["panels"]:
        if panel["type"] == "row":
            device = panel["title"]
            continue
        assert panel["title"].startswith(f"{device}: ")
        if panel["title"].endswith(": drift"):
            continue
        [target] = panel["targets"]
        channel = target["query"].split('mean("')[1].split('"')[0]
        points = [(p.t_s, p.values[channel]) for p in world.of(bench=BENCH, device=device, run=RUN) if channel in p.values]
        [(labels, found)] = series(asked(influx, world, target["query"])).items()
        assert labels == ()
        for column, fold in (("min", min), ("max", max)):
            assert found[column] == pytest.approx(by_bucket(points, WIDTH_S, fold)), (panel["title"], column)
        minutes = by_bucket(points, INTERVAL_S, mean)
        assert found["mean"] == pytest.approx(by_bucket(sorted(minutes.items()), WIDTH_S, mean)), panel["title"]
        seen += 1
    assert seen >= 15


def test_bands_are_the_limits_of_the_configuration(written: Path) -> None:
    by_title = {panel["title"]: panel for panel in board(written, "soak-run")["panels"]}
    voltage = by_title["load-1: Voltage"]["fieldConfig"]["defaults"]
    steps = voltage["thresholds"]["steps"]
    assert [(step.get("value"), step["color"]) for step in steps] == [(None, "red"), (22.0, "orange"), (23.5, "green"), (24.5, "orange")]
    assert voltage["custom"]["thresholdsStyle"]["mode"] == "dashed+area"
    fan = by_title["load-1: Fan"]["fieldConfig"]["defaults"]["thresholds"]["steps"]
    assert [(step.get("value"), step["color"]) for step in fan] == [(None, "green"), (5000.0, "orange")]
    assert "thresholds" not in by_title["load-10: Voltage"]["fieldConfig"]["defaults"]


def test_modes_have_the_names_of_the_profile(written: Path) -> None:
    [panel] = [p for p in board(written, "post-mortem")["panels"] if p["title"] == "States"]
    named = {one["matcher"]["options"]: one["properties"] for one in panel["fieldConfig"]["overrides"] if one["matcher"]["id"] == "byName"}
    assert set(named) == {"load-1 mode", "load-10 mode"}  # as the series are called: alias "$tag_device $col"
    assert panel["targets"][0]["alias"] == "$tag_device $col"
    texts = [word["text"] for word in named["load-1 mode"][0]["value"][0]["options"].values()]
    assert texts == ["cc", "cv", "cp", "cr"]


def test_the_alarms_of_this_bench_alone(influx: Influx1, world: World, written: Path) -> None:
    [panel] = [p for p in board(written, "overview")["panels"] if p["title"] == "Active events"]
    found = transformed(rows(asked(influx, world, panel["targets"][0]["query"])), panel["transformations"])
    assert [row["id"] for row in found] == [7, 4]
    assert {row["bench"] for row in found} == {BENCH}


def test_the_data_source_is_that_of_the_target(written: Path) -> None:
    [source] = yaml.safe_load((written / "datasources" / "influxdb1.yaml").read_text(encoding="utf-8"))["datasources"]
    assert (source["url"], source["jsonData"]["dbName"]) == ("http://127.0.0.1:8086", "bench")
