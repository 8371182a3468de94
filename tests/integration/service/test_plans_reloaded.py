"""`loadlog serve --reload` with changed plans, by recorder and viewer as real processes: what the page's interface shows, what starts, and
what a run that is on keeps."""

from __future__ import annotations

import datetime as dt
import json
import signal
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.databases import free_port
from tests.integration.service.test_service import Bench, wait_for

ENDS = """\
stop = {{ device = "load-1", voltage_below = {below} }}
accept = [{{ device = "load-1", channel = "voltage", statistic = "mean", low = {low} }}]
"""
NIGHT = (
    """
[[plan]]
name = "night"
devices = ["load-1"]
duration = "8h"
cron = "{cron}"
"""
    + ENDS
)
ONCE = (
    """
[[plan]]
name = "once"
devices = ["load-1"]
at = "{at}"
"""
    + ENDS
)
LATER = """
[[plan]]
name = "later"
devices = ["load-2"]
at = "{at}"
missed = "start"
stop = {{ device = "load-2", voltage_below = 100 }}
"""
GONE = '[[plan]]\nname = "gone"\ndevices = ["case"]\ncron = "0 0 * * *"\n'


class Planned(Bench):
    """A bench whose plans are changed while it is at work."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.port = free_port()
        self.bare = self.config.read_text().replace("tcp_port = 0", f"tcp_port = {self.port}")

    def plan(self, *plans: str) -> None:
        self.config.write_text(self.bare + "".join(plans))

    def answer(self) -> dict[str, Any]:
        """What the interface says of plans."""
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/api/plans", timeout=10) as answer:
            found: dict[str, Any] = json.load(answer)
            return found

    def shown(self) -> dict[str, dict[str, Any]]:
        """The plans at the interface, by name; none while nobody answers."""
        try:
            return {plan["name"]: plan for plan in self.answer()["plans"]}
        except OSError:
            return {}

    def runs_on(self) -> list[str]:
        return [run["id"] for run in self.client.call("status")["runs"]]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Planned]:
    made = Planned(tmp_path)
    yield made
    made.stop()


def next_at(hour: int, minute: int) -> str:
    """The next such time of the day, UTC."""
    now = dt.datetime.fromtimestamp(time.time(), dt.UTC)
    today = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
    return (today if today > now else today + dt.timedelta(days=1)).strftime("%Y-%m-%dT%H:%M")


def in_seconds(seconds: float) -> str:
    return dt.datetime.fromtimestamp(round(time.time() + seconds), dt.UTC).isoformat()


def test_plans_that_are_changed_added_and_removed_are_taken_over_and_a_run_keeps_its_own(bench: Planned) -> None:
    bench.plan(NIGHT.format(cron="0 22 * * *", below=1, low=20.0), GONE)
    service = bench.serve()
    first = wait_for("the plans", bench.shown)
    assert list(first) == ["night", "gone"]
    assert first["night"]["next_start"].startswith(next_at(22, 0))
    pids = [bench.part(service, name).pid for name in ("recorder", "viewer")]

    night = NIGHT.format(cron="30 4 * * *", below=2, low=21.0)
    while True:  # a busy machine may take longer to read it than the start is ahead
        at = in_seconds(12)
        bench.plan(night, ONCE.format(at=at, below=1, low=5.0))
        assert bench.run_cli("serve", "--reload").returncode == 0
        shown = wait_for("the changed plans", lambda at=at: (now := bench.shown()).get("once", {}).get("at") == at and now)
        if shown["once"]["next_start"] is not None:
            break
    assert list(shown) == ["night", "once"]
    assert (shown["night"]["cron"], shown["night"]["stop"]["voltage_below"], shown["night"]["accept"][0]["low"]) == ("30 4 * * *", 2, 21.0)
    assert shown["night"]["next_start"].startswith(next_at(4, 30))
    assert dt.datetime.fromisoformat(shown["once"]["next_start"].replace("000Z", "+00:00")) == dt.datetime.fromisoformat(at)
    assert [bench.part(service, name).pid for name in ("recorder", "viewer")] == pids

    (run_id,) = wait_for("the start of the plan that was added", bench.runs_on)
    assert run_id == "once-0001"
    assert wait_for("its recording", lambda: bench.archive.run(run_id)).devices == ("load-1",)
    assert bench.shown()["once"]["next_start"] is None

    # What would end it at once, and fail it: not while it is on, and not for this run.
    bench.plan(night, ONCE.format(at=at, below=1000, low=500.0), LATER.format(at=in_seconds(0)))
    refused = bench.run_cli("serve", "--reload")
    assert (refused.returncode, "while a run is on (once-0001)" in refused.stderr) == (1, True)
    service.send_signal(signal.SIGTERM)
    assert service.wait(30) == 0
    service = bench.serve()
    wait_for("the plan as it is now", lambda: bench.shown().get("once", {}).get("stop", {}).get("voltage_below") == 1000)
    # The other run is started, and ended by its plan: so what ends runs was looked at.
    wait_for("the end of the other run", lambda: any(r.name == "later" and r.ended_utc_ns for r in bench.archive.runs()))
    assert bench.runs_on() == [run_id]
    bench.client.call("run_stop", run=run_id)
    reviewed = json.loads(bench.run_cli("review", run_id, "--json").stdout)
    assert [limit["low"] for limit in reviewed["acceptance"]["limits"]] == [5.0]


def test_a_viewer_that_begins_after_an_unread_edit_shows_what_the_recorder_has(bench: Planned) -> None:
    bench.plan(NIGHT.format(cron="0 22 * * *", below=1, low=20.0))
    service = bench.serve()
    wait_for("the plans", bench.shown)
    assert not bench.answer()["unread"]
    bench.plan(NIGHT.format(cron="30 4 * * *", below=2, low=21.0), GONE)
    before = bench.part(service, "viewer")
    before.kill()
    wait_for("another viewer", lambda: bench.part(service, "viewer").pid != before.pid)
    shown = wait_for("the page again", bench.shown)
    assert {name: plan["cron"] for name, plan in shown.items()} == {"night": "0 22 * * *"}
    assert wait_for("that it says so", lambda: bench.answer()["unread"])
    assert bench.run_cli("serve", "--reload").returncode == 0
    wait_for("the plans as they are now", lambda: list(bench.shown()) == ["night", "gone"])
    assert not bench.answer()["unread"]
