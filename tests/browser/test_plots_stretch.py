"""Which stretch the plots show and fetch: from a month to single samples, links, runs, faults, the reader's wishes."""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest
from playwright.sync_api import Request, Route, expect

from loadlog.model.clock import NS
from tests.browser.conftest import Open, picture
from tests.browser.plots_page import DAY_S, MOST_POINTS, SPECS, asked, drag, following, ink, length, over, plots, ready, seconds, view
from tests.browser.plots_page import base as base  # fixtures
from tests.browser.plots_page import rack as rack
from tests.serving import serving
from tests.unit.web.stand_in import StandIn, recording

pytestmark = [pytest.mark.browser, pytest.mark.server]


# -- the whole range


def test_from_a_month_to_single_samples(tmp_path: Path, open_page: Open) -> None:
    """Each answer is bounded, and finer the nearer one looks."""
    with recording(tmp_path / "data", specs=SPECS) as bench:
        noise = random.Random(2)
        now_ns = time.time_ns()
        for i in range(31 * 24 * 12):
            bench.load_sample("load-1", i, noise, now_ns - round(31 * DAY_S - 300 * i) * NS)
        for i in range(600):
            bench.load_sample("load-1", i, noise, now_ns - 60 * NS + i * NS // 10)
        bench.flush()
        with serving(tmp_path / "data") as base:
            page = open_page(base, may_fail=("willReadFrequently",))
            ready(page)
            widths = []
            with page.expect_response(lambda r: "/api/samples" in r.url and "device=load-1" in r.url) as got:
                page.get_by_role("radio", name="1 month").check(force=True)
            answers = [got.value.json()]
            assert answers[0]["t_s"][0] < time.time() - 29 * DAY_S
            page.wait_for_timeout(300)
            assert ink(page, "load-1", "--volt") > 50, "an answer is drawn when it comes, not with the next move of a long stretch"
            picture(page, "plots-month")
            plots(page).focus()
            while length(page) > 60:
                with page.expect_response(lambda r: "/api/samples" in r.url and "device=load-1" in r.url) as got:
                    page.keyboard.press("+")
                answers.append(got.value.json())
                page.wait_for_timeout(300)
            for answer in answers:
                assert len(answer["t_s"]) <= MOST_POINTS
                widths.append(answer["bucket_s"])
            assert widths == sorted(widths, reverse=True)
            assert widths[-1] == 0, "every sample by itself"
            assert len(answers[-1]["t_s"]) > 150
            page.close()


def test_a_request_that_is_not_wanted_any_more_is_cut_short(base: str, open_page: Open) -> None:
    page = open_page(base, may_fail=("ERR_ABORTED", "Failed to load resource"))
    ready(page)
    held: list[Route] = []
    cut: list[Request] = []

    def hold(route: Route) -> None:
        held.append(route)

    def note(request: Request) -> None:
        cut.append(request)

    page.on("requestfailed", note)
    page.route("**/api/samples?*device=load-1*", hold)
    drag(page, 0.2, 0.6)
    page.wait_for_timeout(500)
    drag(page, 0.2, 0.6)
    page.wait_for_timeout(500)
    first, second = (route.request for route in held)
    assert cut == [first]
    assert cut[0].failure == "net::ERR_ABORTED"
    assert seconds(asked(second)["from"][0]) > seconds(asked(first)["from"][0])


def test_a_busy_service_is_asked_again(base: str, open_page: Open) -> None:
    page = open_page(base, may_fail=("429",))
    ready(page)
    refused: list[str] = []

    def refuse(route: Route) -> None:
        refused.append(route.request.url)
        route.fulfill(status=429, content_type="application/problem+json", body='{"status": 429, "detail": "too many reads at once"}')

    page.route("**/api/samples?*device=load-1*", refuse, times=1)
    with page.expect_response(lambda r: "device=load-1" in r.url and r.status == 200):
        drag(page, 0.2, 0.6)
    assert len(refused) == 1
    expect(plots(page).get_by_text("too many reads")).to_have_count(0)


def test_plots_come_back_after_a_fault(base: str, open_page: Open) -> None:
    """The stream may go on while one request is lost: the plot says so and asks again by itself."""
    page = open_page("about:blank", may_fail=("ERR_FAILED", "Failed to load resource"))
    page.route("**/api/samples?*device=load-1*", lambda route: route.abort(), times=1)
    page.goto(base)
    expect(plots(page).locator(".empty")).to_have_text("The service does not answer.")
    expect(over(page)).to_be_visible(timeout=15_000)


def test_a_new_sample_moves_the_view_only_while_it_follows(rack: StandIn, base: str, open_page: Open) -> None:
    page = open_page(base)
    ready(page)
    drag(page, 0.3, 0.5)
    still = view(page)
    noise = random.Random(5)
    for i in range(5):
        rack.load_sample("load-1", 240 + i, noise)
        page.wait_for_timeout(200)
    assert view(page) == still
    page.get_by_role("button", name="Follow now").click()
    first = view(page)
    page.wait_for_timeout(600)
    assert view(page)[1] > first[1]


# -- links and runs


def test_a_link_shows_the_same_stretch(base: str, open_page: Open) -> None:
    page = open_page(base)
    ready(page)
    drag(page, 0.3, 0.5)
    page.wait_for_timeout(600)
    there = view(page)
    other = open_page(page.url)
    ready(other)
    assert view(other) == pytest.approx(there, abs=0.002)
    other.get_by_role("button", name="UTC").click()
    expect(other.locator("#shown")).to_contain_text("UTC")
    hour = time.strftime("%H:%M:", time.gmtime(there[0]))
    expect(other.locator("#shown")).to_contain_text(hour)


def test_the_stretch_in_the_address_leaves_the_views_alone(base: str, open_page: Open) -> None:
    page = open_page(base)
    ready(page)
    drag(page, 0.3, 0.5)
    there = view(page)
    page.wait_for_timeout(500)
    page.get_by_role("link", name="Logbook").click()
    expect(page.locator("[data-view=logbook]")).to_be_visible()
    page.wait_for_timeout(500)
    assert page.evaluate("location.hash") == "#logbook"
    page.get_by_role("link", name="Bench", exact=True).click()
    expect(over(page)).to_be_visible()
    page.wait_for_timeout(500)
    assert view(page) == there
    assert page.evaluate("location.hash").startswith("#bench&plot=20")
    page.reload()
    ready(page)
    assert view(page) == pytest.approx(there, abs=0.002)


@pytest.mark.parametrize(
    "asked_for", ["plot=", "plot=last-", "plot=last-x", "plot=2026/2025", "plot=a/b", "plot=%E0%A4%A", "plot=run-<b>", "x"]
)
def test_an_address_that_cannot_be_understood_shows_the_usual(base: str, open_page: Open, asked_for: str) -> None:
    page = open_page(f"{base}/#{asked_for}")
    ready(page)
    assert following(page)
    assert length(page) == pytest.approx(300)


def test_the_whole_of_a_run_is_chosen_and_linked(tmp_path: Path, open_page: Open) -> None:
    with recording(tmp_path / "data", specs=SPECS) as bench:
        noise = random.Random(3)
        run = bench.start_run("soak", ("load-1",), 3600, keep=False)
        for i in range(20):
            bench.load_sample("load-1", i, noise)
            time.sleep(0.05)
        bench.stop_run(run.id, "done")
        for i in range(20):
            bench.load_sample("load-1", i, noise)
        bench.flush()
        with serving(tmp_path / "data") as base:
            page = open_page(base)
            ready(page)
            page.get_by_label("Whole run").select_option(run.id)
            begin, end = view(page)
            assert begin == pytest.approx(run.started_utc_ns / NS, abs=0.001)
            assert end - begin == pytest.approx(5, abs=1)
            expect(page.locator("#shown")).to_contain_text(f"The whole of run {run.id}")
            page.wait_for_timeout(500)
            other = open_page(page.url)
            ready(other)
            expect(other.get_by_label("Whole run")).to_have_value(run.id)
            assert view(other) == pytest.approx((begin, end), abs=0.001)
            gone = open_page(f"{base}/#plot=run-nothing-0009")
            expect(gone.locator("#shown")).to_contain_text("There is no run nothing-0009")
            for one in (page, other, gone):
                one.close()


def test_the_plots_follow_a_change_of_the_scheme(base: str, open_page: Open) -> None:
    page = open_page(base, color_scheme="light", may_fail=("willReadFrequently",))
    ready(page)
    page.wait_for_timeout(500)
    assert ink(page, "load-1", "--volt") > 50
    page.emulate_media(color_scheme="dark")
    page.wait_for_timeout(600)
    assert ink(page, "load-1", "--volt") > 50, "in the colour of the other scheme"


def test_plots_are_drawn_less_often_where_motion_is_not_wanted(base: str, open_page: Open) -> None:
    page = open_page(base, reduced_motion="reduce")
    ready(page)
    counted = """() => new Promise((done) => {
      let draws = 0;
      const clear = CanvasRenderingContext2D.prototype.clearRect;
      CanvasRenderingContext2D.prototype.clearRect = function (...box) {
        if (this.canvas === document.querySelector('[data-plots-of="load-1"] canvas')) draws += 1;
        return clear.apply(this, box);
      };
      setTimeout(() => done(draws), 2500);
    })"""
    assert page.evaluate(counted) <= 4
