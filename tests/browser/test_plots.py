"""The plots under people's hands: mouse, wheel, touch, keys; from a month to a minute; devices and groups; events; links."""

from __future__ import annotations

import random
import re
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from urllib.parse import parse_qs, unquote, urlsplit

import pytest
from playwright.sync_api import Locator, Page, Request, Route, expect

from loadlog.model.clock import NS
from loadlog.model.event import Severity
from loadlog.model.quantity import Accuracy, standard_uncertainty
from tests.browser.conftest import Open, picture
from tests.serving import serving
from tests.unit.web.stand_in import StandIn, load, recording, thermometer

pytestmark = [pytest.mark.browser, pytest.mark.server]
DAY_S = 86400.0
SPECS = {spec.name: spec for spec in (load("load-1", "rack-a", 24.0), load("load-2", "rack-a", 24.0), thermometer("case"))}
MOST_POINTS = 2000


@pytest.fixture
def rack(tmp_path: Path) -> Iterator[StandIn]:
    """Two loads of one group and a thermometer: some minutes at 2 Hz, with a hole from 100 s to 70 s ago and doubtful samples."""
    with recording(tmp_path / "data", specs=SPECS) as bench:
        bench.start_run("soak", ("load-1", "load-2"), 7200, keep=False)
        noise = random.Random(1)
        begin_ns = time.time_ns() - 240 * NS
        for i in range(480):
            t_ns = begin_ns + i * NS // 2
            if 70 < 240 - i / 2 < 100:
                continue
            for device in ("load-1", "load-2"):
                bench.load_sample(device, i / 2, noise, t_ns)
            if i % 2 == 0:
                bench.sample("case", {"contact_c": 31.2, "case_c": 27.4, "ambient_c": 22.5}, t_utc_ns=t_ns)
        bench.flush()
        yield bench


@pytest.fixture
def base(rack: StandIn, tmp_path: Path) -> Iterator[str]:
    with serving(tmp_path / "data") as address:
        yield address


def plots(page: Page, name: str = "load-1") -> Locator:
    return page.locator(f'[data-plots-of="{name}"]')


def over(page: Page, name: str = "load-1", panel: int = 0) -> Locator:
    return plots(page, name).locator(".u-over").nth(panel)


def view(page: Page) -> tuple[float, float]:
    """What the plots show, seconds since the epoch."""
    begin, end = page.evaluate("import('/assets/view.js').then(({ view }) => view.range())")
    return float(begin), float(end)


def length(page: Page) -> float:
    begin, end = view(page)
    return end - begin


def following(page: Page) -> bool:
    return bool(page.evaluate("import('/assets/view.js').then(({ view }) => view.following)"))


def ready(page: Page, name: str = "load-1") -> None:
    expect(over(page, name)).to_be_visible()
    page.wait_for_timeout(300)


def box(locator: Locator) -> tuple[float, float, float, float]:
    found = locator.bounding_box()
    assert found is not None
    return found["x"], found["y"], found["width"], found["height"]


def at(page: Page, share: float, name: str = "load-1") -> tuple[float, float]:
    """A place on the first plot, by share of its width."""
    x, y, width, height = box(over(page, name))
    return x + width * share, y + height / 2


def drag(page: Page, begin: float, end: float) -> None:
    page.mouse.move(*at(page, begin))
    page.mouse.down()
    page.mouse.move(*at(page, (begin + end) / 2))
    page.mouse.move(*at(page, end))
    page.mouse.up()


def asked(request: Request) -> dict[str, list[str]]:
    return parse_qs(urlsplit(request.url).query)


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


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


# -- values, quality, events


def test_the_cursor_reads_value_unit_and_uncertainty(base: str, open_page: Open) -> None:
    page = open_page(base)
    ready(page)
    page.mouse.move(*at(page, 0.4))
    value = plots(page).locator("figure").first.locator(".key .value")
    expect(value).to_have_text(re.compile(r"^2\d\.\d{3} ± 0\.\d{3} V"))
    found = re.match(r"([\d.]+) ± ([\d.]+) V", value.inner_text())
    assert found
    # the other side of the computation: validation's own standard uncertainty, doubled
    expected = 2 * standard_uncertainty(float(found[1]), Accuracy(0.05, 0.01), 0.001)
    assert float(found[2]) == pytest.approx(expected, abs=0.0006)
    page.mouse.move(*at(page, (300 - 85) / 300))  # in the hole
    expect(value).to_have_text("–")


def test_keys_read_values_and_say_them(base: str, open_page: Open) -> None:
    page = open_page(base)
    ready(page)
    plots(page).focus()
    page.keyboard.press("Shift+ArrowLeft")
    said = plots(page).get_by_role("status")
    expect(said).to_contain_text(re.compile(r"Voltage 2\d\.\d{3} ± 0\.\d{3} V.*Current 5\.\d+ ±.*A.*Temperature .*°C"))
    first = said.inner_text()
    for _ in range(5):
        page.keyboard.press("Shift+ArrowLeft")
    expect(said).not_to_have_text(first)
    assert following(page)


def test_doubtful_samples_are_marked_and_said(rack: StandIn, base: str, open_page: Open) -> None:
    values: dict[str, float | None] = {"voltage_v": 23.9, "current_a": 5.0}
    for _ in range(12):
        rack.sample("load-1", values, {"input_on": 1}, uncertain={"voltage_v": "stale"}, bad=frozenset({"current_a"}))
        time.sleep(0.1)
    rack.flush()
    page = open_page(f"{base}/#plot=last-60")
    ready(page)
    plots(page).focus()
    page.keyboard.press("Shift+ArrowLeft")
    said = plots(page).get_by_role("status")
    expect(said).to_contain_text("V ~ uncertain")
    expect(said).to_contain_text("A ✕ bad")
    picture(page, "plots-doubtful")


def test_an_event_leads_from_the_plot_to_the_list_and_back(rack: StandIn, base: str, open_page: Open) -> None:
    rack.event("sense_fallback", "load-1", Severity.ALARM, "voltage stepped by −60 mV", ago_s=150)
    rack.event("limit", "load-2", Severity.WARNING, "too warm", active=False, ago_s=40)
    page = open_page(base)
    ready(page)
    flag = plots(page).locator(".flag").first
    expect(flag).to_have_text("▲1")
    expect(plots(page).locator(".flag", has_text="◆2")).to_have_count(0)
    x = box(flag)[0] - box(over(page))[0]
    assert x / box(over(page))[2] == pytest.approx(0.5, abs=0.04), "the mark stands at its instant"
    flag.click()
    assert page.evaluate("document.activeElement.dataset.id") == "1"
    page.get_by_role("button", name="Show limit number 2 on the plot").click()
    begin, end = view(page)
    assert begin < time.time() - 44 < time.time() - 36 < end
    assert page.evaluate("document.activeElement.dataset.plotsOf") == "load-2"
    expect(plots(page, "load-2").locator(".flag", has_text="◆2").first).to_be_visible()


def test_keys_go_from_event_to_event(rack: StandIn, base: str, open_page: Open) -> None:
    for ago_s in (200, 120, 20):
        rack.event("limit", "load-1", Severity.WARNING, f"{ago_s} s ago", active=False, ago_s=ago_s)
    page = open_page(f"{base}/#plot=last-60")
    ready(page)
    plots(page).focus()
    said = plots(page).get_by_role("status")
    for ago_s in (20, 120, 200):
        page.keyboard.press("p")
        expect(said).to_contain_text(f"{ago_s} s ago")
        assert sum(view(page)) / 2 == pytest.approx(time.time() - ago_s, abs=12)
    page.keyboard.press("p")
    expect(said).to_contain_text("No further event.")
    page.keyboard.press("n")
    expect(said).to_contain_text("120 s ago")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.dataset.id") == "2"


def test_events_that_the_list_does_not_hold_are_on_the_plot_of_their_time(rack: StandIn, base: str, open_page: Open) -> None:
    rack.event("limit", "load-1", Severity.WARNING, "long ago", active=False, ago_s=4000)
    for i in range(230):
        rack.event("limit", "load-2", Severity.INFO, "another", active=False, ago_s=230 - i)
    rack.flush()
    rack.load_sample("load-1", 1, random.Random(1), time.time_ns() - 4001 * NS)
    rack.load_sample("load-1", 1, random.Random(1), time.time_ns() - 3999 * NS)
    rack.flush()
    page = open_page(base)
    ready(page)
    page.evaluate(f"import('/assets/view.js').then(({{ view }}) => view.show({time.time() - 4100}, {time.time() - 3900}))")
    expect(plots(page).locator(".flag").first).to_have_text("◆1")


# -- groups


def ink(page: Page, name: str, colour: str) -> int:
    """How many pixels of the first chart have the colour of a variable of the style."""
    script = """([name, colour]) => {
      const canvas = document.querySelector(`[data-plots-of="${name}"] canvas`);
      const hex = getComputedStyle(document.documentElement).getPropertyValue(colour).trim();
      const rgb = [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));
      const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
      let hits = 0;
      for (let i = 0; i < data.length; i += 4)
        if (data[i + 3] > 200 && rgb.every((value, k) => Math.abs(value - data[i + k]) < 14)) hits += 1;
      return hits;
    }"""
    return int(page.evaluate(script, [name, colour]))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(1280, 2400), (360, 4600)])
def test_a_group_lays_one_quantity_of_its_devices_over_each_other(
    rack: StandIn, base: str, open_page: Open, width: int, height: int, scheme: str
) -> None:
    rack.event("sense_fallback", "load-1", Severity.ALARM, "voltage stepped by −60 mV", ago_s=150)
    page = open_page(base, width, height, color_scheme=scheme, may_fail=("willReadFrequently",))
    name = "group rack-a"
    ready(page, name)
    keys = plots(page, name).locator("button.key")
    expect(keys).to_have_count(2)
    expect(keys.nth(0)).to_contain_text("load-1")
    dashes = keys.locator("line").evaluate_all("(lines) => lines.map((line) => line.getAttribute('stroke-dasharray'))")
    assert len(set(dashes)) == 2, "lines are told apart by dash as well as by colour"
    with page.expect_request(lambda r: "/api/samples" in r.url and "channel=power_w" in r.url):
        page.get_by_label("Quantity of group rack-a").select_option("Current")
        page.get_by_label("Quantity of group rack-a").select_option("Power")
    expect(plots(page, name).locator("figcaption")).to_contain_text("Power, W")
    expect(plots(page, name).locator(".flag")).to_have_text("▲1")
    page.mouse.move(*at(page, 0.4, name))
    expect(keys.nth(1)).to_contain_text(re.compile(r"load-2 2\d\d\.\d\d ± 0\.\d\d W"))
    page.wait_for_timeout(700)
    assert ink(page, name, "--line-0") > 50
    assert ink(page, name, "--line-1") > 50
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    picture(page, f"plots-group-{width}-{scheme}")
    keys.nth(1).click()
    page.mouse.move(2, 2)
    page.wait_for_timeout(700)
    expect(keys.nth(1)).to_have_attribute("aria-pressed", "false")
    assert ink(page, name, "--line-1") < 20
    assert ink(page, name, "--line-0") > 50


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
