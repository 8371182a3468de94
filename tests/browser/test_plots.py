"""The plots under people's hands: mouse, wheel, keys, touch."""

from __future__ import annotations

import random
import time
from pathlib import Path
from urllib.parse import unquote

import pytest
from playwright.sync_api import Page, expect

from loadlog.model.clock import NS
from tests.browser.conftest import Open, picture
from tests.browser.plots_page import MOST_POINTS, SPECS, asked, at, drag, following, length, plots, ready, seconds, view
from tests.browser.plots_page import base as base  # fixtures
from tests.browser.plots_page import rack as rack
from tests.serving import serving
from tests.unit.web.stand_in import recording

pytestmark = [pytest.mark.browser, pytest.mark.server]


# -- mouse


def test_a_stretch_dragged_over_is_shown_fetched_finer_and_left_again(base: str, open_page: Open) -> None:
    page = open_page(base)
    ready(page)
    before = view(page)
    with page.expect_request(lambda r: "/api/samples" in r.url and "device=load-1" in r.url) as got:
        drag(page, 0.5, 0.75)
    begin, end = view(page)
    assert end - begin == pytest.approx(75, abs=2)
    assert begin == pytest.approx(before[0] + 150, abs=3)
    question = asked(got.value)
    assert seconds(question["from"][0]) <= begin
    assert seconds(question["to"][0]) >= end
    assert int(question["points"][0]) <= MOST_POINTS
    assert question["channel"] == ["voltage_v", "current_a", "temperature_c"]
    assert not following(page)
    expect(page.locator("#shown")).to_contain_text("stands still")
    expect(page.locator("#follow")).to_have_attribute("aria-pressed", "false")
    page.wait_for_timeout(500)
    assert "/" in unquote(page.evaluate("location.hash"))
    page.get_by_role("button", name="Back to the stretch before").click()
    assert following(page)
    assert length(page) == pytest.approx(300)


def test_the_wheel_scrolls_the_page_until_the_plot_has_the_focus(base: str, open_page: Open) -> None:
    page = open_page(base, height=500)
    ready(page)
    page.mouse.move(*at(page, 0.25))
    page.mouse.wheel(0, 60)
    page.wait_for_timeout(300)
    assert page.evaluate("scrollY") > 0
    assert length(page) == pytest.approx(300)
    page.keyboard.down("Control")
    page.mouse.move(*at(page, 0.25))
    before = view(page)
    page.mouse.wheel(0, -200)
    page.keyboard.up("Control")
    page.wait_for_timeout(300)
    begin, end = view(page)
    assert end - begin < 250
    assert begin + (end - begin) / 4 == pytest.approx(before[0] + 75, abs=4), "what is under the pointer stays there"
    page.mouse.click(*at(page, 0.25))
    scrolled = page.evaluate("scrollY")
    page.mouse.wheel(0, 100)
    page.wait_for_timeout(300)
    assert length(page) > end - begin
    assert page.evaluate("scrollY") == scrolled


def test_shift_and_drag_moves(base: str, open_page: Open) -> None:
    page = open_page(base)
    ready(page)
    before = view(page)
    page.keyboard.down("Shift")
    drag(page, 0.25, 0.75)
    page.keyboard.up("Shift")
    begin, end = view(page)
    assert end - begin == pytest.approx(300, abs=1)
    assert begin == pytest.approx(before[0] - 150, abs=5)


# -- keys


def test_keys_move_zoom_follow_and_go_back(base: str, open_page: Open) -> None:
    page = open_page(base)
    ready(page)
    plots(page).focus()
    page.keyboard.press("+")
    assert (following(page), round(length(page))) == (True, 150)
    page.wait_for_timeout(800)  # keys in one go are one step back
    before = view(page)
    page.keyboard.press("ArrowLeft")
    assert not following(page)
    assert view(page)[1] == pytest.approx(before[1] - 37.5, abs=2)
    page.wait_for_timeout(800)
    page.keyboard.press("-")
    assert length(page) == pytest.approx(300, abs=1)
    page.keyboard.press("End")
    assert following(page)
    page.wait_for_timeout(800)
    page.keyboard.press("Backspace")
    page.wait_for_timeout(100)
    assert length(page) == pytest.approx(150, abs=1)
    assert not following(page)
    page.keyboard.press("Control+-")  # the browser's own
    assert length(page) == pytest.approx(150, abs=1)


def test_home_leads_to_the_beginning_of_the_run(tmp_path: Path, open_page: Open) -> None:
    with recording(tmp_path / "data", specs=SPECS) as bench:
        bench.start_run("soak", ("load-1",), 7200, keep=False)
        started_s = bench.running()[0].started_utc_ns / NS
        noise = random.Random(3)
        for i in range(30):
            bench.load_sample("load-1", i, noise)
            time.sleep(0.02)
        bench.flush()
        with serving(tmp_path / "data") as base:
            page = open_page(f"{base}/#plot=last-5")
            ready(page)
            page.wait_for_timeout(6000)  # the run's beginning leaves the view
            plots(page).focus()
            page.keyboard.press("Home")
            assert view(page)[0] == pytest.approx(started_s, abs=0.01)
            page.close()


# -- touch


class Fingers:
    """Real touches, by way of the browser's own input."""

    def __init__(self, page: Page) -> None:
        self._session = page.context.new_cdp_session(page)

    def __call__(self, kind: str, *points: tuple[float, float]) -> None:
        touches = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(points)]
        self._session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})


def test_fingers_move_and_zoom_on_a_phone(base: str, open_page: Open) -> None:
    page = open_page(base, 360, 800, has_touch=True, is_mobile=True)
    plots(page).scroll_into_view_if_needed()
    ready(page)
    before = view(page)
    touch = Fingers(page)
    touch("touchStart", at(page, 0.2))
    for share in (0.3, 0.4, 0.5, 0.6):
        touch("touchMove", at(page, share))
    touch("touchEnd")
    begin, end = view(page)
    assert end - begin == pytest.approx(300, abs=1)
    assert begin == pytest.approx(before[0] - 120, abs=15)
    touch("touchStart", at(page, 0.4), at(page, 0.6))
    for apart in (0.15, 0.2, 0.25, 0.4):
        touch("touchMove", at(page, 0.5 - apart), at(page, 0.5 + apart))
    touch("touchEnd")
    narrow = view(page)
    assert narrow[1] - narrow[0] == pytest.approx(75, abs=15)
    assert sum(narrow) / 2 == pytest.approx((begin + end) / 2, abs=10)
    assert page.evaluate("getComputedStyle(document.querySelector('.u-over')).touchAction") == "pan-y"
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    picture(page, "plots-phone-zoomed")
