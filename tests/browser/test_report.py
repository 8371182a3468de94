"""The report as a file in a browser: no network, no error, curves that zoom, pan and say their values."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Page

from loadlog.review.html import html_report
from loadlog.review.postmortem import post_mortem
from loadlog.store import Archive
from tests.browser.conftest import ARTEFACTS, Open
from tests.unit.review.conftest import archive as archive


def opened(archive: Archive, tmp_path: Path, open_page: Open, width: int, **more: object) -> tuple[Page, list[str]]:
    path = tmp_path / "report.html"
    path.write_text(html_report(post_mortem(archive, "last")), encoding="utf-8")
    page = open_page("about:blank", width, **more)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    return page, asked


@pytest.mark.parametrize(("width", "scheme"), [(360, "dark"), (1280, "light")])
def test_it_opens_without_a_network_and_fits(archive: Archive, tmp_path: Path, open_page: Open, width: int, scheme: str) -> None:
    page, asked = opened(archive, tmp_path, open_page, width, color_scheme=scheme)
    page.wait_for_selector(".uplot canvas")
    assert all(url.startswith("file:") for url in asked), asked
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.inner_text(".verdict").startswith("Did not hold: first supply_trip on load-1")
    page.screenshot(path=ARTEFACTS / f"report-{width}-{scheme}.png", full_page=True)


def test_curves_zoom_pan_and_say_their_values_with_unit(archive: Archive, tmp_path: Path, open_page: Open) -> None:
    page, _ = opened(archive, tmp_path, open_page, 1280)
    plot = page.locator("[data-curves='overview:load-1'] .u-over").first
    plot.wait_for()
    labels = page.locator("[data-curves='overview:load-1'] figcaption").first
    box = plot.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 3, box["y"] + box["height"] / 2)
    page.wait_for_function("document.querySelector('.readout').textContent.includes(' V')")
    before = labels.inner_text()
    assert "UTC: 24.00" in before
    page.get_by_role("button", name="zoom in").first.click()
    page.get_by_role("button", name="later", exact=True).first.click()
    page.mouse.move(box["x"] + box["width"] / 3 + 1, box["y"] + box["height"] / 2)
    page.mouse.move(box["x"] + box["width"] / 3, box["y"] + box["height"] / 2)
    page.wait_for_function("(before) => document.querySelector('.readout').textContent !== before", arg=before.splitlines()[-1])
    page.get_by_role("button", name="whole span").first.click()


INK = """() => [...document.querySelectorAll("canvas")].map((canvas) => {
  const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
  const near = (i, colour) => colour.every((part, k) => Math.abs(data[i + k] - part) < 24);
  const found = { paper: 0, screen: 0, wide: canvas.getBoundingClientRect().width };
  for (let i = 0; i < data.length; i += 4) if (data[i + 3] > 200) {
    found.paper += near(i, [0x56, 0x63, 0x5f]); // the labels of the axes: dark on paper,
    found.screen += near(i, [0x9f, 0xad, 0xa7]); // light on a dark screen
  }
  return found;
})"""


def test_paper_shows_every_plot_in_dark_ink_before_anybody_scrolled(archive: Archive, tmp_path: Path, open_page: Open) -> None:
    """Chromium's own way to PDF; and what the plots look like at that moment."""
    page, _ = opened(archive, tmp_path, open_page, 1280, color_scheme="dark")
    page.wait_for_selector(".uplot canvas")
    roots = page.locator("[data-curves], [data-scatter]").count()
    assert page.locator(":is([data-curves], [data-scatter]):has(canvas)").count() < roots, "on the screen they are drawn when they are seen"
    page.evaluate("addEventListener('afterprint', () => { window.drawn = window.atPrint; })")
    page.evaluate(f"addEventListener('beforeprint', () => queueMicrotask(() => queueMicrotask(() => {{ window.atPrint = ({INK})(); }})))")
    made = page.pdf(format="A4", path=ARTEFACTS / "report-print.pdf")
    assert made.startswith(b"%PDF-")
    assert page.locator(":is([data-curves], [data-scatter]):not(:has(canvas)):not(:text('No samples'))").count() == 0
    found = page.evaluate("window.drawn")
    assert len(found) == page.locator("canvas").count()
    for plot in found:
        assert plot["paper"] > 20, plot
        assert plot["screen"] < plot["paper"] / 2, plot
        assert plot["wide"] <= 700, plot
