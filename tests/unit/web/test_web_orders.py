"""The changing half: runs, notes, acknowledging. Orders are carried out by the real order handler behind the real socket."""

from __future__ import annotations

import time
from typing import Any

import httpx
import pytest

from loadlog.model.event import Severity
from loadlog.store import Archive
from tests.unit.web.stand_in import MARKUP, StandIn


def problem(answer: httpx.Response, status: int, field: str | None = None) -> str:
    body = answer.json()
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert body.get("field") == field, body
    detail: str = body["detail"]
    assert "\n" not in detail
    return detail


def test_a_run_is_started_noted_and_stopped(bench: StandIn, http: httpx.Client) -> None:
    started = http.post("/api/runs", json={"name": "overnight-24v", "devices": ["load-1", "case"], "duration_s": 43200, "keep": True})
    assert started.status_code == 201, started.text
    run = started.json()["id"]
    assert started.json()["devices"] == ["load-1", "case"]
    noted = http.post(f"/api/runs/{run}/notes", json={"text": f"fan cleaned {MARKUP}", "author": "Ida"})
    assert (noted.status_code, noted.json()) == (201, {"id": run})
    time.sleep(1.0)  # the page asks the recorder for its state once a second at most
    (listed,) = http.get("/api/runs").json()["runs"]
    assert (listed["id"], listed["state"], listed["planned_s"], listed["keep"], listed["ended"]) == (run, "running", 43200, True, None)
    stopped = http.post(f"/api/runs/{run}/stop", json={"reason": "lead warm"})
    assert (stopped.status_code, stopped.json()) == (200, {"id": run})
    bench.flush()
    (listed,) = http.get("/api/runs").json()["runs"]
    assert (listed["state"], listed["end_reason"]) == ("ended", "lead warm")
    (note,) = Archive(bench._data_dir).notes(run)
    assert (note.author, note.text) == ("Ida", f"fan cleaned {MARKUP}")


def test_stopping_needs_no_body(bench: StandIn, http: httpx.Client) -> None:
    run = http.post("/api/runs", json={"name": "short"}).json()["id"]
    assert http.post(f"/api/runs/{run}/stop").status_code == 200


def test_a_refusal_of_the_recorder_is_a_conflict_with_its_reason(bench: StandIn, http: httpx.Client) -> None:
    http.post("/api/runs", json={"name": "first", "devices": ["load-1"]})
    detail = problem(http.post("/api/runs", json={"name": "second", "devices": ["load-1"]}), 409)
    assert "first-0001" in detail


@pytest.mark.parametrize(
    ("path", "body", "field", "says"),
    [
        ("/api/runs", {"name": "x", "device": ["load-1"]}, "device", "there is no field 'device' (nearest known: devices)"),
        ("/api/runs", {"nam": "x"}, "nam", "there is no field 'nam' (nearest known: name) (and 1 more)"),
        ("/api/runs", {"name": "a b"}, "name", "name: a name is of letters, digits, '.', '_' and '-', a letter or digit first"),
        ("/api/runs/none-0001/notes", {"text": "  "}, "text", "text: words are needed"),
        ("/api/events/99/ack", {"bye": "Ida"}, "bye", "there is no field 'bye' (nearest known: by)"),
    ],
)
def test_a_field_that_does_not_fit_is_told_in_words(still: httpx.Client, path: str, body: dict[str, Any], field: str, says: str) -> None:
    """Unknown fields are refused with the nearest known one; a pattern is nothing for people."""
    assert problem(still.post(path, json=body), 422, field).startswith(says)


def test_acknowledging_names_who_and_why(bench: StandIn, http: httpx.Client) -> None:
    event = bench.event("load_trip", "load-1", Severity.ALARM, "tripped")
    bench.flush()
    answer = http.post(f"/api/events/{event.id}/ack", json={"by": "Ida", "note": "seen"})
    assert answer.status_code == 200, answer.text
    body = answer.json()
    assert (body["acknowledged"], body["acknowledged_by"], body["note"], body["state"]) == (True, "Ida", "seen", "active")
    bench.flush()
    (listed,) = http.get("/api/events").json()["events"]
    assert listed["acknowledged"] is True


@pytest.mark.parametrize(
    ("path", "body", "status", "field"),
    [
        ("/api/runs", {}, 422, "name"),
        ("/api/runs", {"name": ""}, 422, "name"),
        ("/api/runs", {"name": "../../etc"}, 422, "name"),
        ("/api/runs", {"name": "x", "device": ["load-1"]}, 422, "device"),
        ("/api/runs", {"name": "x", "devices": []}, 422, "devices"),
        ("/api/runs", {"name": "x", "devices": "load-1"}, 422, "devices"),
        ("/api/runs", {"name": "x", "devices": ["load-9"]}, 422, "devices"),
        ("/api/runs", {"name": "x", "devices": ["load-1", "load-1"]}, 422, "devices"),
        ("/api/runs", {"name": "x", "duration_s": -1}, 422, "duration_s"),
        ("/api/runs", {"name": "x", "duration_s": "12h"}, 422, "duration_s"),
        ("/api/runs", {"name": "x", "keep": "yes"}, 422, "keep"),
        ("/api/runs/none-0001/stop", {}, 404, "id"),
        ("/api/runs/none-0001/notes", {"text": "x"}, 404, "id"),
        ("/api/runs/none-0001/notes", {"text": "  "}, 422, "text"),
        ("/api/runs/none-0001/notes", {"text": "x" * 4001}, 422, "text"),
        ("/api/events/99/ack", {}, 404, "id"),
        ("/api/events/abc/ack", {}, 422, "event_id"),
        ("/api/events/99/ack", {"by": "x" * 101}, 422, "by"),
    ],
)
def test_a_wrong_order_names_its_field(still: httpx.Client, path: str, body: dict[str, Any], status: int, field: str) -> None:
    problem(still.post(path, json=body), status, field)


def test_what_is_not_json_is_refused(still: httpx.Client) -> None:
    problem(sent(still, b'{"name": '), 400, "body")
    problem(sent(still, b"[1]"), 422, "body")
    problem(sent(still, b""), 422, "body")
    problem(sent(still, b'{"name": "x\xff"}'), 400, "body")
    problem(sent(still, b"[" * 30_000), 400, "body")
    problem(sent(still, b'{"name": "x", "devices": ' + b'{"a":' * 5000 + b"1" + b"}" * 5000 + b"}"), 400, "body")
    for number in ("NaN", "Infinity", "-Infinity"):
        problem(sent(still, f'{{"name": "x", "duration_s": {number}}}'.encode()), 400, "body")
    for number in ("1e999", "-1", "-0.001", "3.3e8", "9" * 400, "true", '"1"', "null"):
        problem(sent(still, f'{{"name": "x", "duration_s": {number}}}'.encode()), 422, "duration_s")
    problem(sent(still, b'{"name": "x", "duration_s": ' + b"9" * 5000 + b"}"), 400, "body")


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "application/xml", "x", ""])
def test_another_media_type_is_refused(still: httpx.Client, kind: str) -> None:
    """Of these, pages of other origins could send the first three without asking first (Fetch Standard, CORS-safelisted)."""
    problem(still.post("/api/runs", content=b'{"name": "x"}', headers={"Content-Type": kind}), 415, "Content-Type")
    problem(still.post("/api/runs/x/stop", content=b"{}", headers={"Content-Type": kind}), 415, "Content-Type")
    assert still.get("/api/runs").json()["runs"] == []


@pytest.mark.parametrize(
    ("body", "field"),
    [
        (b'{"name": "a", "name": "b"}', "name"),
        (b'{"name": "a", "keep": true, "duration_s": 1, "keep": false}', "keep"),
        (b'{"name": "a\\u0000"}', "name"),
        (b'{"name": "a", "devices": ["load-1\\u0000"]}', "devices"),
        (b'{"name": "\\ud800"}', "name"),
        (b'{"na\\u0000me": "a"}', "body"),
    ],
)
def test_what_can_be_read_in_two_ways_or_is_no_text_is_refused(still: httpx.Client, body: bytes, field: str) -> None:
    problem(sent(still, body), 422, field)


@pytest.mark.parametrize("control", ["\0", "\x1b[2J", "\x07", "\r", "\x7f", "\x9b31m"])
def test_a_note_cannot_steer_the_terminal_that_shows_it(bench: StandIn, http: httpx.Client, control: str) -> None:
    """ECMA-48: ESC and CSI begin what a terminal carries out."""
    run = http.post("/api/runs", json={"name": "x"}).json()["id"]
    problem(http.post(f"/api/runs/{run}/notes", json={"text": f"a{control}b"}), 422, "text")
    problem(http.post(f"/api/runs/{run}/notes", json={"text": "a", "author": f"I{control}"}), 422, "author")
    assert http.post(f"/api/runs/{run}/notes", json={"text": "first line\n\tsecond: 10 kΩ, 温度, 🔋"}).status_code == 201


@pytest.mark.parametrize("path", ["/api/runs", "/api/runs/x/stop", "/api/session", "/api/devices"])
def test_a_path_says_every_method_that_it_takes(still: httpx.Client, path: str) -> None:
    """RFC 9110, 15.5.6: a 405 lists them in Allow."""
    takes = {method.upper() for method in still.get("/api/openapi.json").json()["paths"][path.replace("/x/", "/{run_id}/")]}
    for method in ("PUT", "PATCH", "OPTIONS", "TRACE", "BREW"):
        answer = still.request(method, path)
        problem(answer, 405)
        assert set(answer.headers["allow"].split(", ")) == takes


def sent(http: httpx.Client, body: bytes) -> httpx.Response:
    return http.post("/api/runs", content=body, headers={"Content-Type": "application/json"})


def test_a_body_too_long_is_refused_declared_or_not(still: httpx.Client) -> None:
    text = b'{"name": "' + b"x" * 70_000 + b'"}'
    problem(still.post("/api/runs", content=text, headers={"Content-Type": "application/json"}), 413, "body")
    parts = (text[i : i + 5000] for i in range(0, len(text), 5000))
    problem(still.post("/api/runs", content=parts, headers={"Content-Type": "application/json"}), 413, "body")


def test_without_a_recorder_orders_are_unavailable_not_lost_in_silence(bench: StandIn, http: httpx.Client) -> None:
    bench._server.stop()
    detail = problem(http.post("/api/runs", json={"name": "x"}), 503)
    assert "no recorder is running" in detail
    bench._server.start()
    assert http.post("/api/runs", json={"name": "x"}).status_code == 201
