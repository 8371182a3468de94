"""Headless Chromium in front of the real page over a real recording (`tests.unit.web.stand_in`).

Debian's package ``chromium``; elsewhere ``$LOADLOG_CHROMIUM`` names the program. Without one these tests are skipped; in CI (``CI`` set)
they fail. Pictures go to ``artefacts/`` (not kept in the repository), to be looked at.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from tests.unit.web.conftest import address as address  # a fixture here too: the page of `bench`
from tests.unit.web.conftest import bench as bench

ARTEFACTS = Path(__file__).parents[2] / "artefacts"
OPTIONS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update",
    "--disable-sync",
]  # fmt: skip
Open = Callable[..., Page]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One browser for a module. Not for the session: while it is open an event loop runs in this thread, which other tests start afresh."""
    program = os.environ.get("LOADLOG_CHROMIUM") or shutil.which("chromium")
    if not program:
        reason = "no Chromium: apt-get install chromium, or set LOADLOG_CHROMIUM"
        pytest.fail(reason) if os.environ.get("CI") else pytest.skip(reason)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=OPTIONS)
        yield browser
        browser.close()


@pytest.fixture
def open_page(chromium: Browser) -> Iterator[Open]:
    """Opens an address in a fresh context; the test fails on any error of a script, blocked content or failed file of the page."""
    faults: list[str] = []
    contexts = []

    def open_(address: str, width: int = 1280, height: int = 900, *, may_fail: tuple[str, ...] = (), **more: Any) -> Page:
        context = chromium.new_context(
            viewport={"width": width, "height": height}, locale="en-GB", timezone_id="Europe/Berlin", **more
        )  # fmt: skip
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(15_000)

        def note(text: str) -> None:
            if not any(part in text for part in may_fail):
                faults.append(text)

        page.on("pageerror", lambda error: note(f"script: {error}"))
        page.on("console", lambda message: note(f"console: {message.text}") if message.type in ("error", "warning") else None)
        page.goto(address)
        return page

    yield open_
    for context in contexts:
        context.close()
    assert faults == []


def picture(page: Page, name: str) -> None:
    """Keep what the page looks like."""
    ARTEFACTS.mkdir(exist_ok=True)
    page.screenshot(path=ARTEFACTS / f"{name}.png", full_page=True)


def no_wider_than_the_window(page: Page) -> None:
    """Nothing has to be scrolled sideways."""
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"], page.url  # type: ignore[index]


def judged(page: Page) -> list[str]:
    """Serious and critical findings of axe-core, as one line each; its script needs a context with `bypass_csp`."""
    found = Axe().run(page).response["violations"]
    return [
        f"{rule['id']} ({rule['impact']}): {node['target']} {node['failureSummary']}"
        for rule in found
        if rule["impact"] in ("serious", "critical")
        for node in rule["nodes"]
    ]
