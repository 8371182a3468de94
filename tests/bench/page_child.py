"""The browser of the bench: real Chromium, headless.

python -m tests.bench.page_child ADDRESS COUNT          COUNT pages, as its input says
python -m tests.bench.page_child listen ADDRESS COUNT   no browser: takes as many streams as pages do, and draws nothing
python -m tests.bench.page_child paint ADDRESS          a fresh browser: first paint and bytes loaded, as JSON

Lines of the input, each answered by one of JSON: "open", "shut" (all pages), "drawn" (the stamps since they were opened), "end".
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import shutil
import socket
import sys
import threading
from collections.abc import Callable

from playwright.sync_api import sync_playwright

from tests.browser.conftest import OPTIONS

PR_CAPBSET_DROP, CAP_SYS_NICE = 24, 23  # linux/prctl.h, linux/capability.h

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


def stay_nice() -> None:
    """No program that is started after this puts itself before others. Chromium asks for more than the usual priority for the threads that
    draw (-8), and gets it where root runs it, as in CI; nobody's desktop does."""
    ctypes.CDLL(None).prctl(PR_CAPBSET_DROP, CAP_SYS_NICE, 0, 0, 0)  # refused to others than root, who have no such capability either


def obey(orders: dict[str, Callable[[], object]]) -> None:
    """Lines of the input until "end"."""
    print("{}", flush=True)
    for line in sys.stdin:
        if line.strip() == "end":
            return
        print(json.dumps({"drawn": orders[line.strip()]() or []}), flush=True)


def follow(address: str, count: int) -> None:
    """Pages in windows of their own."""
    stay_nice()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program(), args=OPTIONS)
        pages = [browser.new_context(viewport={"width": 1280, "height": 900}).new_page() for _ in range(count)]
        for page in pages:
            page.add_init_script(STAMPS)

        def go() -> None:
            for page in pages:
                page.goto(address)
                page.locator(".strips").first.scroll_into_view_if_needed()
                page.locator("canvas").first.wait_for(timeout=60_000)

        def leave() -> None:
            for page in pages:
                page.goto("about:blank")

        obey({"open": go, "shut": leave, "drawn": lambda: [one for page in pages for one in page.evaluate(TAKE)]})
        browser.close()


def listen(address: str, count: int) -> None:
    """What pages that are drawn on another machine are to this one."""
    host, _, tcp_port = address.removeprefix("http://").partition(":")
    streams: list[socket.socket] = []

    def take(stream: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while stream.recv(65536):
                pass

    def go() -> None:
        for _ in range(count):
            stream = socket.create_connection((host, int(tcp_port)))
            stream.sendall(f"GET /api/stream HTTP/1.1\r\nHost: {host}:{tcp_port}\r\n\r\n".encode())
            threading.Thread(target=take, args=(stream,), daemon=True).start()
            streams.append(stream)

    def leave() -> None:
        for stream in streams:
            stream.shutdown(socket.SHUT_RDWR)
            stream.close()
        streams.clear()

    obey({"open": go, "shut": leave})


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
    if sys.argv[1] == "paint":
        paint(sys.argv[2])
    elif sys.argv[1] == "listen":
        listen(sys.argv[2], int(sys.argv[3]))
    else:
        follow(sys.argv[1], int(sys.argv[2]))
