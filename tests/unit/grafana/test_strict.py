"""Every dashboard passes the strict check, and the check catches what it is there for: each mutation of a good one is reported."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from loadlog.grafana import DASHBOARDS, EVERY_BENCH, Scope, all_files
from loadlog.grafana.files import as_json
from loadlog.loading import load_bench
from tests.unit.grafana.strict import problems

ROOT = Path(__file__).resolve().parents[3]


def one_bench() -> Scope:
    bench = load_bench(ROOT / "config" / "bench.toml")
    return Scope(bench.config.bench.name, tuple(bench.devices.values()), 60.0, 1.0)


@pytest.mark.parametrize("name", DASHBOARDS)
@pytest.mark.parametrize("scope", [EVERY_BENCH, one_bench()], ids=["every bench", "one bench"])
def test_a_dashboard_holds_nothing_that_grafana_does_not_know(name: str, scope: Scope) -> None:
    assert problems(json.loads(as_json(DASHBOARDS[name](scope)))) == []


def test_each_dashboard_has_an_address_and_a_title_of_its_own() -> None:
    boards = [json.loads(text) for scope in (EVERY_BENCH, one_bench()) for n, text in all_files(scope).items() if n.endswith(".json")]
    assert len(boards) == 8
    for key in ("uid", "title"):
        assert len({board[key] for board in boards}) == 8
    assert all(len(board["uid"]) <= 40 for board in boards)  # "uid: max 40 characters": Grafana's dashboard HTTP API
    long = json.loads(all_files(Scope("a" * 64))[f"loadlog-{'a' * 64}-post-mortem.json"])
    assert len(long["uid"]) <= 40


Mutation = Callable[[dict[str, Any]], Any]


def panel(board: dict[str, Any], kind: str) -> Any:
    return next(p for p in board["panels"] if p["type"] == kind)


MUTATIONS: dict[str, tuple[str, Mutation]] = {
    "an unknown key of the dashboard": ("unknown key", lambda b: b.update(refreshh="10s")),
    "an unknown key of a panel": ("unknown key", lambda b: b["panels"][0].update(tittle="x")),
    "an unknown option of a panel": ("unknown key", lambda b: panel(b, "timeseries")["options"].update(ledgend={})),
    "an unknown option of a legend": ("unknown key", lambda b: panel(b, "timeseries")["options"]["legend"].update(calc=["last"])),
    "an unknown drawing option": ("unknown key", lambda b: panel(b, "timeseries")["fieldConfig"]["defaults"]["custom"].update(linewidth=1)),
    "an unknown key of a field": ("unknown key", lambda b: panel(b, "timeseries")["fieldConfig"]["defaults"].update(units="volt")),
    "an unknown key of a query": ("targets", lambda b: b["panels"][0]["targets"][0].update(querry="x")),
    "an unknown key of an annotation": ("unknown", lambda b: b["annotations"]["list"][0]["target"].update(text="x")),
    "a column that is not asked for": ("not asked for", lambda b: b["annotations"]["list"][0]["target"].update(textColumn="x")),
    "an unknown key of a variable": ("unknown key", lambda b: b["templating"]["list"][1].update(includeall=True)),
    "a panel of a plug-in": ("no panel of the list", lambda b: b["panels"][0].update(type="graph")),
    "a word for a number": ("is no whole number", lambda b: b["panels"][0]["gridPos"].update(w="12")),
    "a number for a word": ("title: 5 is no str", lambda b: b["panels"][0].update(title=5)),
    "a number for yes and no": ("is no bool", lambda b: panel(b, "timeseries")["options"]["legend"].update(showLegend=1)),
    "yes for a number": ("no number", lambda b: panel(b, "timeseries")["fieldConfig"]["defaults"]["custom"].update(lineWidth=True)),
    "a word that is no choice": ("none of", lambda b: panel(b, "timeseries")["options"]["tooltip"].update(mode="all")),
    "no draw style": ("none of", lambda b: panel(b, "timeseries")["fieldConfig"]["defaults"]["custom"].update(drawStyle="dots")),
    "a cursor that is none": ("none of", lambda b: b.update(graphTooltip=7)),
    "a refresh that is none": ("none of", lambda b: b["templating"]["list"][1].update(refresh=9)),
    "a text for a list": ("cannot be read", lambda b: b.update(panels="none")),
    "panels over each other": ("lies over", lambda b: b["panels"][1]["gridPos"].update(b["panels"][0]["gridPos"])),
    "a panel beyond the grid": ("beyond the grid", lambda b: b["panels"][0]["gridPos"].update(x=20)),
    "a number twice": (".id", lambda b: b["panels"][1].update(id=b["panels"][0]["id"])),
    "a reference twice": ("refId twice", lambda b: b["panels"][0]["targets"].append(b["panels"][0]["targets"][0])),
    "a variable that is not there": ("no such variable", lambda b: query(b, "$timeFilter", '$timeFilter AND "run" =~ /^($rum)$/')),
    "a variable without its pattern": ("does not stand as", lambda b: query(b, "/^($bench)$/", "/$bench/")),
    "a text in double quotes": ("double-quoted", lambda b: query(b, "$timeFilter", '$timeFilter AND "bus" = "rack"')),
    "no time filter": ("no $timeFilter", lambda b: query(b, "$timeFilter AND ", "")),
    "a quote too few": ("quotes", lambda b: query(b, '"bench_', "bench_")),
    "integral": ("integral", lambda b: query(b, "last(", "integral(")),
    "a transformation that is not known": ("transformations", lambda b: transformed(b)[0].update(id="groupby")),
    "a transformation's key": ("unknown key", lambda b: transformed(b)[0].update(option={})),
    "a transformation's option": ("transformations", lambda b: transformed(b)[0]["options"].update(field={})),
}  # fmt: skip


def query(board: dict[str, Any], old: str, new: str) -> None:
    target = board["panels"][0]["targets"][0]
    assert old in target["query"]
    target["query"] = target["query"].replace(old, new)


def transformed(board: dict[str, Any]) -> Any:
    return next(p["transformations"] for p in board["panels"] if p.get("transformations"))


@pytest.mark.parametrize("name", MUTATIONS)
def test_a_mutation_is_caught(name: str) -> None:
    board = json.loads(as_json(DASHBOARDS["overview"](EVERY_BENCH)))
    told, mutate = MUTATIONS[name]
    mutate(board)
    assert any(told in problem for problem in problems(board)), problems(board)
