"""Runs on the page: their control by mouse and keyboard, plans, and the post-mortem."""

from __future__ import annotations

import json
import random
import re
from pathlib import Path

import pytest
from playwright.sync_api import Route, expect

from loadlog.model.clock import NS
from tests.browser.conftest import Open, no_wider_than_the_window, picture
from tests.browser.views_page import DESKTOP, PHONE, failed_run
from tests.unit.web.stand_in import MARKUP, StandIn

pytestmark = [pytest.mark.browser, pytest.mark.server]


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
    expect(dialog).to_contain_text(re.compile("load-1, case for 12 h(?! 00)"))
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
    expect(verdict).to_contain_text("Did not hold: first sense fallback on load-1", timeout=60_000)
    headings = review.get_by_role("heading", level=3).all_text_contents()
    assert headings == ["What happened first", "Acceptance limits", "Timeline", "Health of the data", "Channels over the run", "Notes"]
    first = review.locator(".event").nth(0)
    expect(first).to_contain_text("sense fallback")
    expect(first).to_contain_text("Probability 0.93, else contact heating 0.05, supply droop 0.02")
    expect(first).to_contain_text("Evidence: step −0.061 V, current 5 A")
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

    for done, total, before, text in ((0, 0, 1, "1 other run is reviewed first."), (500, 2000, 0, re.compile(r"500 of 2\s000 samples"))):
        answer = {"state": "working", "done": done, "total": total, "before": before}
        asked().fulfill(status=202, content_type="application/json", body=json.dumps(answer))
        expect(page.locator("#review-body")).to_contain_text(text)
    asked().continue_()
    page.unroute("**/review?*")
    expect(page.locator(".verdict")).to_be_visible(timeout=60_000)
