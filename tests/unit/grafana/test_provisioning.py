"""Provisioning files against Grafana's documentation ("Provision Grafana", "InfluxDB data source", "file provisioning" of alerting)."""

from __future__ import annotations

import re
import typing
from typing import Any

import pytest
import yaml
from grafana_foundation_sdk.models import alerting

from loadlog.grafana import EVERY_BENCH, Scope, all_files
from loadlog.grafana.influx import SOURCE_UID
from loadlog.grafana.provisioning import Server

SOURCE_KEYS = {"name", "uid", "type", "access", "url", "user", "jsonData", "secureJsonData"}
JSON_KEYS = {"dbName", "httpMode", "timeInterval", "httpHeaderName1"}
SECRETS = {"$LOADLOG_INFLUX_PASSWORD", "Token $LOADLOG_INFLUX_TOKEN", "Bearer $LOADLOG_INFLUX_TOKEN"}
PROVIDER_KEYS = {"name", "folder", "type", "allowUiUpdates", "updateIntervalSeconds", "options"}
RULE_KEYS = {
    "uid", "title", "condition", "data", "noDataState", "execErrState", "for", "isPaused", "labels", "annotations",
}  # fmt: skip
REDUCERS = {"last", "min", "max", "mean", "sum", "count", "median"}
FILES = all_files(EVERY_BENCH)


def source(name: str, server: Server | None = None) -> dict[str, Any]:
    read = yaml.safe_load(all_files(EVERY_BENCH, server)[f"datasources/{name}.yaml"])
    assert read["apiVersion"] == 1
    [one] = read["datasources"]
    return dict(one)


@pytest.mark.parametrize("name", ["influxdb1", "influxdb2", "influxdb3"])
def test_a_data_source(name: str) -> None:
    one = source(name)
    assert set(one) <= SOURCE_KEYS
    assert set(one["jsonData"]) <= JSON_KEYS
    assert (one["type"], one["access"], one["uid"], one["jsonData"]["dbName"]) == ("influxdb", "proxy", SOURCE_UID, "bench")
    assert set(one["secureJsonData"].values()) <= SECRETS  # a secret stands in the environment
    assert "version" not in one["jsonData"]  # without one it is InfluxQL


def test_tokens_travel_as_each_generation_wants_them() -> None:
    assert source("influxdb2")["jsonData"]["httpHeaderName1"] == source("influxdb3")["jsonData"]["httpHeaderName1"] == "Authorization"
    assert source("influxdb2")["secureJsonData"] == {"httpHeaderValue1": "Token $LOADLOG_INFLUX_TOKEN"}
    assert source("influxdb3")["secureJsonData"] == {"httpHeaderValue1": "Bearer $LOADLOG_INFLUX_TOKEN"}
    assert "dbrp create" in FILES["datasources/influxdb2.yaml"]
    assert "httpHeaderName1" not in source("influxdb1")["jsonData"]


@pytest.mark.parametrize("text", ["it's", "a: b", "# no", "$HOME", "'", '"', "{x}", "ends with blank? ", "null", "0"])
def test_names_survive_yaml_and_the_environment(text: str) -> None:
    """Grafana expands ``$NAME`` and makes ``$$`` a dollar sign."""
    one = source("influxdb1", Server("http://h:1/" + text, text, text))
    assert [value.replace("$$", "$") for value in (one["url"], one["jsonData"]["dbName"], one["user"])] == [
        "http://h:1/" + text,
        text,
        text,
    ]
    assert all(not re.search(r"(?<!\$)\$(?!\$)", value.replace("$$", "")) for value in (one["url"], one["jsonData"]["dbName"]))


def test_the_provider() -> None:
    read = yaml.safe_load(FILES["provisioning/dashboards/loadlog.yaml"])
    [one] = read["providers"]
    assert read["apiVersion"] == 1
    assert set(one) == PROVIDER_KEYS
    assert (one["type"], set(one["options"])) == ("file", {"path"})


def rules(scope: Scope) -> list[dict[str, Any]]:
    [text] = [text for name, text in all_files(scope).items() if name.startswith("provisioning/alerting/")]
    read = yaml.safe_load(text)
    [group] = read["groups"]
    assert (read["apiVersion"], group["orgId"], group["folder"], group["interval"]) == (1, 1, "loadlog", "1m")
    return list(group["rules"])


@pytest.mark.parametrize("scope", [EVERY_BENCH, Scope("x" * 60)], ids=["every bench", "one bench"])
def test_alert_rules(scope: Scope) -> None:
    found = rules(scope)
    assert [rule["title"] for rule in found] == ["No heartbeat", "Active alarm", "Device silent", "Backlog grows"]
    states = typing.get_type_hints(alerting.Rule, vars(alerting))
    for rule in found:
        assert set(rule) == RULE_KEYS
        assert rule["noDataState"] in typing.get_args(states["no_data_state"])
        assert rule["execErrState"] in typing.get_args(states["exec_err_state"])
        assert re.fullmatch(r"[A-Za-z0-9_.-]{1,40}", rule["uid"])
        assert re.fullmatch(r"\d+[smh]", rule["for"])
        assert rule["condition"] in [step["refId"] for step in rule["data"]]
        for step in rule["data"]:
            assert set(step) == {"refId", "relativeTimeRange", "datasourceUid", "model"}
            assert step["model"]["refId"] == step["refId"]
            assert step["relativeTimeRange"]["from"] > step["relativeTimeRange"]["to"] == 0
        query, reduce, threshold = (step["model"] for step in rule["data"])
        assert rule["data"][0]["datasourceUid"] == query["datasource"]["uid"] == SOURCE_UID
        assert reduce["reducer"] in REDUCERS
        assert threshold["conditions"][0]["evaluator"]["type"] in {"gt", "lt"}
        assert f"{rule['data'][0]['relativeTimeRange']['from']}s" in query["query"], "the window that is shown is the one that is asked for"


def test_the_rule_for_a_dead_logger_fires_when_nothing_answers_at_all() -> None:
    by_title = {rule["title"]: rule for rule in rules(EVERY_BENCH)}
    assert by_title["No heartbeat"]["noDataState"] == by_title["No heartbeat"]["execErrState"] == "Alerting"
    for cause in ("recorder", "viewer", "forwarding", "network"):
        assert cause in by_title["No heartbeat"]["annotations"]["description"]


def test_nothing_but_secrets_is_taken_from_the_environment() -> None:
    for name, text in FILES.items():
        if name.endswith(".yaml"):
            values = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
            assert set(re.findall(r"\$\w+", values)) <= {"$LOADLOG_INFLUX_TOKEN", "$LOADLOG_INFLUX_PASSWORD"}, name


def test_what_yaml_holds_is_plain() -> None:
    assert not re.search(r"[:-] [&*]id\d", FILES["provisioning/alerting/loadlog.yaml"])
