"""The browser of the bench: real Chromium, headless.

python -m tests.bench.page_child ADDRESS COUNT      opens COUNT pages; a line "drawn" on its input asks for the stamps since the last
python -m tests.bench.page_child paint ADDRESS      a fresh browser: first paint and bytes loaded, as JSON
"""

from __future__ import annotations

import json
import os
import shutil
import sys

from playwright.sync_api import Page, sync_playwright

from tests.browser.conftest import OPTIONS

# The stamp is taken when the frame after the change has been handed to the screen.
STAMPS = """
window.stamps = new Map();
new MutationObserver((changes) => {
  const fresh = changes.map(({ target }) => [target.getAttribute('aria-labelledby'), Date.parse(target.dataset.drawn) / 1000]);
  requestAnimationFrame(() => setTimeout(() => {
    for (const [name, t] of fresh) {
      if (!window.stamps.has(name)) window.stamps.set(name, []);
      window.stamps.get(name).push(t, (performance.timeOrigin + performance.now()) / 1000);
    }
  }));
}).observe(document, { subtree: true, attributes: true, attributeFilter: ['data-drawn'] });
"""
TAKE = "() => { const all = [...window.stamps.values()]; window.stamps.clear(); return all; }"
PAINT = """() => ({
  paint_ms: performance.getEntriesByName('first-contentful-paint')[0].startTime,
  bytes: [...performance.getEntriesByType('navigation'), ...performance.getEntriesByType('resource')]
    .filter((one) => !one.name.includes('/api/')).reduce((sum, one) => sum + one.transferSize, 0),
})"""


def program() -> str:
    """Where Chromium is."""
    return os.environ.get("LOADLOG_CHROMIUM") or shutil.which("chromium") or sys.exit("no Chromium: apt-get install chromium")


def follow(address: str, count: int) -> None:
    """Pages that stay open until the input says "end"."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program(), args=OPTIONS)
        pages: list[Page] = []
        for _ in range(count):
            page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
            page.add_init_script(STAMPS)
            page.goto(address)
            page.locator(".strips").first.scroll_into_view_if_needed()
            page.locator("canvas").first.wait_for(timeout=60_000)
            pages.append(page)
        print("{}", flush=True)
        for line in sys.stdin:
            if line.strip() == "end":
                break
            print(json.dumps({"drawn": [one for page in pages for one in page.evaluate(TAKE)]}), flush=True)
        browser.close()


def paint(address: str) -> None:
    """One visit by a browser that was never here."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program(), args=OPTIONS)
        page = browser.new_page()
        page.goto(address)
        page.locator("article.device").first.wait_for()
        print(json.dumps(page.evaluate(PAINT)))
        browser.close()


if __name__ == "__main__":
    paint(sys.argv[2]) if sys.argv[1] == "paint" else follow(sys.argv[1], int(sys.argv[2]))
