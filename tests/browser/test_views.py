"""The views beside the plots as people meet them: overview, events, logbook, service and the page as a whole; by mouse, by
keyboard, and judged by axe-core in both themes and at both widths."""

from __future__ import annotations

import random
import re
import time
from pathlib import Path

import pytest
from playwright.sync_api import Route, expect

from loadlog.forwarder.facts import State, TargetFacts
from loadlog.model.clock import NS
from loadlog.model.event import Severity
from loadlog.notify.facts import AddressFacts
from loadlog.notify.facts import State as Notifying
from loadlog.web import Access
from tests.browser.conftest import Open, judged, no_wider_than_the_window, picture
from tests.browser.views_page import DESKTOP, PHONE, VIEWS, at_work, failed_run, view
from tests.serving import TOKEN, serving
from tests.unit.web.stand_in import MARKUP, StandIn

pytestmark = [pytest.mark.browser, pytest.mark.server]


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


PROSE = """async (texts) => { const { prose } = await import('/assets/format.js'); return texts.map(prose); }"""


def test_no_line_of_a_sentence_ends_between_a_number_and_its_unit(bench: StandIn, address: str, open_page: Open) -> None:
    page = open_page(address)
    said = {
        "reaches 85 °C in about 42 s (33 s to 62 s, 90 %)": "reaches 85_°C in about 42_s (33_s to 62_s, 90_%)",
        "stepped by -0.06064 V ± 0.00061 V, 4.995 A": "stepped by −0.06064_V ±_0.00061_V, 4.995_A",
        "55 A·h of 60 A·h after 12 h": "55_A·h of 60_A·h after 12_h",
        "8 more warnings; 4 Amperes; 3 polls at 2026-01-31 by load-1": "8 more warnings; 4 Amperes; 3 polls at 2026-01-31 by load-1",
    }
    assert page.evaluate(PROSE, list(said)) == [text.replace("_", "\u00a0") for text in said.values()]
    bench.load_sample("load-1", 0, random.Random(1))
    bench.event("limit", "load-1", Severity.ALARM, "voltage stepped by -0.5 V")
    bench.flush()
    expect(page.locator("#active .message")).to_have_text(re.compile("−0.5\u00a0V$"), timeout=15_000)
    expect(page.locator(".device", has_text="load-1").locator(".small > div", has_text="Mode").locator("dd").first).to_have_text("CC")
