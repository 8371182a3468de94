"""The live page as people meet it: every state, phone and desktop, light and dark, keyboard, and text that must not become markup."""

from __future__ import annotations

import contextlib
import random
import re
import socket
import threading
import time
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from loadlog.model.event import Severity
from loadlog.model.sample import FailureCause
from tests.browser.conftest import Open, picture
from tests.browser.live_page import card, history
from tests.serving import serving
from tests.unit.web.stand_in import MARKUP, StandIn, load, recording

pytestmark = [pytest.mark.browser, pytest.mark.server]
LOST = ("ERR_CONNECTION_REFUSED", "ERR_INCOMPLETE_CHUNKED_ENCODING", "ERR_CONNECTION_RESET", "Failed to load resource")


class Relay:
    """Passes bytes between the browser and the page's port; while `flowing` is clear, nothing passes and nothing closes."""

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self.flowing = threading.Event()
        self.flowing.set()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]

    def __enter__(self) -> Relay:
        threading.Thread(target=self._accept, daemon=True).start()
        return self

    def __exit__(self, *_exc: object) -> None:
        self.flowing.set()
        self._listener.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                far = socket.create_connection(("127.0.0.1", self._to_port))
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=self._pass_on, args=(one, other), daemon=True).start()

    def _pass_on(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(65536):
                self.flowing.wait()
                other.sendall(data)
            other.shutdown(socket.SHUT_WR)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), [(1280, 2300), (360, 4800)])
def test_a_bench_at_work_is_shown_whole(
    bench: StandIn, address: str, open_page: Open, width: int, height: int, scheme: str
) -> None:  # fmt: skip
    bench.start_run("soak-24v", ("load-1", "case"), 43200, keep=False)
    history(bench)
    bench.event("sense_fallback", "load-1", Severity.ALARM, "voltage stepped by −60 mV, the current did not change", ago_s=80,
                confidence=0.98, alternatives={"supply_droop": 0.02})  # fmt: skip
    bench.event("limit", "load-2", Severity.WARNING, "temperature 60.3 °C is above high limit 60.0 °C", ago_s=30)
    bench.event("input_switched", "load-1", Severity.INFO, "input switched on by hand", active=False, ago_s=190)
    page = open_page(address, width, height, color_scheme=scheme)
    first = card(page, "load-1")
    expect(first.locator(".reading", has_text="Voltage").locator(".value")).to_have_text(re.compile(r"^2\d\.\d{3}$"))
    expect(first.locator("canvas")).to_have_count(3)
    expect(card(page, "case").locator("canvas")).to_have_count(1)
    page.wait_for_timeout(800)
    assert page.evaluate("document.documentElement.scrollWidth") <= width, "the page is wider than the window"
    picture(page, f"page-{width}-{scheme}")
    assert drawn(page, "load-1"), "the strips are blank"


def drawn(page: Page, name: str) -> bool:
    """Whether each strip of a device shows a curve: pixels of the panel's own colour in its canvas."""
    script = """(card) => [...card.querySelectorAll('.strip')].every((strip) => {
      const canvas = strip.querySelector('canvas');
      const [r, g, b] = getComputedStyle(strip.querySelector('.name')).color.match(/\\d+/g).map(Number);
      const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
      let hits = 0;
      for (let i = 0; i < data.length; i += 4) {
        const distance = Math.abs(data[i] - r) + Math.abs(data[i + 1] - g) + Math.abs(data[i + 2] - b);
        if (data[i + 3] > 200 && distance < 40) hits += 1;
      }
      return hits > 100;
    })"""
    return bool(card(page, name).evaluate(script))


def test_values_follow_the_recording_within_a_second(bench: StandIn, address: str, open_page: Open) -> None:
    history(bench, 10)
    page = open_page(address)
    value = card(page, "load-1").locator(".reading", has_text="Voltage").locator(".value")
    expect(value).to_have_text(re.compile("^2"))
    bench.sample("load-1", {"voltage_v": 12.345, "current_a": 1.5}, {"input_on": 1, "mode": 0, "sense_remote": 1})
    expect(value).to_have_text("12.345", timeout=1500)


def test_quality_is_said_by_word_and_mark(bench: StandIn, address: str, open_page: Open) -> None:
    bench.sample("load-1", {"voltage_v": 24.0, "current_a": 5.0, "power_w": 99.0, "temperature_c": 30.0},
                 {"input_on": 1, "mode": 1, "sense_remote": 0, "protection": 0b100000},
                 uncertain={"power_w": "power_mismatch", "temperature_c": "stale"}, bad=frozenset({"power_w"}))  # fmt: skip
    bench.flush()
    page = open_page(address)
    load_1 = card(page, "load-1")
    expect(load_1.locator(".reading", has_text="Voltage").locator(".quality")).to_have_text("✓ good")
    expect(load_1.locator(".reading", has_text="Power").locator(".quality")).to_have_text("✕ bad: power mismatch")
    expect(load_1.locator(".reading", has_text="Temperature").locator(".quality")).to_have_text("~ uncertain: stale")
    expect(load_1.locator(".small")).to_contain_text("local, wired remote")
    expect(load_1.locator(".small")).to_contain_text("over_temperature")


def test_no_data_yet(address: str, open_page: Open) -> None:
    page = open_page(address)
    expect(card(page, "load-1").locator(".chip")).to_contain_text("no data yet")
    expect(page.locator("#active")).to_contain_text("Nothing active.")
    expect(page.get_by_text("not a safety device")).to_be_visible()
    picture(page, "state-no-data")


def test_a_silent_device_is_marked_while_the_others_go_on(bench: StandIn, address: str, open_page: Open) -> None:
    history(bench, 5)
    page = open_page(address)
    noise = random.Random(2)
    for i in range(25):
        bench.load_sample("load-1", i, noise)
        bench.failure("load-2", FailureCause.TIMEOUT, "no reply within 0.2 s")
        page.wait_for_timeout(150)
    expect(card(page, "load-2").locator(".chip")).to_contain_text("silent")
    expect(card(page, "load-2")).to_contain_text("no reply within 0.2 s")
    expect(card(page, "load-2").locator(".reading", has_text="Voltage").locator(".quality")).to_have_text("◌ old")
    expect(card(page, "load-1").locator(".reading", has_text="Voltage").locator(".quality")).to_have_text("✓ good")
    expect(card(page, "load-1").locator(".chip")).to_contain_text("measuring")
    picture(page, "state-silent")


def test_a_recorder_that_is_gone_is_said_and_comes_back(bench: StandIn, address: str, open_page: Open) -> None:
    history(bench, 5)
    page = open_page(address)
    expect(page.locator("#link")).to_contain_text("Live")
    bench._server.stop()
    expect(page.locator("#banners")).to_contain_text("The recorder does not answer", timeout=5000)
    picture(page, "state-recorder-gone")
    bench._server.start()
    expect(page.locator("#banners")).to_be_empty(timeout=5000)


def test_a_service_that_is_gone_is_said_within_five_seconds_and_comes_back_by_itself(
    bench: StandIn, tmp_path: Path, open_page: Open
) -> None:  # fmt: skip
    history(bench, 5)
    with serving(tmp_path / "data") as base:
        page = open_page(base, may_fail=LOST)
        expect(page.locator("#link")).to_contain_text("Live")
        port = int(base.rpartition(":")[2])
    expect(page.locator("#link")).to_contain_text("No connection", timeout=5000)
    expect(page.locator("#banners")).to_contain_text("The values below are old")
    picture(page, "state-service-gone")
    with serving(tmp_path / "data", port=port):
        expect(page.locator("#link")).to_contain_text("Live", timeout=10_000)
        bench.sample("load-1", {"voltage_v": 11.111})
        expect(card(page, "load-1").locator(".reading", has_text="Voltage").locator(".value")).to_have_text("11.111")
        expect(page.locator("#banners")).to_be_empty()


def test_a_service_that_hangs_is_noticed_too(bench: StandIn, address: str, open_page: Open) -> None:
    """The connection stays open, but nothing comes over it any more."""
    history(bench, 5)
    with Relay(int(address.rpartition(":")[2])) as relay:
        page = open_page(f"http://127.0.0.1:{relay.port}", may_fail=LOST)
        expect(page.locator("#link")).to_contain_text("Live")
        expect(page.locator("#active")).to_have_text("Nothing active.")
        relay.flowing.clear()
        expect(page.locator("#link")).to_contain_text("No connection", timeout=5000)
        expect(page.locator("#active")).to_have_text("Not known: nobody is watching the bench.")
        relay.flowing.set()
        expect(page.locator("#link")).to_contain_text("Live", timeout=15_000)
        expect(page.locator("#active")).to_have_text("Nothing active.")


def test_an_alarm_arrives_is_announced_and_acknowledged_by_keyboard(bench: StandIn, address: str, open_page: Open) -> None:
    history(bench, 5)
    page = open_page(address)
    expect(page.locator("#link")).to_contain_text("Live")
    expect(page.locator("#active")).to_contain_text("Nothing active.")
    event = bench.event("load_trip", "load-1", Severity.ALARM, "current fell to 0 A while the voltage rose", confidence=0.9,
                        alternatives={"open_circuit": 0.1})  # fmt: skip
    item = page.locator("#active li")
    expect(item).to_contain_text("Alarm")
    expect(item).to_contain_text("load trip")
    expect(item).to_contain_text("probability 0.90, else open circuit 0.10")
    expect(page.locator("#announce-alarm")).to_contain_text("load trip")
    expect(page).to_have_title(re.compile("^▲1 "))
    page.get_by_role("button", name="Acknowledge load trip").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("dialog", name="Acknowledge")).to_be_visible()
    page.get_by_role("textbox", name="Your name").fill("Ida")
    page.get_by_role("textbox", name="Note", exact=True).fill(MARKUP)
    picture(page, "dialog-acknowledge")
    page.get_by_role("button", name="Acknowledge", exact=True).press("Enter")
    expect(item).to_contain_text(re.compile(r"Acknowledged by Ida at \d\d:\d\d:\d\d: "))
    assert bench.events[event.id].note == MARKUP
    bench.clear(event)
    expect(page.locator("#active")).to_contain_text("Nothing active.")
    expect(page.locator("#recent li").first).to_contain_text("cleared")
    assert page.title() != "owned"


def test_text_from_outside_stays_text(tmp_path: Path, open_page: Open) -> None:
    """Names of enumerations, profiles, messages, notes and run names come from instruments and people."""
    specs = {"load-1": load("load-1", MARKUP, 24.0, markup=True)}
    with recording(tmp_path / "data", specs=specs) as bench, serving(tmp_path / "data", name=MARKUP) as base:
        bench.sample("load-1", {"voltage_v": 24.0}, {"mode": 3, "input_on": 1}, uncertain={"voltage_v": MARKUP})
        bench.failure("load-1", detail=MARKUP)
        bench.event("load_trip", "load-1", Severity.ALARM, MARKUP, alternatives={MARKUP: 0.5}, confidence=0.5)
        bench.event("limit", None, Severity.WARNING, MARKUP, active=False, acknowledged=True, acknowledged_by=MARKUP, note=MARKUP)
        bench.flush()
        page = open_page(base)
        expect(page.locator("#bench")).to_have_text(MARKUP)
        expect(page.locator("#active li")).to_contain_text(MARKUP)
        expect(page.locator("#recent li")).to_contain_text(MARKUP)
        expect(card(page, "load-1")).to_contain_text(MARKUP)
        page.wait_for_timeout(500)
        assert page.locator("img, script:not([src])").count() == 0
        assert page.title() != "owned"
        page.close()


def test_times_in_the_readers_zone_and_in_utc_on_demand(bench: StandIn, address: str, open_page: Open) -> None:
    history(bench, 5)
    bench.event("limit", "load-1", Severity.WARNING, "x", ago_s=10)
    page = open_page(address)
    expect(page.locator("#active .times")).to_contain_text(time.strftime("%H:", time.gmtime(time.time() - 10 + page_offset_s(page))))
    button = page.get_by_role("button", name="UTC")
    button.press("Space")
    expect(button).to_have_attribute("aria-pressed", "true")
    expect(page.locator("#clock")).to_contain_text("UTC")
    expect(page.locator("#active .times")).to_contain_text(time.strftime("%H:", time.gmtime(time.time() - 10)))


def page_offset_s(page: Page) -> int:
    """The page's zone against UTC, s."""
    return int(page.evaluate("-new Date().getTimezoneOffset() * 60"))


def test_spans_are_chosen_by_keyboard_and_kept(bench: StandIn, address: str, open_page: Open) -> None:
    bench.start_run("soak", ("load-1",), 0, keep=False)
    history(bench, 100)
    page = open_page(address)
    expect(card(page, "load-1").locator("canvas")).to_have_count(3)
    page.get_by_role("radio", name="5 min", exact=True).focus()
    with page.expect_response(lambda answer: "/api/samples" in answer.url) as got:
        page.keyboard.press("ArrowRight")
    assert got.value.status == 200
    expect(page.get_by_role("radio", name="15 min", exact=True)).to_be_checked()
    page.reload()
    expect(page.get_by_role("radio", name="15 min", exact=True)).to_be_checked()
    page.get_by_label("Whole run").select_option("soak-0001")
    noise = random.Random(3)
    for i in range(20):
        bench.load_sample("load-1", i, noise)
        page.wait_for_timeout(100)
    expect(card(page, "load-1").locator("canvas")).to_have_count(3)
    page.wait_for_timeout(1200)
    assert drawn(page, "load-1")


GAP = """async () => {
  const { Trace } = await import('/assets/trace.js');
  const trace = new Trace(['v'], 1);
  const answer = { bucket_s: 0, until_s: 13, count: [1, 1, 1, 1], t_s: [1, 2, 3, 13], channels: { v: { mean: [5, 6, 7, 8] } } };
  trace.fill(answer, [[13, { v: 99 }], [14, { v: 9 }]]);
  trace.add(12, { v: 1 });
  trace.add(60, { v: 10 });
  return { t: trace.t, mean: trace.mean.v };
}"""
REDUCED = """async () => {
  const { Trace } = await import('/assets/trace.js');
  const trace = new Trace(['v'], 1);
  const column = { mean: [5, 6], min: [4, 5], max: [6, 7] };
  trace.fill({ bucket_s: 10, until_s: 19, count: [2, 3], t_s: [5, 15], channels: { v: column } }, [[18, { v: 99 }], [19.5, { v: 10 }]]);
  trace.add(21, { v: 3 });
  trace.add(22, { v: 5 });
  return { t: trace.t, mean: trace.mean.v, min: trace.min.v, max: trace.max.v };
}"""
BOUNDED = """async () => {
  const { Trace } = await import('/assets/trace.js');
  const trace = new Trace(['v'], 1);
  for (let i = 0; i < 9000; i += 1) trace.add(i, { v: i });
  return trace.t.length;
}"""


def test_a_trace_keeps_extremes_stays_bounded_and_bridges_no_gap(address: str, open_page: Open) -> None:
    page = open_page(address)
    got = page.evaluate(GAP)
    assert got["t"] == [1, 2, 3, 4.75, 13, 14, 15.75, 60]
    assert got["mean"] == [5, 6, 7, None, 8, 9, None, 10]
    got = page.evaluate(REDUCED)
    assert got == {"t": [5, 15, 25], "mean": [5, 7, 4], "min": [4, 5, 3], "max": [6, 10, 5]}
    assert page.evaluate(BOUNDED) <= 2000


def test_cautions_fold_and_stay_folded(address: str, open_page: Open) -> None:
    page = open_page(address)
    expect(page.get_by_text("Hot surfaces.")).to_be_visible()
    page.locator("#cautions summary").press("Enter")
    expect(page.get_by_text("Hot surfaces.")).to_be_hidden()
    page.wait_for_timeout(300)  # the browser tells of the fold in a task of its own
    page.reload()
    expect(page.locator("#cautions summary")).to_be_visible()
    expect(page.get_by_text("Hot surfaces.")).to_be_hidden()


def test_reduced_motion_is_respected(bench: StandIn, address: str, open_page: Open) -> None:
    history(bench, 5)
    bench.event("limit", "load-1", Severity.WARNING, "x")
    bench.flush()
    page = open_page(address, reduced_motion="reduce")
    expect(page.locator("#active li")).to_contain_text("limit")
    assert page.evaluate("document.getAnimations().length") == 0


def test_a_plot_below_the_fold_says_nothing_untrue(bench: StandIn, address: str, open_page: Open) -> None:
    """It is drawn only when it comes into view; until then it must not say that there are no samples."""
    history(bench)
    page = open_page(address, width=1280, height=300)
    expect(card(page, "case").locator(".value").first).to_contain_text("31.2")
    last = card(page, "case").locator(".strips")
    page.wait_for_timeout(500)
    expect(last.locator(".empty")).not_to_contain_text("No samples")
    last.scroll_into_view_if_needed()
    expect(last.locator("canvas").first).to_be_visible()
