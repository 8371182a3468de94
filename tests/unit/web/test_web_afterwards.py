"""Plans, logbook and post-mortem over HTTP: what they answer, and what they refuse by the field's name."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

from loadlog.model.clock import NS, parse_utc
from loadlog.model.event import Severity
from loadlog.review import desk
from tests.serving import configured
from tests.unit.web.stand_in import MARKUP, StandIn
from tests.unit.web.test_web_orders import problem


def minute(bench: StandIn, device: str = "load-1", polls: int = 600, lost: int = 0) -> None:
    """A minute at 10 Hz that ends now; the last ``lost`` polls fail."""
    begin_ns = time.time_ns() - polls * NS // 10
    for i in range(polls - lost):
        values = {"voltage_v": 24.0 + i % 7 / 1000, "current_a": 5.0, "power_w": 120.0, "temperature_c": 30.0, "setpoint": 5.0}
        bench.sample(device, values, {"input_on": 1, "mode": 0, "sense_remote": 1}, t_utc_ns=begin_ns + i * NS // 10)
    for _ in range(lost):
        bench.failure(device)
    bench.flush()


def begun_before(bench: StandIn, seconds: float, *, planned_s: float = 0.0) -> str:
    """A run of load-1 that was started so long ago."""
    from loadlog.model.run import RunInfo

    run = RunInfo("soak-0001", "soak", ("load-1",), time.time_ns() - round(seconds * NS), planned_s)
    bench.journal.start_run(run, bench._snapshot).result(5)
    return run.id


def finished(http: httpx.Client, run: str, path: str = "review") -> httpx.Response:
    """The review, asked for until it is there."""
    for _ in range(10):
        answer = http.get(f"/api/runs/{run}/{path}", params={"wait_s": 20})
        if answer.status_code != 202:
            return answer
    raise AssertionError("no review within ten questions")


# -- plans


def test_plans_tell_what_they_are_and_when_they_start_next(still: httpx.Client) -> None:
    body = still.get("/api/plans").json()
    night, pack = body["plans"]
    assert (night["name"], night["devices"], night["duration_s"], night["cron"]) == (
        "overnight-24v", ["load-1", "case"], 43200, "0 22 * * 1-5",
    )  # fmt: skip
    assert night["accept"] == [{"device": "load-1", "channel": "voltage", "statistic": "mean", "low": 23.76, "high": 24.24}]
    assert night["stop"] == {"device": "load-1", "voltage_below": 21.0, "events": []}
    start = parse_utc(night["next_start"])
    assert parse_utc(body["t"]) < start <= parse_utc(body["t"]) + 4 * 86_400 * NS  # at most from Friday night to Monday night
    assert (pack["next_start"], pack["cron"], pack["at"], pack["stop"], pack["keep"]) == (None, None, None, None, True)


def test_a_plan_is_started_with_its_devices_and_duration_whatever_the_recorder_knows_of_it(bench: StandIn, http: httpx.Client) -> None:
    assert not bench.plans
    started = http.post("/api/plans/overnight-24v/start")
    assert started.status_code == 201, started.text
    assert (started.json()["id"], started.json()["devices"]) == ("overnight-24v-0001", ["load-1", "case"])
    (run,) = bench.running()
    assert (run.name, run.devices, run.planned_s, run.keep) == ("overnight-24v", ("load-1", "case"), 43200.0, False)
    problem(http.post("/api/plans/overnight-24v/start"), 409)


def test_an_unknown_plan_is_refused_with_the_nearest(still: httpx.Client) -> None:
    assert "overnight-24v" in problem(still.post("/api/plans/overnight-24/start"), 404, "name")


# -- progress


def test_a_run_that_is_on_tells_what_it_received_of_what_its_rates_make(bench: StandIn, http: httpx.Client) -> None:
    run = begun_before(bench, 60, planned_s=120)
    minute(bench, polls=600, lost=100)
    (listed,) = http.get("/api/runs").json()["runs"]
    found = listed["progress"]
    assert listed["id"] == run
    assert found["received"] == 500
    assert found["expected"] == pytest.approx(600, abs=100)  # 10 Hz times the time since the start, which goes on
    assert 60 <= found["elapsed_s"] <= 120
    bench.stop_run(run, "done")
    time.sleep(1.0)  # the page asks the recorder for its state once a second at most
    assert http.get("/api/runs").json()["runs"][0]["progress"] is None


def test_the_store_tells_how_it_grows(bench: StandIn, address: str, http: httpx.Client) -> None:
    minute(bench, polls=1200)
    with httpx.stream("GET", f"{address}/api/stream", timeout=20) as stream:
        for line in stream.iter_lines():
            if line.startswith("data: ") and '"store"' in line:
                store = json.loads(line[6:])["store"]
                break
    assert store["growth_bytes_per_day"] > 0
    assert store["days_until_full"] == pytest.approx(store["free_bytes"] / store["growth_bytes_per_day"], rel=0.1)


# -- logbook


def test_notes_of_the_bench_and_of_runs_stand_in_one_logbook(bench: StandIn, http: httpx.Client) -> None:
    assert http.get("/api/notes").json() == {"notes": [], "truncated": False}
    noted = http.post("/api/notes", json={"text": MARKUP, "author": "Ida"})
    assert (noted.status_code, noted.json()) == (201, {"id": None})
    run = bench.start_run("soak", ("load-1",), 0, keep=False).id
    http.post(f"/api/runs/{run}/notes", json={"text": "lead warm", "author": "Ben"})
    bench.flush()
    notes = http.get("/api/notes").json()["notes"]
    assert [(n["run"], n["author"], n["text"]) for n in notes] == [(None, "Ida", MARKUP), (run, "Ben", "lead warm")]
    assert abs(parse_utc(notes[0]["t"]) - time.time_ns()) < 60 * NS
    assert [n["text"] for n in http.get("/api/notes", params={"run": run}).json()["notes"]] == ["lead warm"]
    newest = http.get("/api/notes", params={"limit": 1}).json()
    assert ([n["text"] for n in newest["notes"]], newest["truncated"]) == (["lead warm"], True)


@pytest.mark.parametrize(
    ("body", "field"),
    [({}, "text"), ({"text": " "}, "text"), ({"text": "x" * 4001}, "text"), ({"text": "x", "by": "Ida"}, "by"), ({"text": 5}, "text")],
)
def test_a_note_that_is_none_is_refused_by_field(still: httpx.Client, body: dict[str, Any], field: str) -> None:
    problem(still.post("/api/notes", json=body), 422, field)


@pytest.mark.parametrize(
    ("path", "status", "field"),
    [
        ("/api/notes?run=soak-0009", 404, "run"),
        ("/api/notes?limit=0", 422, "limit"),
        ("/api/notes?limit=many", 422, "limit"),
        ("/api/runs/soak-0009/review", 404, "id"),
        ("/api/runs/soak/review", 404, "id"),
        (f"/api/runs/{'x' * 81}/review", 422, "run_id"),
        ("/api/runs/soak-0001/review?wait_s=31", 422, "wait_s"),
        ("/api/runs/soak-0001/review?wait_s=-1", 422, "wait_s"),
        ("/api/runs/soak-0009/review.html", 404, "id"),
    ],
)
def test_bad_questions_are_refused_by_field(bench: StandIn, http: httpx.Client, path: str, status: int, field: str) -> None:
    bench.start_run("soak", ("load-1",), 0, keep=False)
    problem(http.get(path), status, field)


# -- post-mortem


def test_the_review_is_that_of_the_command_line(bench: StandIn, http: httpx.Client, tmp_path: Path) -> None:
    run = begun_before(bench, 61)
    minute(bench)
    bench.event("supply_trip", "load-1", Severity.ALARM, MARKUP, ago_s=20, confidence=0.9, alternatives={"load_trip": 0.1},
                evidence={"voltage_v": 0.01})  # fmt: skip
    bench.add_note(run, "Ida", MARKUP)
    bench.stop_run(run, "done")
    bench.flush()
    answer = finished(http, run)
    assert answer.status_code == 200, answer.text
    command = [sys.executable, "-m", "loadlog", "review", run, "--json", "--config", str(configured(tmp_path))]
    said = json.loads(subprocess.run(command, capture_output=True, check=True, timeout=60).stdout)
    assert answer.json() == said
    assert said["verdict"]["sentence"].startswith("Did not hold: first supply_trip on load-1")
    assert answer.headers["content-encoding"] == "gzip"
    plain = http.get(f"/api/runs/{run}/review", headers={"Accept-Encoding": "identity"})
    assert plain.json() == said


def test_the_report_is_a_download_without_live_markup(bench: StandIn, http: httpx.Client) -> None:
    run = begun_before(bench, 61)
    minute(bench)
    bench.event("supply_trip", "load-1", Severity.ALARM, MARKUP, ago_s=20)
    bench.stop_run(run, "done")
    bench.flush()
    answer = finished(http, run, "review.html")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-disposition"] == f'attachment; filename="{run}.html"'
    assert answer.text.startswith("<!doctype html>")
    assert MARKUP not in answer.text


def test_a_review_that_takes_longer_says_how_far_it_is_and_is_kept_once_done(bench: StandIn, http: httpx.Client) -> None:
    run = begun_before(bench, 61)
    minute(bench)
    bench.stop_run(run, "done")
    bench.flush()
    first = http.get(f"/api/runs/{run}/review", params={"wait_s": 0})
    assert first.status_code == 202
    assert set(first.json()) == {"state", "done", "total", "before"}
    assert first.headers["retry-after"] == "1"
    done = finished(http, run).json()
    again = http.get(f"/api/runs/{run}/review", params={"wait_s": 0})
    assert (again.status_code, again.json()) == (200, done)


def test_a_review_that_cannot_be_made_is_told_and_tried_again(
    bench: StandIn, http: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    run = begun_before(bench, 61)
    minute(bench)
    bench.stop_run(run, "done")
    bench.flush()
    job = desk.JOB
    monkeypatch.setattr(desk, "JOB", ("/bin/sh", "-c", "kill -9 $$"))
    assert "status -9" in problem(finished(http, run), 503)
    monkeypatch.setattr(desk, "JOB", job)
    assert finished(http, run).status_code == 200


def test_too_many_reviews_at_once_are_refused_with_when_to_come_again(
    bench: StandIn, http: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    run = begun_before(bench, 61)
    monkeypatch.setattr(desk, "MAX_WAITING", 0)
    answer = http.get(f"/api/runs/{run}/review")
    problem(answer, 503)
    assert answer.headers["retry-after"] == "5"


def test_the_page_goes_on_while_a_run_is_reviewed(bench: StandIn, http: httpx.Client) -> None:
    """The event loop and its threads are free: many questions wait, and a simple one is answered."""
    run = begun_before(bench, 61)
    minute(bench)
    for _ in range(60):
        assert http.get(f"/api/runs/{run}/review", params={"wait_s": 0}).status_code in (200, 202)
    assert http.get("/healthz").text == "ok\n"
    assert finished(http, run).json()["ended"] is None
