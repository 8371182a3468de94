"""A page with more than it has room for (a storm of alarms, an old alarm behind hundreds of newer events, endless names), one that hears
nothing, and the page on paper."""

from __future__ import annotations

import random
import re
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from playwright.sync_api import expect
from pypdf import PdfReader

from loadlog.model.event import Severity
from tests.browser.conftest import ARTEFACTS, Open, no_wider_than_the_window
from tests.browser.live_page import history
from tests.browser.plots_page import ink, plots
from tests.serving import serving
from tests.unit.web.stand_in import StandIn, load, recording

pytestmark = [pytest.mark.browser, pytest.mark.server]
NEWER = 230  # events; the page's own list begins with the newest 200


def crowd(bench: StandIn, ago_s: float) -> None:
    for _ in range(NEWER):
        bench.event("setpoint_changed", "load-2", Severity.INFO, "set-point 5 A, was 4 A", active=False, ago_s=ago_s)


def test_what_is_still_wrong_is_not_crowded_out_by_what_came_later(bench: StandIn, address: str, open_page: Open) -> None:
    history(bench)
    bench.event("over_temperature", "load-1", Severity.ALARM, "temperature 91 °C", ago_s=190)
    bench.event("limit", "load-1", Severity.WARNING, "voltage below low", active=False, ago_s=140)
    crowd(bench, 20)
    bench.flush()
    begin, end = (datetime.fromtimestamp(time.time() - ago, UTC).strftime("%Y-%m-%dT%H:%M:%SZ") for ago in (170, 110))
    page = open_page(f"{address}/#bench&plot={begin}/{end}")
    expect(page.locator("#active")).to_contain_text("over temperature")
    expect(page).to_have_title(re.compile("^▲1 "))
    # and the plot of a stretch between the old alarm and the newest events has what happened there
    expect(plots(page, "load-1").locator(".flag").first).to_have_text("◆2")
    plots(page, "load-1").locator(".flag").first.click()
    expect(page.locator("#events-all li:focus")).to_contain_text("voltage below low")


def test_the_list_of_events_shows_every_active_one(bench: StandIn, address: str, open_page: Open) -> None:
    bench.event("over_temperature", "load-1", Severity.ALARM, "temperature 91 °C", ago_s=190)
    for _ in range(10):
        crowd(bench, 20)
    bench.flush()
    page = open_page(f"{address}/#events")
    page.get_by_label("State").select_option("active")
    expect(page.locator("#events-all")).to_contain_text("over temperature")


def test_a_storm_of_alarms_leaves_the_devices_in_reach(bench: StandIn, address: str, open_page: Open) -> None:
    first = bench.event("over_temperature", "load-1", Severity.ALARM, "temperature 91 °C", ago_s=90)
    for number in range(28):
        bench.event("limit", "load-2", Severity.WARNING, f"channel {number} is above high", ago_s=60 - number)
    bench.flush()
    page = open_page(address, 360, 780)
    rows = page.locator("#active > li")
    expect(rows).to_have_count(4)
    expect(rows.first).to_contain_text(f"#{first.id}")
    everything = page.get_by_role("button", name="Show all 29 active events")
    everything.focus()
    page.keyboard.press("Enter")
    expect(rows).to_have_count(29)
    page.get_by_role("button", name="Show the first 4 only").click()
    expect(rows).to_have_count(4)
    page.get_by_role("link", name="Runs").click()
    expect(page.locator("#active-brief")).to_contain_text("28 warnings")
    expect(page.locator("#active-more")).to_be_hidden()


def test_only_what_is_new_fades_in(bench: StandIn, address: str, open_page: Open) -> None:
    """Whoever reads the list while more happens goes on reading it."""
    bench.event("over_temperature", "load-1", Severity.ALARM, "temperature 91 °C", ago_s=90)
    low = bench.event("limit", "load-2", Severity.WARNING, "voltage below low", ago_s=60)
    bench.flush()
    page = open_page(address)
    expect(page.locator("#active > li")).to_have_count(2)
    page.wait_for_timeout(600)  # what was there at the beginning has faded in
    page.evaluate("window.faded = []; document.addEventListener('animationstart', (e) => faded.push(Number(e.target.dataset.id)), true)")
    later = bench.event("load_trip", "load-1", Severity.ALARM, "load tripped")
    bench.flush()
    expect(page.locator("#active > li")).to_have_count(3)
    bench.revise(low, "voltage below low, 22 V")
    bench.flush()
    expect(page.locator("#active")).to_contain_text("22 V")
    page.wait_for_timeout(200)
    assert page.evaluate("faded") == [later.id]


def test_on_paper_there_is_dark_ink_and_nothing_to_press(bench: StandIn, address: str, open_page: Open) -> None:
    history(bench)
    bench.event("limit", "load-1", Severity.ALARM, "voltage below low", ago_s=20)
    bench.flush()
    page = open_page(address, color_scheme="dark", may_fail=("willReadFrequently",))
    expect(plots(page, "load-1").locator("canvas").first).to_be_visible()
    expect(page.locator("#active")).to_contain_text("voltage below low")
    path = ARTEFACTS / "page-on-paper.pdf"
    ARTEFACTS.mkdir(exist_ok=True)
    page.pdf(path=path, format="A4")
    text = " ".join(sheet.extract_text() for sheet in PdfReader(path).pages)
    assert "voltage below low" in text
    assert "Acknowledge" not in text
    assert "Follow now" not in text
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    paper = page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--volt')").strip()
    assert (paper, ink(page, "load-1", "--volt") > 50) == ("#0a5fa6", True)
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    screen = page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--volt')").strip()
    assert (screen, ink(page, "load-1", "--volt") > 50) == ("#6db7f2", True)


def test_a_configuration_that_is_not_read_yet_is_said(bench: StandIn, tmp_path: Path, open_page: Open) -> None:
    unread = [True]
    with serving(tmp_path / "data", unread=lambda: unread[0]) as base:
        page = open_page(f"{base}/#runs", may_fail=("ERR_", "Failed to load resource"))
        expect(page.locator("#plans-unread")).to_contain_text("loadlog serve --reload")
        page.get_by_role("link", name="Service").click()
        expect(page.locator("#health")).to_contain_text("The configuration file was edited")
        unread[0] = False
        expect(page.locator("#health")).not_to_contain_text("The configuration file was edited")
        page.get_by_role("link", name="Runs").click()
        expect(page.locator("#plans-unread")).to_be_hidden()


def test_names_of_any_length_keep_within_the_window(tmp_path: Path, open_page: Open) -> None:
    names = ("L" * 63, "a-very-long-device-name.with-dots_and-dashes-of-the-left-rack-05")
    specs = {name: load(name, "group-of-the-whole-left-rack-with-a-name-that-goes-on-and-on", 24.0) for name in names}
    with recording(tmp_path / "data", specs=specs) as bench, serving(tmp_path / "data", specs=specs, name="N" * 63) as base:
        bench.start_run("R" * 40, names, 0, keep=False)
        noise = random.Random(5)
        for name in names:
            bench.load_sample(name, 1.0, noise)
            bench.event("limit", name, Severity.WARNING, f"{name}: temperature is above high limit", ago_s=2)
        bench.flush()
        page = open_page(base, 360, 780, may_fail=("ERR_", "Failed to load resource"))
        for name in ("Bench", "Events", "Runs", "Logbook", "Service"):
            page.get_by_role("link", name=name, exact=True).click()
            expect(page.locator(f"[data-view={name.lower()}]")).to_contain_text(re.compile("L{30}|Disk free|between runs"))
            no_wider_than_the_window(page)


def test_two_devices_stand_side_by_side_on_a_wide_screen(bench: StandIn, address: str, open_page: Open) -> None:
    page = open_page(address, 2560, 1440)
    cards = page.locator("article.device")
    expect(cards).to_have_count(3)
    first, second = (cards.nth(i).bounding_box() for i in (0, 1))
    assert first is not None
    assert second is not None
    assert first["y"] == second["y"]
    assert second["x"] + second["width"] > 2400


def test_without_a_connection_or_a_recorder_no_device_is_called_silent(bench: StandIn, tmp_path: Path, open_page: Open) -> None:
    """A device is silent when it was asked and did not answer; when nobody asks, or nobody tells, that is not known."""
    noise = random.Random(2)
    with serving(tmp_path / "data") as base:
        for name in ("load-1", "load-2"):
            bench.load_sample(name, 1.0, noise)
        bench.flush()
        page = open_page(base, may_fail=("ERR_", "Failed to load resource"))
        tile = page.locator(".tile", has_text="load-1")
        expect(tile).to_contain_text("measuring")
        bench._server.stop()
        expect(page.locator("#link")).to_have_text("✕ No recorder", timeout=5000)
        expect(tile.locator(".chip")).to_have_text("◌ not known")
        expect(page).to_have_title(re.compile("^✕ "))
        bench._server.start()
        expect(page.locator("#link")).to_have_text("● Live", timeout=5000)
        expect(tile.locator(".chip")).to_have_text("✕ silent", timeout=5000)
    expect(page.locator("#link")).to_have_text("✕ No connection", timeout=5000)
    expect(tile.locator(".chip")).to_have_text("◌ not known")
    expect(page).to_have_title(re.compile("^✕ "))


def test_the_focus_stays_when_the_connection_comes_back(bench: StandIn, tmp_path: Path, open_page: Open) -> None:
    with serving(tmp_path / "data") as base:
        page = open_page(base, may_fail=("ERR_", "Failed to load resource"))
        port = int(base.rpartition(":")[2])
        plots(page, "load-1").focus()
        page.evaluate("document.querySelector('article.device').dataset.same = 'yes'")
    expect(page.locator("#link")).to_have_text("✕ No connection", timeout=5000)
    with serving(tmp_path / "data", port=port):
        expect(page.locator("#link")).to_have_text("● Live", timeout=10_000)
        bench.load_sample("load-1", 1.0, random.Random(1))
        expect(page.locator(".tile", has_text="load-1")).to_contain_text("measuring")
        expect(page.locator("article.device").first).to_have_attribute("data-same", "yes")
        expect(plots(page, "load-1")).to_be_focused()
