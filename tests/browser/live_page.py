"""What the tests of the live page look at: some minutes of a bench, and the card of a device."""

from __future__ import annotations

import random
import time

from playwright.sync_api import Locator, Page

from loadlog.model.clock import NS
from tests.unit.web.stand_in import StandIn


def history(bench: StandIn, seconds: int = 200) -> None:
    """Some minutes of two loads and a thermometer."""
    noise = random.Random(1)
    begin_ns = time.time_ns() - seconds * NS
    for i in range(seconds * 2):
        t_ns = begin_ns + i * NS // 2
        droop_v = 0.06 if 120 < i / 2 < 160 else 0.0
        bench.load_sample("load-1", i / 2 + 100, noise, t_ns, droop_v)
        bench.load_sample("load-2", i / 2 + 100, noise, t_ns)
        if i % 4 == 0:
            bench.sample("case", {"contact_c": 31.2, "case_c": 27.4, "ambient_c": 22.5}, t_utc_ns=t_ns)
    bench.flush()


def card(page: Page, name: str) -> Locator:
    return page.locator("article.device", has=page.get_by_role("heading", name=name, exact=True))
