"""A page with plots over a rack of two loads, and how tests reach what is on them."""

from __future__ import annotations

import random
import re
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Locator, Page, Request, expect

from loadlog.model.clock import NS
from tests.serving import serving
from tests.unit.web.stand_in import StandIn, load, recording, thermometer

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
    """Where it is. A plot that new samples draw again is away for a moment."""
    for _ in range(50):
        expect(locator).to_be_visible()
        if (found := locator.bounding_box()) is not None:
            break
    assert found is not None
    return found["x"], found["y"], found["width"], found["height"]


def at(page: Page, share: float, name: str = "load-1") -> tuple[float, float]:
    """A place on the first plot, by share of its width."""
    x, y, width, height = box(over(page, name))
    return x + width * share, y + height / 2


def point_at(page: Page, share: float, shown: Locator, wanted: re.Pattern[str], name: str = "load-1") -> None:
    """Hold the cursor there until ``shown`` reads ``wanted``. A plot that is drawn anew loses the cursor until it moves."""
    for attempt in range(25):
        x, y = at(page, share, name)
        page.mouse.move(x + attempt % 2, y)
        if wanted.search(shown.inner_text().replace("\n", " ")):
            return
        page.wait_for_timeout(200)
    expect(shown).to_contain_text(wanted)


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
