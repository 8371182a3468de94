"""What the plots say: values with uncertainty, quality, events, groups."""

from __future__ import annotations

import random
import re
import time

import pytest
from playwright.sync_api import expect

from loadlog.model.clock import NS
from loadlog.model.event import Severity
from loadlog.model.quantity import Accuracy, standard_uncertainty
from tests.browser.conftest import Open, picture
from tests.browser.plots_page import at, box, following, ink, over, plots, point_at, ready, view
from tests.browser.plots_page import base as base  # fixtures
from tests.browser.plots_page import rack as rack
from tests.unit.web.stand_in import StandIn

pytestmark = [pytest.mark.browser, pytest.mark.server]


# -- values, quality, events


def test_the_cursor_reads_value_unit_and_uncertainty(base: str, open_page: Open) -> None:
    page = open_page(base)
    ready(page)
    value = plots(page).locator("figure").first.locator(".key .value")
    point_at(page, 0.4, value, re.compile(r"^2\d\.\d{3} ± 0\.\d{3} V"))
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
    point_at(page, 0.4, keys.nth(1), re.compile(r"load-2\s+2\d\d\.\d\d ± 0\.\d\d W"), name)
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
