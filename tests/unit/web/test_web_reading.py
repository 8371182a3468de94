"""The reading half of the interface: JSON of samples and events, HTTP, units and errors that name their field."""

from __future__ import annotations

import random
import re
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx
import pytest

from loadlog.model.clock import NS, format_utc, parse_utc
from loadlog.model.event import Severity
from loadlog.model.sample import FailureCause
from loadlog.web.source import Source
from tests.serving import serving
from tests.unit.web.stand_in import SPECS, StandIn, load, recording

# What programs rely on: a field that is published stays.
SAMPLE_KEYS = {"seq", "device", "run", "t", "t_uncertainty_s", "quality", "values", "uncertain", "status"}
EVENT_KEYS = {
    "id", "kind", "device", "group", "run", "severity", "state", "acknowledged", "onset", "detected", "cleared", "confidence",
    "alternatives", "evidence", "message",
}  # fmt: skip
RFC3339_NS = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{9}Z")


def get(http: httpx.Client, path: str, status: int = 200, **query: Any) -> dict[str, Any]:
    answer = http.get(path, params=query)
    assert answer.status_code == status, answer.text
    body: dict[str, Any] = answer.json()
    return body


@pytest.mark.parametrize(
    "span",
    [
        {"from": "0058-07-30T04:04:51.2-08:34", "to": "0720-02-23T16:00:28.677854Z"},
        {"to": "1969-01-01T00:00:00Z"},
        {"from": "2200-01-01T00:00:00Z", "to": "2300-01-01T00:00:00Z"},
    ],
)
def test_a_span_in_which_nothing_can_have_been_recorded_is_empty(bench: StandIn, http: httpx.Client, span: dict[str, str]) -> None:
    """Both ends are rightly ordered; they were told to be the wrong way round."""
    bench.sample("load-1", {"voltage_v": 24.0})
    bench.flush()
    assert get(http, "/api/samples", device="load-1", **span)["t_s"] == []


def test_a_sample_has_the_fields_and_forms_of_the_contract(bench: StandIn, http: httpx.Client) -> None:
    bench.start_run("overnight-24v", ("load-1",), 0, keep=False)
    seq = bench.sample(
        "load-1",
        {"voltage_v": 24.012, "temperature_c": 41.0},
        {"input_on": 1, "mode": 2, "sense_remote": 0, "protection": 0b100},
        t_utc_ns=parse_utc("2026-01-31T02:12:07.412345678Z"),
        uncertain={"temperature_c": "stale"},
    )
    bench.flush()
    latest = get(http, "/api/devices")["devices"][0]["latest"]
    assert set(latest) >= SAMPLE_KEYS
    assert (latest["seq"], latest["device"], latest["run"]) == (seq, "load-1", "overnight-24v-0001")
    assert latest["t"] == "2026-01-31T02:12:07.412345678Z"
    assert latest["t_uncertainty_s"] == pytest.approx(0.004)
    assert latest["quality"] == "uncertain"
    assert {name: value for name, value in latest["values"].items() if value is not None} == {"voltage_v": 24.012, "temperature_c": 41.0}
    assert latest["uncertain"] == {"temperature_c": "stale"}
    assert latest["status"] == {"input_on": True, "mode": "cp", "sense_remote": False, "protection": ["over_voltage"]}


def test_each_value_comes_with_its_standard_uncertainty(bench: StandIn, http: httpx.Client) -> None:
    """JCGM 100:2008, 4.3.7: half-width of the accuracy over root three, in quadrature with the resolution over root twelve."""
    bench.sample("load-1", {"voltage_v": 24.0})
    bench.flush()
    latest = get(http, "/api/devices")["devices"][0]["latest"]
    half_width_v, step_v = 24.0 * 0.0005 + 0.01, 0.001
    assert latest["uncertainty"]["voltage_v"] == pytest.approx((half_width_v**2 / 3 + step_v**2 / 12) ** 0.5, rel=1e-9)


def test_a_failed_poll_is_shown_as_such_and_not_as_values(bench: StandIn, http: httpx.Client) -> None:
    bench.sample("load-1", {"voltage_v": 24.0})
    bench.failure("load-1", FailureCause.CRC, "CRC 0x1234 is not 0x4321")
    bench.flush()
    latest = get(http, "/api/devices")["devices"][0]["latest"]
    assert (latest["quality"], latest["values"], latest["failure"]) == ("bad", {}, "crc")
    assert "0x4321" in latest["detail"]


def test_devices_tell_wiring_channels_units_and_limits(still: httpx.Client) -> None:
    body = get(still, "/api/devices")
    assert body["bench"] == "north-wall"
    assert [d["name"] for d in body["devices"]] == ["load-1", "load-2", "case"]
    load = body["devices"][0]
    assert (load["role"], load["sense"], load["group"], load["path_resistance_ohm"]) == ("load", "remote", "supply-24v", 0.012)
    voltage = load["channels"][0]
    assert (voltage["name"], voltage["unit"], voltage["resolution"]) == ("voltage_v", "V", 0.001)
    assert voltage["limits"]["low"] == pytest.approx(23.52)
    assert load["latest"] is None


def test_the_devices_are_the_ones_that_the_recorder_polls_now(tmp_path: Path) -> None:
    """The recorder may have read its configuration again since the viewer started."""
    now = {name: SPECS[name] for name in ("case", "load-2")} | {"load-3": load("load-3", "new", 12.0)}
    with recording(tmp_path / "data", specs=now) as bench, serving(tmp_path / "data") as base, httpx.Client(base_url=base) as http:
        bench.sample("load-3", {"voltage_v": 12.0})
        bench.flush()
        assert [d["name"] for d in get(http, "/api/devices")["devices"]] == ["case", "load-2", "load-3"]


def test_a_bench_that_never_recorded_is_shown_empty_not_as_an_error(tmp_path: Path) -> None:
    with serving(tmp_path / "nothing") as base, httpx.Client(base_url=base) as http:
        assert [d["latest"] for d in get(http, "/api/devices")["devices"]] == [None, None, None]
        assert get(http, "/api/events") == {"events": [], "truncated": False}
        assert get(http, "/api/runs") == {"runs": []}
        assert get(http, "/api/samples", device="load-1")["t_s"] == []
        assert get(http, "/readyz", 503)["recorder"] is False
        assert http.get("/metrics").status_code == 200


def test_raw_samples_come_back_one_by_one_with_gaps_as_null(bench: StandIn, http: httpx.Client) -> None:
    begin_ns = time.time_ns() - 60 * NS
    for i in range(50):
        bench.sample("load-1", {"voltage_v": 24 + i / 1000, "current_a": None if i == 7 else 5.0}, t_utc_ns=begin_ns + i * NS // 10)
    bench.flush()
    body = get(http, "/api/samples", device="load-1", channel="current_a", points=100)
    assert body["bucket_s"] == 0
    assert len(body["t_s"]) == 50
    assert body["t_s"][0] == pytest.approx(begin_ns / NS, abs=1e-6)
    assert body["channels"] == {"current_a": {"unit": "A", "mean": [5.0] * 7 + [None] + [5.0] * 42}}
    both = get(http, "/api/samples", device="load-1", points=100)["channels"]
    assert both["voltage_v"]["mean"][49] == 24.049


def test_the_worst_quality_of_each_point_is_told_where_one_is_not_good(bench: StandIn, http: httpx.Client) -> None:
    begin_ns = time.time_ns() - 60 * NS
    for i in range(6):
        doubt = {"uncertain": {"voltage_v": "stale"}} if i == 2 else {"bad": frozenset({"current_a"})} if i == 4 else {}
        bench.sample("load-1", {"voltage_v": 24.0, "current_a": 5.0, "power_w": 120.0}, t_utc_ns=begin_ns + i * NS, **doubt)
    bench.flush()
    columns = get(http, "/api/samples", device="load-1", points=100)["channels"]
    assert columns["voltage_v"]["worst"] == [0, 0, 1, 0, 0, 0]
    assert columns["current_a"]["worst"] == [0, 0, 0, 0, 2, 0]
    assert "worst" not in columns["power_w"]
    reduced = get(http, "/api/samples", device="load-1", points=2, **{"from": format_utc(begin_ns), "to": format_utc(begin_ns + 6 * NS)})
    assert max(reduced["channels"]["voltage_v"]["worst"]) == 1
    assert max(reduced["channels"]["current_a"]["worst"]) == 2


def test_channels_come_with_what_their_uncertainty_rests_on(still: httpx.Client) -> None:
    load_1 = get(still, "/api/devices")["devices"][0]
    channels = {channel["name"]: channel for channel in load_1["channels"]}
    assert channels["current_a"]["accuracy"] == {"percent_of_reading": 0.1, "absolute": 0.01}
    assert channels["charge_ah"]["accuracy"] is None


def test_a_long_span_is_reduced_to_its_points_and_loses_no_extreme(bench: StandIn, http: httpx.Client) -> None:
    """A reduction that picks single samples loses dips of one sample; minimum and maximum keep them all."""
    begin_ns = time.time_ns() - 3000 * NS
    chance = random.Random(3)
    dips = sorted(chance.sample(range(3000), 5))
    for i in range(3000):
        bench.sample("load-1", {"voltage_v": 20.0 if i in dips else 24.0}, t_utc_ns=begin_ns + i * NS)
    bench.flush()
    span = {"from": format_utc(begin_ns), "to": format_utc(begin_ns + 3000 * NS)}
    body = get(http, "/api/samples", device="load-1", channel="voltage_v", points=300, **span)
    column = body["channels"]["voltage_v"]
    assert body["bucket_s"] > 0
    assert len(body["t_s"]) <= 310
    assert sum(body["count"]) == 3000
    assert max(column["max"]) == 24.0
    for dip in dips:
        t_s = begin_ns / NS + dip
        inside = [i for i, middle in enumerate(body["t_s"]) if abs(middle - t_s) <= body["bucket_s"] / 2 + 1e-6]
        assert any(column["min"][i] == 20.0 for i in inside)


@pytest.mark.parametrize(
    ("query", "status", "field", "says"),
    [
        ({}, 422, "device", "required"),
        ({"device": "laod-1"}, 404, "device", "load-1"),
        ({"device": "load-1", "from": "yesterday"}, 422, "from", "RFC 3339"),
        ({"device": "load-1", "from": "2026-13-31T00:00:00Z"}, 422, "from", ""),
        ({"device": "load-1", "from": "2026-01-31T22:00:00"}, 422, "from", "RFC 3339"),
        ({"device": "load-1", "from": "1969-01-02T00:00:00Z", "to": "1969-01-01T00:00:00Z"}, 422, "from", "before"),
        ({"device": "load-1", "from": "9999-12-31T23:59:60Z"}, 422, "from", "before"),
        ({"device": "load-1", "from": "2026-02-01T00:00:00Z", "to": "2026-01-01T00:00:00Z"}, 422, "from", "before"),
        ({"device": "load-1", "points": "0"}, 422, "points", ""),
        ({"device": "load-1", "points": "many"}, 422, "points", ""),
        ({"device": "load-1", "points": "1000000"}, 422, "points", ""),
        ({"device": "load-1", "channel": "voltage"}, 404, "channel", "voltage_v"),
        ({"device": "load-1", "channel": "input_on"}, 404, "channel", ""),
    ],
)
def test_a_wrong_question_is_answered_with_its_field(
    still: httpx.Client, query: dict[str, str], status: int, field: str, says: str
) -> None:
    """RFC 9457: a problem body; every refusal names the field."""
    answer = still.get("/api/samples", params=query)
    body = answer.json()
    assert answer.headers["content-type"] == "application/problem+json"
    assert (answer.status_code, body["status"], body["field"]) == (status, status, field)
    assert says in body["detail"]
    assert "\n" not in body["detail"]


def test_unknown_paths_and_methods_are_problems_too(still: httpx.Client) -> None:
    for answer, status in ((still.get("/api/nothing"), 404), (still.put("/api/runs"), 405), (still.get("/assets/../app.py"), 404)):
        assert answer.status_code == status
        assert answer.headers["content-type"] == "application/problem+json"


def test_an_event_has_the_fields_of_the_contract(bench: StandIn, http: httpx.Client) -> None:
    more = {"confidence": 0.98, "alternatives": {"supply_droop": 0.02}, "evidence": {"step_v": -0.061}}
    made = bench.event("sense_fallback", "load-1", Severity.ALARM, "the load measures at its terminals", **more)
    bench.flush()
    (event,) = get(http, "/api/events")["events"]
    assert set(event) >= EVENT_KEYS
    assert (event["id"], event["kind"], event["severity"], event["state"]) == (made.id, "sense_fallback", "alarm", "active")
    assert RFC3339_NS.fullmatch(event["onset"]["earliest"])
    assert event["onset"]["earliest"] < event["onset"]["latest"] <= event["detected"]
    assert event["cleared"] is None
    assert event["alternatives"] == {"supply_droop": 0.02}


def test_events_are_filtered(bench: StandIn, http: httpx.Client) -> None:
    bench.event("load_trip", "load-1", Severity.ALARM, "a", ago_s=100)
    over = bench.event("limit", "load-2", Severity.WARNING, "b")
    bench.event("input_switched", "load-2", Severity.INFO, "c", active=False)
    bench.clear(over)
    bench.flush()

    def ids(**query: Any) -> list[int]:
        return [event["id"] for event in get(http, "/api/events", **query)["events"]]

    assert ids() == [1, 2, 3]
    assert ids(active=True) == [1]
    assert ids(active=False) == [2, 3]
    assert ids(device="load-2") == [2, 3]
    assert ids(kind=["limit", "load_trip"]) == [1, 2]
    assert ids(since=format_utc(time.time_ns() - 50 * NS)) == [2, 3]
    assert ids(until=format_utc(time.time_ns() - 50 * NS)) == [1]
    assert get(http, "/api/events", 422, until="today")["field"] == "until"
    assert get(http, "/api/events", limit=1) == {"events": get(http, "/api/events")["events"][-1:], "truncated": True}
    problem = get(http, "/api/events", 422, kind="load_tripp")
    assert problem["field"] == "kind"
    assert "load_trip" in problem["detail"]


def test_ready_means_recorder_reachable_and_samples_fresh(bench: StandIn, http: httpx.Client) -> None:
    assert get(http, "/readyz", 503)["silent"] == ["load-1", "load-2", "case"]
    for device in ("load-1", "load-2"):
        bench.sample(device, {"voltage_v": 24.0})
    bench.failure("case")
    bench.flush()
    body = get(http, "/readyz", 503)
    assert body["silent"] == ["case"]
    assert "case" in body["detail"]
    bench.sample("case", {"contact_c": 30.0})
    bench.flush()
    assert get(http, "/readyz") == {"ready": True, "recorder": True, "silent": [], "detail": ""}
    assert http.get("/healthz").text == "ok\n"


def test_a_recorder_that_is_gone_makes_the_page_unready_but_alive(bench: StandIn, http: httpx.Client) -> None:
    bench.sample("load-1", {"voltage_v": 24.0})
    bench.close()
    body = get(http, "/readyz", 503)
    assert body["recorder"] is False
    assert "recorder" in body["detail"]
    assert http.get("/healthz").status_code == 200
    assert get(http, "/api/devices")["devices"][0]["latest"]["values"]["voltage_v"] == 24.0


def test_metric_names_end_in_a_unit_or_total_and_carry_help(bench: StandIn, http: httpx.Client) -> None:
    """Prometheus, "Metric and label naming"; the units are base units, counts of things carry the thing's name."""
    from prometheus_client.parser import text_string_to_metric_families

    bench.sample("load-1", {"voltage_v": 24.0})
    bench.event("load_trip", "load-1", Severity.ALARM, "x")
    bench.flush()
    text = http.get("/metrics").text
    families = {family.name: family for family in text_string_to_metric_families(text)}
    endings = ("_seconds", "_bytes", "_ratio", "_total", "_info", "_samples", "_readers", "_active", "_up", "_open")
    samples = [sample for family in families.values() for sample in family.samples]
    assert samples
    assert all(sample.name.endswith(endings) for sample in samples), [s.name for s in samples if not s.name.endswith(endings)]
    assert all(family.documentation for family in families.values())
    assert ("loadlog_events_active", {"severity": "alarm"}, 1.0) in [(s.name, s.labels, s.value) for s in samples]
    assert ("loadlog_recorder_up", {}, 1.0) in [(s.name, s.labels, s.value) for s in samples]


def test_the_description_names_every_route_of_the_contract(still: httpx.Client) -> None:
    paths = get(still, "/api/openapi.json")["paths"]
    wanted = {
        ("get", "/api/devices"), ("get", "/api/samples"), ("get", "/api/events"), ("post", "/api/events/{event_id}/ack"),
        ("get", "/api/runs"), ("post", "/api/runs"), ("post", "/api/runs/{run_id}/stop"), ("post", "/api/runs/{run_id}/notes"),
        ("get", "/api/stream"), ("get", "/healthz"), ("get", "/readyz"), ("get", "/metrics"),
    }  # fmt: skip
    assert wanted <= {(method, path) for path, item in paths.items() for method in item}


def test_many_plots_at_once_are_worked_on_a_few_at_a_time(
    bench: StandIn, http: httpx.Client, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    """All at once they would hold the memory of all, and every thread that other answers need."""
    lock, under_way, most = threading.Lock(), 0, 0
    samples = Source.samples

    def watched(self: Source, *arguments: Any) -> dict[str, Any]:
        nonlocal under_way, most
        with lock:
            under_way += 1
            most = max(most, under_way)
        time.sleep(0.02)
        with lock:
            under_way -= 1
        return samples(self, *arguments)

    monkeypatch.setattr(Source, "samples", watched)
    with ThreadPoolExecutor(20) as pool:
        answers = list(pool.map(lambda _: httpx.get(f"{address}/api/samples", params={"device": "load-1"}), range(40)))
    assert {answer.status_code for answer in answers} == {200}
    assert 1 <= most <= 2


def test_a_channel_that_is_asked_for_again_and_again_is_refused(still: httpx.Client) -> None:
    """Each repetition would be worked out anew."""
    answer = still.get("/api/samples", params={"device": "load-1", "channel": ["voltage_v", "current_a", "voltage_v"]})
    assert (answer.status_code, answer.json()["field"]) == (422, "channel")
    assert still.get("/api/samples", params={"device": "load-1", "channel": ["voltage_v", "current_a"]}).status_code == 200
    parameters = still.get("/api/openapi.json").json()["paths"]["/api/samples"]["get"]["parameters"]
    (channel,) = [parameter["schema"] for parameter in parameters if parameter["name"] == "channel"]
    assert [kind["uniqueItems"] for kind in channel["anyOf"] if kind["type"] == "array"] == [True]


@pytest.mark.parametrize(
    ("path", "field"),
    [
        ("/api/samples?device=load-1&point=5", "point"),
        ("/api/samples?device=load-1&points=5&points=6", "points"),
        ("/api/samples?device=load-1&points=NaN", "points"),
        ("/api/samples?device=load-1&points=1e3", "points"),
        ("/api/samples?device=load-1&points=" + "9" * 5000, "points"),
        ("/api/samples?device=load-1%00", "device"),
        ("/api/samples?device=" + "x" * 64, "device"),
        ("/api/events?active=perhaps", "active"),
        ("/api/events?limit=-1", "limit"),
        ("/api/runs?x", "x"),
        ("/api/devices?device=load-1", "device"),
    ],
)
def test_a_query_field_that_is_unknown_doubled_or_no_text_is_refused_by_name(still: httpx.Client, path: str, field: str) -> None:
    answer = still.get(path)
    assert answer.status_code == 422, answer.text
    assert answer.json()["field"] == field
