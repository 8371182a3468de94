"""Text from outside in every place where it is shown: the live page, the report as HTML, the report as PDF. It must come out as text.

Names of devices, groups and runs are refused by the configuration when they hold markup; here they do all the same, because an archive
comes from another machine, and what refuses today may be mended away tomorrow.
"""

from __future__ import annotations

import dataclasses
import random
import re
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import httpx
import pytest
from playwright.sync_api import Page, expect

from loadlog.model.clock import NS
from loadlog.model.event import Severity
from loadlog.model.sample import FailureCause
from loadlog.review.html import html_report
from loadlog.review.pdf import pdf_report
from loadlog.review.postmortem import post_mortem
from loadlog.store import Archive
from tests.browser.conftest import Open, picture
from tests.serving import serving
from tests.unit.web.stand_in import StandIn, load, recording

pytestmark = [pytest.mark.browser, pytest.mark.server]
MARKUP = "<img src=x onerror=document.title='owned'>"
ESCAPES = "</script><script>document.title='owned'</script>\"'><svg onload=document.title='owned'>&lt;b&gt;"


@pytest.fixture
def hostile(tmp_path: Path) -> Iterator[StandIn]:
    """A bench on which everything that can be named is named to do harm, with a run that has ended and one that is on."""
    spec = dataclasses.replace(load(MARKUP, "supply", 24.0, markup=True), group=MARKUP, bus=MARKUP)
    noise = random.Random(1)
    with recording(tmp_path / "data", specs={MARKUP: spec}, name=MARKUP) as bench:
        run = bench.start_run("first", (MARKUP,), 0, keep=False)
        bench.journal.put_identity(MARKUP, {MARKUP: ESCAPES, "model": MARKUP}, time.time_ns())
        begin_ns = time.time_ns()
        for i in range(60):
            bench.load_sample(MARKUP, i / 10, noise, begin_ns - (60 - i) * NS // 10)
        bench.sample(MARKUP, {"voltage_v": 24.0}, {"mode": 3, "input_on": 1}, uncertain={"voltage_v": MARKUP})
        bench.failure(MARKUP, FailureCause.TIMEOUT, ESCAPES)
        bench.event(
            "supply_trip", MARKUP, Severity.ALARM, MARKUP + ESCAPES, confidence=0.5, alternatives={MARKUP: 0.5}, evidence={MARKUP: ESCAPES}
        )  # fmt: skip
        bench.event("limit", MARKUP, Severity.WARNING, ESCAPES, active=False, acknowledged=True, acknowledged_by=MARKUP, note=ESCAPES)
        bench.add_note(run.id, MARKUP, ESCAPES)
        bench.flush()
        bench.stop_run(run.id, MARKUP + ESCAPES)
        bench.start_run("second", (MARKUP,), 0, keep=False)
        bench.sample(MARKUP, {"voltage_v": 24.0}, {"mode": 3, "input_on": 1}, uncertain={"voltage_v": MARKUP})
        bench.flush()
        yield bench


def check_harmless(page: Page) -> None:
    """Nothing that was text has become an element, and nothing of it ran."""
    page.wait_for_timeout(300)
    assert page.locator("img, svg[onload], iframe, object").count() == 0
    assert (
        page.evaluate("[...document.querySelectorAll('*')].flatMap((e) => [...e.attributes]).filter((a) => a.name.startsWith('on')).length")
        == 0
    )
    assert "owned" not in page.title().replace(MARKUP, "").replace(ESCAPES, "")


def test_on_the_live_page(hostile: StandIn, tmp_path: Path, open_page: Open) -> None:
    with serving(tmp_path / "data", name=MARKUP) as base:
        page = open_page(base)
        expect(page.locator("#bench")).to_have_text(MARKUP)
        expect(page.locator("#active li")).to_contain_text(MARKUP + ESCAPES)
        expect(page.locator("#recent li").first).to_contain_text(ESCAPES)
        expect(page.locator("article.device")).to_contain_text(MARKUP)
        page.get_by_role("button", name="Acknowledge").first.click()
        expect(page.get_by_role("dialog")).to_contain_text(MARKUP + ESCAPES)
        picture(page, "markup-live")
        check_harmless(page)
        page.close()


@pytest.mark.parametrize(
    ("view", "shown"),
    [
        ("#events", (MARKUP + ESCAPES, ESCAPES)),
        ("#runs", (MARKUP + ESCAPES, "second-0002")),  # why the run ended
        ("#runs/first-0001", (f"{MARKUP}{ESCAPES}", "What happened first")),
        (f"#runs/{MARKUP}", (MARKUP,)),
        ("#logbook", (MARKUP, ESCAPES)),
        ("#service", ("rack",)),
    ],
)
def test_in_every_other_view(hostile: StandIn, tmp_path: Path, open_page: Open, view: str, shown: tuple[str, ...]) -> None:
    with serving(tmp_path / "data", name=MARKUP) as base:
        page = open_page(f"{base}/{quote(view, safe='#/')}", may_fail=("404",))
        sections = page.locator("main > [data-view]:visible")
        for text in shown:
            expect(sections.filter(has_text=text).first).to_be_visible(timeout=30_000)
        picture(page, f"markup-{re.sub('[^a-z0-9]+', '-', view)}")
        check_harmless(page)
        page.close()


def test_in_the_report_as_html(hostile: StandIn, tmp_path: Path, open_page: Open) -> None:
    text = html_report(post_mortem(Archive(tmp_path / "data"), "first-0001"))
    path = tmp_path / "report.html"
    path.write_text(text, encoding="utf-8")
    page = open_page("about:blank")
    page.goto(path.as_uri())
    page.wait_for_selector(".uplot canvas")
    body = page.locator("body")
    for shown in (MARKUP + ESCAPES, f"reported: {MARKUP} {ESCAPES}, model {MARKUP}", f"{MARKUP}: {ESCAPES}", f"({MARKUP}{ESCAPES})"):
        expect(body).to_contain_text(shown)
    assert page.locator("script").count() == 2
    picture(page, "markup-report")
    check_harmless(page)


def test_a_report_runs_no_script_but_its_own(hostile: StandIn, tmp_path: Path, open_page: Open) -> None:
    """Its policy names its one script by its hash: markup that got in after all would be dead. Reports travel by mail."""
    text = html_report(post_mortem(Archive(tmp_path / "data"), "first-0001"))
    path = tmp_path / "report.html"
    path.write_text(text.replace("<main>", f"<main>{MARKUP}<script>document.title='owned'</script>"), encoding="utf-8")
    page = open_page("about:blank", may_fail=("Content Security Policy", "ERR_FILE_NOT_FOUND"))
    page.goto(path.as_uri())
    page.wait_for_selector(".uplot canvas")
    page.wait_for_timeout(300)
    assert page.title() == "Review of run first-0001"
    page.close()


def test_in_the_report_as_pdf(hostile: StandIn, tmp_path: Path) -> None:
    made = pdf_report(post_mortem(Archive(tmp_path / "data"), "first-0001"))
    assert made.startswith(b"%PDF-")
    assert made.rstrip().endswith(b"%%EOF")
    outside = re.sub(rb"\bstream\r?\n.*?\bendstream\b", b"", made, flags=re.DOTALL)  # in compressed data any letters may stand
    assert b"/Pages" in outside
    assert not re.search(rb"/(JavaScript|JS|Launch|URI|EmbeddedFile)\b", outside)


def test_in_the_report_that_the_page_hands_out(hostile: StandIn, tmp_path: Path) -> None:
    """As a download, and under the page's own policy should a browser show it after all: no script of it would run in the page's origin."""
    with serving(tmp_path / "data", name=MARKUP) as base, httpx.Client(base_url=base, timeout=60) as http:
        answer = http.get("/api/runs/first-0001/review.html", params={"wait_s": 30})
        assert answer.status_code == 200
        assert answer.headers["content-disposition"].startswith("attachment;")
        assert "script-src 'self';" in answer.headers["content-security-policy"]
        assert MARKUP not in answer.text
