"""What the tests of the views look at: a bench at work with a failed run behind it."""

from __future__ import annotations

import random
import time

from playwright.sync_api import Locator, Page, expect

from loadlog.model.clock import NS
from loadlog.model.event import Severity
from loadlog.model.run import RunInfo, Snapshot
from tests.one_load import one_load
from tests.unit.web.stand_in import StandIn

PHONE, DESKTOP = (360, 780), (1280, 900)
VIEWS = ("bench", "events", "runs", "runs/soak-0001", "logbook", "service")
PLAN = """
[[plan]]
name = "soak"
devices = ["load-1"]
accept = [
  { device = "load-1", channel = "voltage", statistic = "mean", low = 23.0, high = 25.0 },
  { device = "load-1", channel = "voltage", statistic = "minimum", low = 23.9 },
]
"""


def failed_run(bench: StandIn, text: str = "the lead moved") -> str:
    """A run of some minutes that ended: events that can and cannot be ordered, a gap, notes, acceptance limits."""
    noise = random.Random(3)
    begin_ns = time.time_ns() - 240 * NS
    run = RunInfo("soak-0001", "soak", ("load-1",), begin_ns, 300.0)
    snapshot = bench._snapshot
    with_plan = Snapshot(snapshot.bench, one_load(PLAN), snapshot.profiles, snapshot.devices, snapshot.software)
    bench.journal.start_run(run, with_plan).result(5)
    for i in range(2395):
        if not 900 < i < 920:
            bench.load_sample("load-1", i / 10, noise, begin_ns + i * NS // 10, 0.4 if i > 1500 else 0.0)
    bench.event("sense_fallback", "load-1", Severity.ALARM, f"voltage stepped by −60 mV: {text}", ago_s=90, confidence=0.93,
                alternatives={"contact_heating": 0.05, "supply_droop": 0.02}, evidence={"step_v": -0.061, "current_a": 5.0})  # fmt: skip
    bench.event("limit", "load-1", Severity.WARNING, f"voltage 23.50 V is below low limit 23.52 V: {text}", ago_s=89.95)
    bench.event("setpoint_changed", "load-1", Severity.INFO, "set-point 5 A, was 4 A", ago_s=30, active=False)
    bench.add_note(run.id, "Ida", f"{text}\nchecked cold")
    bench.stop_run(run.id, text)
    bench.flush()
    return run.id


def at_work(bench: StandIn) -> None:
    """A failed run behind it, another one on, one device silent."""
    failed_run(bench)
    bench.start_run("overnight-24v", ("load-1", "case"), 43200, keep=False)
    noise = random.Random(4)
    begin_ns = time.time_ns() - 20 * NS
    for i in range(200):
        bench.load_sample("load-1", i / 10, noise, begin_ns + i * NS // 10)
        bench.load_sample("load-2", i / 10, noise, begin_ns - 60 * NS + i * NS // 10)
    bench.sample("case", {"contact_c": 31.2, "case_c": 27.4, "ambient_c": 22.5})
    bench.failure("load-2")
    bench.add_note(None, "Ben", "bench swept")
    bench.flush()


def view(page: Page, name: str) -> Locator:
    """Go to a view; its node."""
    page.evaluate("(name) => { location.hash = name }", name)
    node = page.locator(f"[data-view={name.split('/')[0]}]")
    expect(node).to_be_visible()
    if "/" in name:
        expect(page.locator(".verdict")).to_be_visible(timeout=60_000)
    return node
