"""The views beside the plots as people meet them: overview, runs and their control, post-mortem, logbook, service; by mouse, by keyboard,
and judged by axe-core in both themes and at both widths."""

from __future__ import annotations

import json
import random
import re
import time
from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, Route, expect

from loadlog.forwarder.facts import State, TargetFacts
from loadlog.model.clock import NS
from loadlog.model.event import Severity
from loadlog.model.run import RunInfo, Snapshot
from loadlog.notify.facts import AddressFacts
from loadlog.notify.facts import State as Notifying
from loadlog.web import Access
from tests.browser.conftest import Open, judged, no_wider_than_the_window, picture
from tests.one_load import one_load
from tests.serving import TOKEN, serving
from tests.unit.web.stand_in import MARKUP, StandIn

pytestmark = [pytest.mark.browser, pytest.mark.server]
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


# -- every view, in both themes, at both widths


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_every_view_is_fit_for_everybody(bench: StandIn, address: str, open_page: Open, size: tuple[int, int], scheme: str) -> None:
    at_work(bench)
    page = open_page(address, *size, color_scheme=scheme, reduced_motion="reduce", bypass_csp=True)  # for axe's own script only
    expect(page.locator("#link")).to_contain_text("Live")
    for name in VIEWS:
        view(page, name)
        page.wait_for_timeout(400)
        no_wider_than_the_window(page)
        picture(page, f"view-{name.replace('/', '-')}-{size[0]}-{scheme}")
        assert judged(page) == [], name


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_an_empty_bench_says_so_in_every_view(address: str, open_page: Open, size: tuple[int, int]) -> None:
    page = open_page(address, *size, bypass_csp=True)
    expect(view(page, "bench")).to_contain_text("no data yet")
    expect(view(page, "runs")).to_contain_text("No run is on.")
    expect(page.locator("#runs-past")).to_contain_text("No run was recorded yet.")
    picture(page, f"empty-runs-{size[0]}")
    expect(view(page, "logbook")).to_contain_text("Nothing was noted yet.")
    view(page, "service")
    no_wider_than_the_window(page)
    assert judged(page) == []


# -- overview


def test_the_overview_shows_each_device_with_what_matters(bench: StandIn, address: str, open_page: Open) -> None:
    at_work(bench)
    bench.sample("load-1", {"voltage_v": 23.4, "current_a": 5.0, "power_w": 117.0, "temperature_c": 61.0},
                 {"input_on": 1, "mode": 0, "sense_remote": 0}, uncertain={"power_w": "stale"})  # fmt: skip
    bench.flush()
    page = open_page(address, *PHONE)
    tiles = page.locator(".tile")
    expect(tiles).to_have_count(3)
    first = tiles.nth(0)
    expect(first).to_contain_text("load-1")
    expect(first.locator("li", has_text="Voltage")).to_contain_text("23.400 V ▲ below low")
    expect(first.locator("li", has_text="Temperature")).to_contain_text("61.0 °C ▲ above high")
    expect(first.locator("li", has_text="Power")).to_contain_text("~ uncertain")
    expect(first).to_contain_text("run overnight-24v-0002")
    expect(first).to_contain_text("▲ sense local, wired remote")
    expect(first).to_contain_text(re.compile(r"\d s old|\d\.\d s old"))
    expect(tiles.nth(1)).to_contain_text("✕ silent")
    expect(tiles.nth(1)).to_contain_text("no reply within 0.2 s")
    expect(tiles.nth(1).locator("li", has_text="Voltage")).to_contain_text("– V")
    first.get_by_role("button", name="load-1").press("Enter")
    expect(page.locator("#device-load-1")).to_be_focused()


# -- events


def test_events_are_filtered_paged_and_acknowledged(bench: StandIn, address: str, open_page: Open) -> None:
    for number in range(60):
        bench.event("limit", "load-1", Severity.WARNING, f"crossing {number}", active=False, ago_s=100 - number)
    bench.event("load_trip", "load-2", Severity.ALARM, "current fell to 0 A", ago_s=5)
    bench.event("input_switched", "load-2", Severity.INFO, MARKUP, active=False, ago_s=4)
    bench.flush()
    page = open_page(f"{address}/#events", *PHONE)
    items = page.locator("#events-all > li")
    expect(items).to_have_count(50)
    expect(items.first).to_contain_text(MARKUP)
    expect(page.locator("#events-count")).to_have_text("62 of 62 events")
    page.get_by_role("button", name="Show more").click()
    expect(items).to_have_count(62)
    page.get_by_label("Severity").select_option("alarm")
    expect(items).to_have_count(1)
    page.get_by_role("button", name="Acknowledge load trip").press("Enter")
    dialog = page.get_by_role("dialog", name="Acknowledge")
    dialog.get_by_label("Your name").fill("Ida")
    dialog.get_by_label("Note").fill("fuse blown")
    page.keyboard.press("Tab")
    dialog.get_by_role("button", name="Acknowledge", exact=True).press("Enter")
    expect(items.first).to_contain_text(re.compile(r"Acknowledged by Ida at \d\d:\d\d:\d\d: fuse blown"))
    expect(items.first.get_by_role("button", name=re.compile("on the plot"))).to_be_focused()
    page.get_by_label("State").select_option("open")
    expect(page.locator("#events-all")).to_contain_text("None of these.")
    page.get_by_label("Severity").select_option("")
    page.locator("#events-device").select_option("load-2")
    expect(page.locator("#events-all")).to_contain_text("None of these.")  # what only informed needs nobody
    page.get_by_label("State").select_option("")
    expect(items).to_have_count(2)
    expect(items.first).to_contain_text("input switched")
    bench.event("limit", "load-2", Severity.WARNING, "one that comes while the view is open")
    expect(items).to_have_count(3, timeout=5000)
    items.first.get_by_role("button", name=re.compile("on the plot")).click()
    expect(page.locator('[data-plots-of="load-2"]')).to_be_focused()
    assert page.title() != "owned"


# -- runs


def test_a_run_is_started_followed_and_stopped_by_keyboard(bench: StandIn, address: str, open_page: Open) -> None:
    page = open_page(address, *PHONE)
    page.get_by_role("link", name="Runs").press("Enter")
    expect(page.get_by_role("heading", name="Runs", exact=True)).to_be_focused()
    start = page.get_by_role("button", name="Start a run…")
    expect(start).to_be_enabled()
    start.press("Enter")
    dialog = page.get_by_role("dialog", name="Start a run")
    expect(dialog.get_by_label("Name")).to_be_focused()
    page.keyboard.type("first soak")
    dialog.get_by_label("Duration").fill("1h30min")
    dialog.get_by_label("load-2").press("Space")
    dialog.get_by_label("case").press("Space")
    picture(page, "dialog-start-run-360")
    page.keyboard.press("Enter")
    expect(dialog.get_by_role("alert")).to_contain_text("A name has letters, digits")
    expect(dialog.get_by_label("Name")).to_have_attribute("aria-invalid", "true")
    expect(dialog.get_by_label("Name")).to_be_focused()
    dialog.get_by_label("Name").fill("first-soak")
    page.keyboard.press("Enter")
    expect(dialog).to_be_hidden()
    card = page.locator("#runs-on .card")
    expect(card).to_contain_text("first-soak-0001")
    expect(card).to_contain_text("of 1 h 30 min")
    (run,) = bench.running()
    assert (run.devices, run.planned_s) == (("load-1",), 5400.0)
    begin_ns = run.started_utc_ns
    for i in range(20):
        bench.load_sample("load-1", i / 10, random.Random(i), begin_ns + i * NS // 10)
    bench.flush()
    expect(card).to_contain_text(re.compile(r"20 of \d+ readings received"), timeout=10_000)
    stop = page.get_by_role("button", name="Stop run first-soak-0001")
    stop.press("Enter")
    dialog = page.get_by_role("dialog", name="Stop run first-soak-0001?")
    expect(dialog).to_contain_text("the load is not switched off")
    page.keyboard.press("Escape")
    expect(dialog).to_be_hidden()
    expect(stop).to_be_focused()
    assert bench.running()
    stop.press("Enter")
    dialog.get_by_label("Reason").fill(MARKUP)
    picture(page, "dialog-stop-run-360")
    page.keyboard.press("Enter")
    expect(page.locator("#runs-on")).to_contain_text("No run is on.")
    expect(page.locator("#runs-past .card").first).to_contain_text(f"■ ended: {MARKUP}", timeout=10_000)
    assert page.title() != "owned"


def test_a_duration_that_is_none_and_a_run_without_devices_are_refused_at_once(address: str, open_page: Open) -> None:
    page = open_page(f"{address}/#runs")
    page.get_by_role("button", name="Start a run…").click()
    dialog = page.get_by_role("dialog", name="Start a run")
    dialog.get_by_label("Name").fill("soak")
    dialog.get_by_label("Duration").fill("12 hours or so")
    dialog.get_by_role("button", name="Start", exact=True).click()
    expect(dialog.get_by_role("alert")).to_contain_text("is no duration")
    expect(dialog.get_by_label("Duration")).to_be_focused()
    dialog.get_by_label("Duration").fill("")
    for name in ("load-1", "load-2", "case"):
        dialog.get_by_label(name).uncheck()
    dialog.get_by_role("button", name="Start", exact=True).click()
    expect(dialog.get_by_role("alert")).to_contain_text("at least one device")


def test_no_run_can_be_started_before_the_devices_are_known(address: str, open_page: Open) -> None:
    page = open_page(address)
    held: list[Route] = []
    page.route("**/api/devices", lambda route: held.append(route))  # noqa: PLW0108 - the handler is asked for its arguments
    page.goto(f"{address}/#runs")
    page.reload()
    expect(page.locator("#link")).to_contain_text("Live")
    page.wait_for_timeout(1500)
    expect(page.get_by_role("button", name="Start a run…")).to_be_disabled()
    for route in held:
        route.continue_()
    expect(page.get_by_role("button", name="Start a run…")).to_be_enabled()


def test_a_refusal_of_the_recorder_is_shown_in_the_dialog(bench: StandIn, address: str, open_page: Open) -> None:
    """Somebody else was faster."""
    page = open_page(f"{address}/#runs", may_fail=("409",))
    page.get_by_role("button", name="Start a run…").click()
    dialog = page.get_by_role("dialog", name="Start a run")
    dialog.get_by_label("Name").fill("soak")
    bench.start_run("other", ("load-1",), 0, keep=False)
    dialog.get_by_role("button", name="Start", exact=True).click()
    expect(dialog.get_by_role("alert")).to_contain_text("device load-1 is in run other-0001")
    expect(dialog.get_by_role("button", name="Start", exact=True)).to_be_enabled()


def test_the_focus_stays_inside_a_dialog(address: str, open_page: Open) -> None:
    page = open_page(f"{address}/#runs")
    page.get_by_role("button", name="Start a run…").click()
    inside = "document.activeElement === document.body || Boolean(document.activeElement.closest('dialog'))"  # body: the browser's own bar
    for _ in range(12):
        page.keyboard.press("Tab")
        assert page.evaluate(inside)


def test_a_device_in_a_run_cannot_be_chosen_again(bench: StandIn, address: str, open_page: Open) -> None:
    bench.start_run("soak", ("load-1",), 0, keep=False)
    page = open_page(f"{address}/#runs")
    expect(page.locator("#runs-on")).to_contain_text("until it is stopped")
    page.get_by_role("button", name="Start a run…").click()
    expect(page.get_by_role("dialog").get_by_label("load-1 in run soak-0001")).to_be_disabled()


def test_a_plan_shows_its_next_start_and_is_started_by_hand(bench: StandIn, address: str, open_page: Open) -> None:
    page = open_page(f"{address}/#runs", *PHONE)
    night = page.locator("#plans .card", has_text="overnight-24v")
    expect(night).to_contain_text(re.compile(r"next start .*22:00:00"))  # the browser's zone is the plan's: Europe/Berlin
    expect(night).to_contain_text("1 acceptance limit")
    expect(page.locator("#plans .card", has_text="pack-36v")).to_contain_text("starts by order only")
    page.locator("#zone").click()
    expect(night).to_contain_text(re.compile(r"next start .*(20|21):00:00"))
    page.get_by_role("button", name="Start plan overnight-24v now").click()
    dialog = page.get_by_role("dialog", name="Start plan overnight-24v now?")
    expect(dialog).to_contain_text("load-1, case for 12 h 00 min")
    dialog.get_by_role("button", name="Start now").click()
    expect(page.locator("#runs-on .card")).to_contain_text("overnight-24v-0001")
    assert bench.running()[0].planned_s == 43200


def test_without_a_recorder_no_run_can_be_started_and_what_is_on_is_not_guessed(bench: StandIn, address: str, open_page: Open) -> None:
    page = open_page(f"{address}/#runs")
    expect(page.get_by_role("button", name="Start a run…")).to_be_enabled()
    bench._server.stop()
    expect(page.locator("#runs-on")).to_contain_text("which runs are on is not known", timeout=5000)
    expect(page.get_by_role("button", name="Start a run…")).to_be_disabled()
    picture(page, "runs-recorder-gone")
    bench._server.start()
    expect(page.get_by_role("button", name="Start a run…")).to_be_enabled(timeout=5000)


# -- post-mortem


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_the_post_mortem_answers_in_the_order_in_which_people_ask(
    bench: StandIn, address: str, open_page: Open, size: tuple[int, int]
) -> None:  # fmt: skip
    failed_run(bench, MARKUP)
    page = open_page(f"{address}/#runs", *size)
    page.locator("#runs-past").get_by_role("link", name="soak-0001").click()
    review = page.get_by_role("article", name="Review of run soak-0001")
    verdict = review.locator(".verdict")
    expect(verdict).to_contain_text("Did not hold: first sense_fallback on load-1", timeout=60_000)
    headings = review.get_by_role("heading", level=3).all_text_contents()
    assert headings == ["What happened first", "Acceptance limits", "Timeline", "Health of the data", "Channels over the run", "Notes"]
    first = review.locator(".event").nth(0)
    expect(first).to_contain_text("sense fallback")
    expect(first).to_contain_text("Probability 0.93; instead: contact heating 0.05, supply droop 0.02")
    expect(first.locator("dl")).to_contain_text("Step−0.061 V")
    expect(review.locator(".decision").nth(0)).to_have_text("✓ pass")
    expect(review.locator(".decision").nth(1)).to_have_text("✕ fail")
    steps = review.locator("ol.events > li")
    expect(steps).to_have_count(3)
    expect(steps.nth(0)).to_contain_text("~ not ordered against #2")
    expect(steps.nth(2)).not_to_contain_text("not ordered")
    expect(review.get_by_role("region", name="Health of the data")).to_contain_text("load-1")
    expect(review.locator(".note-item")).to_contain_text(MARKUP)
    assert page.title() != "owned"
    no_wider_than_the_window(page)
    picture(page, f"review-{size[0]}")
    with page.expect_download() as download:
        review.get_by_role("link", name="Download with plots (HTML)").click()
    assert download.value.suggested_filename == "soak-0001.html"
    assert Path(download.value.path()).read_text().startswith("<!doctype html>")
    page.go_back()
    expect(page.locator("#runs-past")).to_be_visible()


def test_an_event_of_the_post_mortem_leads_to_the_plots(bench: StandIn, address: str, open_page: Open) -> None:
    failed_run(bench)
    page = open_page(f"{address}/#runs/soak-0001")
    page.get_by_role("button", name="Show sense fallback number 1 on the plot").click(timeout=60_000)
    expect(page.locator("[data-view=bench]")).to_be_visible()
    expect(page.locator('[data-plots-of="load-1"]')).to_be_focused()


def test_a_run_that_nobody_knows_is_said_in_the_view(address: str, open_page: Open) -> None:
    page = open_page(f"{address}/#runs/nothing-0009", may_fail=("404",))
    expect(page.locator("#review")).to_contain_text("there is no run 'nothing-0009'")
    expect(page.get_by_role("button", name="Try again")).to_be_visible()


def test_progress_is_shown_while_a_long_run_is_read(bench: StandIn, address: str, open_page: Open) -> None:
    """The service's answer for a run that takes longer, given by hand twice before the real one."""
    failed_run(bench)
    page = open_page(address)
    held: list[Route] = []
    page.route("**/review?*", lambda route: held.append(route))  # noqa: PLW0108 - the handler is asked for its arguments
    page.evaluate("location.hash = 'runs/soak-0001'")

    def asked() -> Route:
        while not held:
            page.wait_for_timeout(50)
        return held.pop()

    for done, total, before, text in ((0, 0, 1, "1 other run is reviewed first."), (500, 2000, 0, "500 of 2000 samples")):
        answer = {"state": "working", "done": done, "total": total, "before": before}
        asked().fulfill(status=202, content_type="application/json", body=json.dumps(answer))
        expect(page.locator("#review-body")).to_contain_text(text)
    asked().continue_()
    page.unroute("**/review?*")
    expect(page.locator(".verdict")).to_be_visible(timeout=60_000)


# -- logbook


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_notes_are_written_read_and_filtered(bench: StandIn, address: str, open_page: Open, size: tuple[int, int]) -> None:
    bench.start_run("soak", ("load-1",), 0, keep=False)
    bench.add_note(None, "Ben", "bench swept")
    bench.flush()
    page = open_page(f"{address}/#logbook", *size)
    expect(page.locator("#notes")).to_contain_text("bench swept")
    expect(page.get_by_label("Belongs to")).to_have_value("soak-0001")
    page.get_by_role("textbox", name="Note", exact=True).fill(MARKUP)
    page.get_by_role("textbox", name="Your name").fill("Ida")
    page.get_by_role("button", name="Write").press("Enter")
    newest = page.locator("#notes .note-item").first
    expect(newest).to_contain_text(MARKUP)
    expect(newest).to_contain_text("Ida")
    expect(newest).to_contain_text("run soak-0001")
    expect(page.get_by_role("textbox", name="Note", exact=True)).to_have_value("")
    picture(page, f"logbook-{size[0]}")
    page.get_by_label("Show").select_option("")
    expect(page.locator("#notes .note-item")).to_have_count(1)
    expect(page.locator("#notes")).to_contain_text("bench swept")
    page.get_by_label("Belongs to").select_option("")
    page.get_by_role("textbox", name="Note", exact=True).fill("lights off")
    page.get_by_role("button", name="Write").click()
    expect(page.locator("#notes .note-item").first).to_contain_text("lights off")
    assert page.title() != "owned"
    page.reload()
    expect(page.get_by_role("textbox", name="Your name")).to_have_value("Ida")


# -- service


def test_the_service_view_tells_how_long_the_disk_lasts(bench: StandIn, address: str, open_page: Open) -> None:
    noise = random.Random(5)
    begin_ns = time.time_ns() - 120 * NS
    for i in range(1200):
        bench.load_sample("load-1", i / 10, noise, begin_ns + i * NS // 10)
    bench.flush()
    page = open_page(f"{address}/#service", *PHONE)
    health = page.locator("#health")
    expect(health).to_contain_text(re.compile(r"Disk full in(▲ )?\d+ (days|h)|more than ten years"))
    expect(health).to_contain_text("a day")
    expect(health).to_contain_text("2.1 ms")


class Forwards:
    """Stands for what forwards to two databases, one of which refused lines."""

    def __init__(self) -> None:
        self.retried: list[str] = []

    def facts(self) -> list[TargetFacts]:
        aside = 0 if self.retried else 3
        return [
            TargetFacts("lab", "influxdb2", "http://127.0.0.1:1", State.UP_TO_DATE, set_aside=aside),
            TargetFacts("office", "influxdb1", "http://127.0.0.1:2", State.CATCHING_UP, backlog_samples=1200, remaining_s=90.0),
        ]

    def retry(self, name: str) -> None:
        self.retried.append(name)


def test_forwarding_shows_its_backlog_and_sends_again_what_was_refused(bench: StandIn, tmp_path: Path, open_page: Open) -> None:
    forwards = Forwards()
    with serving(tmp_path / "data", forwarding=forwards) as base:
        page = open_page(f"{base}/#service", *PHONE, may_fail=("ERR_",))
        health = page.locator("#health")
        expect(health).to_contain_text("● up to date, ✕ 3 lines refused and set aside")
        expect(health).to_contain_text("◆ catching up, 1 200 samples wait, done in 1 min 30 s")
        again = page.get_by_role("button", name="Send to lab again what it refused")
        again.focus()
        page.wait_for_timeout(2500)
        expect(again).to_be_focused()  # the view is brought up to date every second
        page.keyboard.press("Enter")
        expect(page.locator("#announce")).to_have_text("What lab refused is sent again.")
        assert forwards.retried == ["lab"]
        expect(again).to_have_count(0)


class Told:
    """Stands for notices to two addresses, one of which does not take them."""

    def facts(self) -> list[AddressFacts]:
        failing = AddressFacts("mail", "mailto", "alarm", Notifying.FAILING, MARKUP, notices=2, given_up=1)
        return [failing, AddressFacts("phone", "ntfy", "warning", Notifying.READY, waiting=3, quiet=True)]


def test_notices_that_nobody_takes_are_seen(bench: StandIn, tmp_path: Path, open_page: Open) -> None:
    with serving(tmp_path / "data", notices=Told()) as base:
        page = open_page(f"{base}/#service", *PHONE, may_fail=("ERR_",))
        health = page.locator("#health")
        expect(health).to_contain_text(f"Notices to mail✕ not accepted, 2 not accepted yet, ✕ 1 given up, {MARKUP}")
        expect(health).to_contain_text("Notices to phone● ready, 3 events wait for the end of the quiet hours")
        no_wider_than_the_window(page)
        picture(page, "service-notices-360")


# -- the page as a whole


def test_times_are_in_the_readers_zone_and_in_utc_on_demand(bench: StandIn, address: str, open_page: Open) -> None:
    """Also those inside of sentences: the verdict's, and when the recorder was away."""
    failed_run(bench)
    page = open_page("about:blank")

    def with_gap(route: Route) -> None:
        answer = route.fetch()
        gap = "2026-01-15 07:00:00.250 UTC .. 2026-01-15 07:01:00.000 UTC all devices: the recorder was not running"
        route.fulfill(response=answer, json={**answer.json(), "gaps": [gap]})

    page.route("**/review?*", with_gap)
    page.goto(f"{address}/#runs/soak-0001")
    started, verdict = page.locator("#review-body .times").first, page.locator("#review-body .verdict")
    gap = page.locator("#review-body li", has_text="the recorder was not running")
    expect(started).to_contain_text("Started", timeout=60_000)
    expect(gap).to_have_text("15 Jan 08:00:00.25 .. 15 Jan 08:01:00.00 all devices: the recorder was not running")
    expect(verdict).to_have_text(re.compile(r"after .* at (\d+ \w+ )?\d\d:\d\d:\d\d: a lead"))
    before = [str(node.text_content()) for node in (started, verdict)]
    page.locator("#zone").press("Enter")
    expect(gap).to_have_text("15 Jan 07:00:00.25 .. 15 Jan 07:01:00.00 all devices: the recorder was not running")
    for node, text in zip((started, verdict), before, strict=True):
        expect(node).not_to_have_text(text)


def test_an_old_tab_is_told_of_an_update_and_offers_to_reload(bench: StandIn, tmp_path: Path, open_page: Open) -> None:
    """The page's files changed under the same version number: the digest that the stream's greeting gives tells it."""
    with serving(tmp_path / "data") as base:
        page = open_page(base, may_fail=("ERR_", "Failed to load"))
        expect(page.locator("#link")).to_contain_text("Live")
        port = int(base.rpartition(":")[2])
    digest = pytest.MonkeyPatch()
    digest.setattr("loadlog.viewer.page_digest", lambda: "another")
    with serving(tmp_path / "data", port=port):
        digest.undo()
        expect(page.locator("#banners")).to_contain_text("The service was updated", timeout=15_000)
        picture(page, "state-updated")
        page.get_by_role("button", name="Reload").click()
        expect(page.locator("#link")).to_contain_text("Live", timeout=15_000)
        expect(page.locator("#banners")).to_be_empty()


def test_who_may_only_read_gets_no_buttons_that_act(bench: StandIn, tmp_path: Path, open_page: Open) -> None:
    reading = "only-for-reading-0123456789"
    with serving(tmp_path / "data", Access(False, TOKEN, read_token=reading)) as base:
        page = open_page(f"{base}/#runs", may_fail=("401", "Failed to load resource"))
        page.get_by_label("Token", exact=True).fill(reading)
        page.keyboard.press("Enter")
        expect(page.locator("#link")).to_contain_text("Live", timeout=10_000)
        expect(page.locator("#plans")).to_contain_text("overnight-24v")
        expect(page.get_by_role("button", name="Start a run…")).to_be_hidden()
        expect(page.get_by_role("button", name="Start plan")).to_have_count(0)
        view(page, "logbook")
        expect(page.get_by_role("textbox", name="Note", exact=True)).to_be_hidden()


@pytest.mark.parametrize("name", ["events", "runs", "logbook", "service"])
def test_every_action_is_reached_with_the_tab_key_and_the_focus_is_seen(
    bench: StandIn, address: str, open_page: Open, name: str
) -> None:  # fmt: skip
    bench.start_run("soak", ("load-1",), 0, keep=False)
    bench.event("load_trip", "load-1", Severity.ALARM, "current fell to 0 A")
    bench.add_note("soak-0001", "Ida", "lead warm")
    bench.flush()
    page = open_page(f"{address}/#{name}")
    settled = {"events": "#events-all .event", "runs": "#plans .card", "logbook": "#notes .note-item", "service": "#health table"}
    expect(page.locator(settled[name]).first).to_be_visible()
    mark = """() => {
      const all = document.querySelectorAll(':is(a[href], button, input, select, textarea, summary, [tabindex="0"])');
      const open = [...all].filter((node) => node.offsetParent && !node.disabled && !node.closest('dialog'));
      for (const node of open) node.toReach = true;
      return open.length;
    }"""
    wanted = page.evaluate(mark)
    assert wanted > 8
    reached = 0
    for _ in range(wanted + 5):
        page.keyboard.press("Tab")
        found = page.evaluate("[document.activeElement.toReach, getComputedStyle(document.activeElement).outlineStyle]")
        if found[0]:
            page.evaluate("document.activeElement.toReach = false")
            reached += 1
            assert found[1] != "none", page.evaluate("document.activeElement.outerHTML")
    left = "[...document.querySelectorAll('*')].filter((node) => node.toReach).map((node) => node.outerHTML)"
    assert page.evaluate(left) == []
    assert reached == wanted
