"""Every measurement, tag and field that a query names is one that the forwarder writes, for a channel that a profile has."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from loadlog.forwarder import naming
from loadlog.grafana import EVERY_BENCH, Scope, all_files
from loadlog.loading import load_bench
from loadlog.model.event import KINDS
from loadlog.profiles import load_profile, shipped
from loadlog.profiles.shipped import shipped_names
from tests.unit.grafana.strict import queries

ROOT = Path(__file__).resolve().parents[3]
STANDARD = {"resistance_ohm", "ambient_c"}  # usual channels that no shipped profile has
NAME = re.compile(r'"([^"]+)"')


def channels() -> set[str]:
    out = set(STANDARD)
    for name in shipped_names():
        profile = load_profile(shipped(name), name)
        out |= {channel.name for channel in profile.channels}
    return out


def one_bench(interval_s: float) -> Scope:
    bench = load_bench(ROOT / "config" / "bench.toml")
    return Scope(bench.config.bench.name, tuple(bench.devices.values()), interval_s)


def every_query(scope: Scope) -> list[str]:
    out = []
    for name, text in all_files(scope).items():
        if name.endswith(".json"):
            out += [query for _, query in queries(json.loads(text))]
        elif "alerting" in name:
            [group] = yaml.safe_load(text)["groups"]
            out += [rule["data"][0]["model"]["query"] for rule in group["rules"]]
    return out


def unknown(query: str, known_channels: set[str]) -> set[str]:
    """Names of the query that the forwarder does not write."""
    own = set(re.findall(r'AS "([^"]+)"', query))
    measurements = set()
    for text in re.findall(r'FROM ((?:"[^"]+"(?:, )?)+)', query):
        measurements |= set(NAME.findall(text))
    samples = {*naming.SAMPLE_TAGS, naming.QUALITY, *known_channels}
    of: dict[str, set[str]] = {role: samples for role in naming.ROLES}
    of[naming.EVENT] = {*naming.EVENT_TAGS, *naming.EVENT_FIELDS, *naming.ACKNOWLEDGEMENT_FIELDS}
    of[naming.HEALTH] = {*naming.HEALTH_TAGS, *naming.HEALTH_FIELDS}
    known = set().union(*(of.get(name, set()) for name in measurements))
    return (set(NAME.findall(query)) - own - known - measurements) | (measurements - set(of))


@pytest.mark.parametrize(
    ("scope", "reduced"), [(EVERY_BENCH, False), (one_bench(0), False), (one_bench(60), True)], ids=["every", "one", "reduced"]
)
def test_no_query_asks_for_what_is_never_written(scope: Scope, reduced: bool) -> None:
    known = channels() | {c.name for device in scope.devices for c in device.channels}
    if reduced:
        known |= {name + end for name in known for end in (naming.MINIMUM, naming.MAXIMUM)}
    found = every_query(scope)
    assert len(found) > 40
    for query in found:
        assert unknown(query, known) == set(), query


def test_the_check_of_names_finds_a_wrong_one() -> None:
    good = 'SELECT last("polls") AS "n" FROM "bench_health" WHERE "bus" = \'x\' GROUP BY "bench"'
    assert unknown(good, channels()) == set()
    assert unknown(good.replace('"polls"', '"poll"'), channels()) == {"poll"}
    assert unknown(good.replace('"bench_health"', '"health"'), channels()) >= {"health"}
    assert unknown(good.replace('"bus"', '"device"'), channels()) == {"device"}
    assert unknown('SELECT min("voltage_v_min") FROM "load"', channels()) == {"voltage_v_min"}, "not where every sample is sent"


def test_extremes_are_asked_for_where_samples_are_reduced() -> None:
    assert any('min("voltage_v_min")' in query for query in every_query(one_bench(60)))
    assert not any("voltage_v_min" in query for query in every_query(one_bench(0)))


def test_patterns_of_names_mean_something() -> None:
    temperatures = [name for name in channels() if re.search(r"_c$", name)]
    assert len(temperatures) >= 5
    for query in every_query(EVERY_BENCH):
        for pattern in re.findall(r"\(/(.*?)/\)", query):
            assert pattern == "_c$"
        for kinds in re.findall(r'"kind" =~ /\^\((.*?)\)\$/', query):
            assert set(kinds.split("|")) <= set(KINDS)


def test_severities_and_states_are_those_of_events() -> None:
    from loadlog.model.event import EventState, Severity

    texts: Any = [re.findall(r"\"(severity|state)\" = '(\w+)'", query) for query in every_query(EVERY_BENCH)]
    found = {pair for pairs in texts for pair in pairs}
    assert {value for name, value in found if name == "severity"} == {str(s) for s in Severity}
    assert {value for name, value in found if name == "state"} <= {str(s) for s in EventState}
