"""The states that people meet, one after the other in one tab, at phone and desktop width, light and dark: each is said in words, keeps
within the window, and is judged by axe-core; so is every dialog."""

from __future__ import annotations

import random
import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from loadlog.model.event import Severity
from loadlog.web import Access
from tests.browser.conftest import Open, judged, no_wider_than_the_window, picture
from tests.serving import TOKEN, serving
from tests.unit.web.stand_in import StandIn

pytestmark = [pytest.mark.browser, pytest.mark.server]
SIZES = [pytest.param((360, 780), id="phone"), pytest.param((1280, 900), id="desktop")]
SCHEMES = ["light", "dark"]
GONE = ("ERR_", "Failed to load resource")


class Look:
    """Judges what is on the screen and keeps a picture of it."""

    def __init__(self, page: Page, name: str) -> None:
        self._page, self._name = page, name

    def __call__(self, state: str) -> None:
        page = self._page
        no_wider_than_the_window(page)
        picture(page, f"state-{state}-{self._name}")
        assert judged(page) == [], state


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("size", SIZES)
def test_each_state_is_said_and_fit_for_everybody(
    bench: StandIn, tmp_path: Path, open_page: Open, size: tuple[int, int], scheme: str, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    with serving(tmp_path / "data") as base:
        port = int(base.rpartition(":")[2])
        page = open_page(base, *size, color_scheme=scheme, reduced_motion="reduce", bypass_csp=True, may_fail=GONE)
        look = Look(page, f"{size[0]}-{scheme}")
        expect(page.locator(".chip", has_text="no data yet")).to_have_count(6)  # in the overview and on the card
        look("no-data")
        noise = random.Random(6)
        for i in range(20):
            bench.load_sample("load-1", i / 10, noise)
            bench.failure("load-2")
        bench.event("load_trip", "load-1", Severity.ALARM, "current fell to 0 A while the voltage rose")
        bench.flush()
        expect(page.locator(".tile", has_text="load-2")).to_contain_text("✕ silent")
        look("silent")
        page.get_by_role("button", name="Acknowledge load trip").click()
        look("acknowledge")
        page.get_by_role("button", name="Acknowledge", exact=True).click()
        expect(page.locator("#active")).to_contain_text("Acknowledged")
        page.get_by_role("link", name="Runs").click()
        page.get_by_role("button", name="Start a run…").click()
        look("start-run")
        dialog = page.get_by_role("dialog", name="Start a run")
        dialog.get_by_label("Name").fill("?")
        dialog.get_by_role("button", name="Start", exact=True).click()
        expect(dialog.get_by_role("alert")).not_to_be_empty()
        look("start-run-refused")
        dialog.get_by_label("Name").fill("soak")
        dialog.get_by_role("button", name="Start", exact=True).click()
        page.get_by_role("button", name="Stop run soak-0001").click()
        look("stop-run")
        page.keyboard.press("Escape")
        page.get_by_role("button", name="Start plan pack-36v now").click()
        look("start-plan")
        page.keyboard.press("Escape")
        bench._server.stop()
        expect(page.locator("#banners")).to_contain_text("The recorder does not answer", timeout=5000)
        look("recorder-gone")
        bench._server.start()
        expect(page.locator("#banners")).to_be_empty(timeout=5000)
    expect(page.locator("#link")).to_contain_text("No connection", timeout=5000)
    expect(page.locator("#banners")).to_contain_text("The values below are old")
    look("service-gone")
    monkeypatch.setattr("loadlog.viewer.page_digest", lambda: "another")
    with serving(tmp_path / "data", port=port):
        expect(page.locator("#link")).to_contain_text("Live", timeout=10_000)
        expect(page.locator("#banners")).to_contain_text("The service was updated")
        look("updated")


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("size", SIZES)
def test_a_page_that_needs_a_login_is_fit_for_everybody(
    bench: StandIn, tmp_path: Path, open_page: Open, size: tuple[int, int], scheme: str
) -> None:  # fmt: skip
    with serving(tmp_path / "data", Access(False, TOKEN)) as base:
        page = open_page(base, *size, color_scheme=scheme, bypass_csp=True, may_fail=("401", "Failed to load resource"))
        look = Look(page, f"{size[0]}-{scheme}")
        dialog = page.get_by_role("dialog", name="Token needed")
        expect(dialog).to_be_visible()
        look("login")
        page.keyboard.press("Escape")
        expect(dialog).to_be_hidden()
        expect(page.locator("#link")).to_contain_text("Log in to see the bench")
        look("locked")
        page.wait_for_timeout(3000)
        expect(dialog).to_be_hidden()  # who closed it is left in peace
        page.get_by_role("button", name="Log in").click()
        dialog.get_by_label("Token", exact=True).fill(TOKEN)
        page.keyboard.press("Enter")
        expect(page.locator("#link")).to_contain_text("Live", timeout=10_000)
        expect(page.locator("#banners")).to_be_empty()
        expect(page.locator(".tile")).to_have_count(3)


def test_a_page_out_of_date_renews_itself_while_nobody_looks(
    bench: StandIn, tmp_path: Path, open_page: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    with serving(tmp_path / "data") as base:
        page = open_page(f"{base}/#logbook", may_fail=GONE)
        expect(page.locator("#link")).to_contain_text("Live")
        port = int(base.rpartition(":")[2])
    monkeypatch.setattr("loadlog.viewer.page_digest", lambda: "another")
    with serving(tmp_path / "data", port=port):
        expect(page.locator("#banners")).to_contain_text("The service was updated", timeout=15_000)
        leave = """() => {
          Object.defineProperty(document, 'hidden', { value: true, configurable: true });
          document.dispatchEvent(new Event('visibilitychange'));
        }"""
        page.get_by_role("textbox", name="Note", exact=True).fill("half a sentence")
        page.evaluate(leave)
        page.wait_for_timeout(500)
        expect(page.locator("#banners")).to_contain_text("The service was updated")  # what is being written is not thrown away
        page.get_by_role("textbox", name="Note", exact=True).fill("")
        with page.expect_navigation():
            page.evaluate(leave)
        expect(page.locator("#link")).to_contain_text("Live", timeout=15_000)
        expect(page.locator("#banners")).to_be_empty()


def test_the_focus_survives_what_is_brought_up_to_date(bench: StandIn, address: str, open_page: Open) -> None:
    bench.start_run("soak", ("load-1",), 0, keep=False)
    bench.add_note("soak-0001", "Ida", "lead warm")
    bench.flush()
    page = open_page(f"{address}/#service")
    buses = page.get_by_role("region", name="Buses")
    buses.focus()
    for _ in range(3):
        bench.sample("load-1", {"voltage_v": 24.0})
    expect(page.locator("#health")).to_contain_text(re.compile("Samples since start[1-9]"))
    page.wait_for_timeout(1200)
    expect(buses).to_be_focused()
    page.get_by_role("link", name="Logbook").click()
    link = page.locator("#notes").get_by_role("link", name="run soak-0001")
    link.focus()
    bench.add_note(None, "Ben", "bench swept")
    expect(page.locator("#notes")).to_contain_text("bench swept", timeout=15_000)
    expect(link).to_be_focused()
    page.get_by_role("link", name="Runs").click()
    run = page.locator("#runs-past").get_by_role("link", name="soak-0001")
    run.focus()
    bench.start_run("other", ("load-2",), 0, keep=False)
    expect(page.locator("#runs-past")).to_contain_text("other-0002", timeout=15_000)
    expect(run).to_be_focused()


UPDATE = """async () => {
  const { update } = await import('/assets/update.js');
  const { el } = await import('/assets/dom.js');
  const list = el('ul');
  const items = (...names) => names.map((name) => el('li', { 'data-key': name.slice(0, 1) }, name));
  const seen = [];
  for (const names of [['a', 'b', 'c'], ['c', 'a'], [], ['b', 'a!', 'd'], ['d', 'a!', 'b']]) {
    update(list, items(...names));
    seen.push([...list.children].map((node) => node.textContent).join(' '));
  }
  const kept = list.children[1];
  update(list, items('a?', 'x'));
  return [...seen, kept === list.children[0], kept.textContent, list.children.length];
}"""


def test_updating_in_place_keeps_order_content_and_nodes(address: str, open_page: Open) -> None:
    page = open_page(address)
    assert page.evaluate(UPDATE) == ["a b c", "c a", "", "b a! d", "d a! b", True, "a?", 2]
