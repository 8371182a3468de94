"""The committed dashboards drawn by Grafana's own published components in a real browser, with the answers of a real InfluxDB.

What this does not prove: Grafana itself was not run. Its panels ``xychart`` and ``state-timeline`` are not published, so of those only the
numbers behind them are checked, as are variables, annotations and alerts elsewhere. Pictures go to ``artefacts/``, to be looked at.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, TimeoutError

from tests.browser.conftest import ARTEFACTS
from tests.browser.conftest import chromium as chromium
from tests.databases import Influx1
from tests.integration.grafana.drawing import bundle
from tests.integration.grafana.grafana import expand
from tests.integration.grafana.test_queries import BOARDS, CHOSEN, WIDTH_S
from tests.integration.grafana.test_queries import influx as influx
from tests.integration.grafana.test_queries import world as world
from tests.integration.grafana.world import World

pytestmark = [pytest.mark.server, pytest.mark.timeout(600)]
NOT_PUBLISHED = ("xychart", "state-timeline")
UNITS = {"volt": "V", "amp": "A", "watt": "W", "celsius": "°C", "s": "s"}


@pytest.fixture(scope="module")
def drawing(chromium: Browser) -> Iterator[Page]:
    """A page with the components loaded; the test fails on any error of a script."""
    try:
        address = bundle()
    except FileNotFoundError as exc:
        pytest.fail(str(exc)) if os.environ.get("CI") else pytest.skip(str(exc))
    page = chromium.new_page(viewport={"width": 1220, "height": 900}, timezone_id="UTC", locale="en-GB")
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(f"script: {error}"))
    page.goto(address.as_uri())
    page.faults = faults  # type: ignore[attr-defined]
    yield page
    page.close()


def drawn(page: Page, influx: Influx1, world: World, name: str) -> tuple[dict[str, Any], dict[int, Any]]:
    """Draw a dashboard; returns its panels by title, and the answers by the panels' numbers."""
    board = BOARDS[name]
    answers: dict[int, dict[str, Any]] = {}
    for panel in board["panels"]:
        for target in panel.get("targets", ()):
            query = expand(target["query"], world.start_s, world.end_s, f"{WIDTH_S}s", CHOSEN[name])
            answers.setdefault(panel["id"], {})[target["refId"]] = influx.query(query, "bench")
    page.reload()
    page.evaluate(
        "([board, answers, from, to]) => window.drawDashboard(board, answers, from, to)",
        [board, answers, world.start_s * 1000, world.end_s * 1000],
    )
    panels = sum(panel["type"] == "timeseries" for panel in board["panels"])
    with contextlib.suppress(TimeoutError):  # a fault says more
        page.wait_for_function("n => document.querySelectorAll('section canvas').length >= n", arg=panels - 1)
    page.wait_for_timeout(1000)
    ARTEFACTS.mkdir(exist_ok=True)
    page.screenshot(path=ARTEFACTS / f"grafana-{name}.png", full_page=True)
    assert page.faults == []  # type: ignore[attr-defined]
    return {panel["title"]: panel for panel in board["panels"] if panel["type"] != "row"}, answers


def number(text: str) -> tuple[float, str, float]:
    """A value as Grafana writes it: in its base unit, that unit, and half of its last digit."""
    found = re.fullmatch(r"(-?[\d.]+)(?: ([mkµM]?)(V|A|W|s|°C|c/s))?", text)
    assert found, text
    digits, prefix, unit = found.groups()
    factor = {"m": 1e-3, "µ": 1e-6, "k": 1e3, "M": 1e6}.get(prefix or "", 1.0)
    decimals = len(digits.partition(".")[2])
    return float(digits) * factor, unit or "", 0.5 * 10.0**-decimals * factor


def drawn_lines(page: Page, title: str) -> int:
    """Pixels of the plot that are not background."""
    script = """section => { const canvas = section.querySelector('canvas');
      if (!canvas) return -1;
      const seen = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
      let n = 0; for (let i = 3; i < seen.length; i += 4) n += seen[i] > 0; return n; }"""
    found: int = page.locator(f'section[data-panel="{title}"]').first.evaluate(script)
    return found


def legend_rows(page: Page, title: str) -> dict[str, list[str]]:
    """Name of each series -> what its legend says: last, smallest, largest."""
    cells = page.locator(f'section[data-panel="{title}"] table tbody tr')
    return {row.locator("button").first.inner_text(): row.locator("td").all_inner_texts()[-3:] for row in cells.all()}


def _tag(tags: dict[str, str]) -> Callable[[re.Match[str]], str]:
    return lambda found: tags[found[1]]


def legend_names(panel: dict[str, Any], answer: list[dict[str, Any]]) -> dict[str, list[float]]:
    """Name of each series by its alias -> its values."""
    out: dict[str, list[float]] = {}
    alias = panel["targets"][0]["alias"]
    for one in answer:
        for place, column in enumerate(one["columns"][1:], 1):
            name = re.sub(r"\$tag_(\w+)", _tag(one.get("tags") or {}), alias).replace("$col", column).strip()
            out[name] = [row[place] for row in one["values"] if row[place] is not None]
    return out


@pytest.mark.parametrize("name", BOARDS)
def test_a_dashboard_is_drawn(drawing: Page, influx: Influx1, world: World, name: str) -> None:
    panels, answers = drawn(drawing, influx, world, name)
    for title, panel in panels.items():
        answer = next(iter(answers[panel["id"]].values()))
        section = drawing.locator(f'section[data-panel="{title}"]').first
        if not answer:
            assert title == "Thermometer"  # a load is chosen
            assert "No data" in section.inner_text()
        elif panel["type"] == "timeseries":
            assert drawn_lines(drawing, title) > 500, title
            expected, found = legend_names(panel, answer), legend_rows(drawing, title)
            assert set(found) == set(expected), title
            for series, texts in found.items():
                values = expected[series]
                for text, value in zip(texts, (values[-1], min(values), max(values)), strict=True):
                    shown, unit, half = number(text)
                    assert shown == pytest.approx(value, abs=1.01 * half), (title, series, text)
                    assert unit == UNITS.get(panel["fieldConfig"]["defaults"].get("unit", ""), unit), (title, text)
        elif panel["type"] not in NOT_PUBLISHED:
            text = section.inner_text()
            for tag, value in ((t, v) for one in answer for t, v in (one.get("tags") or {}).items()):
                assert value in text, (title, tag, value)


def test_values_are_written_as_finely_as_an_instrument_reads_them(drawing: Page, influx: Influx1, world: World) -> None:
    """A millivolt of a volt is seen in the legend."""
    drawn(drawing, influx, world, "soak-run")
    (low, *_) = legend_rows(drawing, "Voltage")["mean"]
    assert number(low)[2] <= 0.0005


IN_VIEW = """section => { const right = section.getBoundingClientRect().right;
  return [...section.querySelectorAll('[role=columnheader]')].filter(head => head.getBoundingClientRect().right <= right
    && [...head.querySelectorAll('*')].every(part => part.scrollWidth <= part.clientWidth + 1 || !part.clientWidth))
    .map(head => head.innerText.trim()); }"""
SEEN = {
    ("overview", "Last heartbeat"): ["heartbeat", "bench", "polls"],
    ("overview", "Active events"): ["Time", "bench", "device", "kind", "severity", "text", "acknowledged"],
    ("overview", "Last readings"): ["bench", "device", "voltage_v", "current_a", "power_w", "temperature_c", "quality"],
    ("overview", "Last temperatures"): ["bench", "device", "cold_junction_c", *(f"temperature_{n}_c" for n in range(1, 5))],
    ("post-mortem", "Events"): ["Time", "bench", "device", "kind", "severity", "state", "confidence", "id"],
    ("service-health", "Last heartbeat"): ["heartbeat", "bench", "bus", "lateness_s", "polls", "timeouts", "crc_errors", "backlog"],
    ("service-health", "Events of the service"): ["Time", "bench", "device", "kind", "severity", "state", "text"],
}


@pytest.mark.parametrize("name", dict.fromkeys(board for board, _ in SEEN))
def test_columns_that_matter_are_in_view_whole(drawing: Page, influx: Influx1, world: World, name: str) -> None:
    """Without scrolling, in a window of 1,200 px; what is left over may lie beyond."""
    drawn(drawing, influx, world, name)
    for (board, title), wanted in SEEN.items():
        if board == name:
            found = drawing.locator(f'section[data-panel="{title}"]').first.evaluate(IN_VIEW)
            assert found[: len(wanted)] == wanted, title
