"""The files of the page: complete, unchanged where foreign, free of inline code and of anything that parses text as markup."""

from __future__ import annotations

import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import httpx
import pytest

from loadlog.web.app import ASSETS

OWN_SCRIPTS = sorted(p for p in ASSETS.glob("*.js") if not p.name.startswith("uplot"))


def test_foreign_files_are_the_ones_written_down() -> None:
    rows = re.findall(r"^\| `([^`]+)` .*`([0-9a-f]{64})` \|$", (ASSETS / "VENDOR.md").read_text(), re.MULTILINE)
    assert {name for name, _ in rows} == {"uplot.min.js", "uplot.min.css"}
    for name, digest in rows:
        assert hashlib.sha256((ASSETS / name).read_bytes()).hexdigest() == digest


class Page(HTMLParser):
    """Collects what the page refers to and what a strict policy would block."""

    def __init__(self) -> None:
        super().__init__()
        self.files: list[str] = []
        self.inline: list[str] = []
        self._script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.inline += [f"{tag} {name}" for name in given if name.startswith("on") or name == "style"]
        if tag in ("script", "img"):
            self.files.append(given.get("src") or "")
        if tag == "link":
            self.files.append(given.get("href") or "")
        self._script = tag in ("script", "style") and "src" not in given

    def handle_data(self, data: str) -> None:
        if self._script and data.strip():
            self.inline.append(data)
        self._script = False


def test_the_page_has_no_inline_code_and_its_files_exist(http: httpx.Client) -> None:
    page = Page()
    page.feed(http.get("/").text)
    assert page.inline == []
    assert page.files
    for path in page.files:
        assert path.startswith("/assets/")
        assert http.get(path).status_code == 200


@pytest.mark.parametrize("script", OWN_SCRIPTS, ids=lambda p: p.name)
def test_scripts_never_parse_text_as_markup_and_stay_small(script: Path, http: httpx.Client) -> None:
    text = script.read_text()
    for forbidden in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "DOMParser", "eval(", "new Function", "srcdoc"):
        assert forbidden not in text, forbidden
    assert len(text.splitlines()) <= 400
    for module in re.findall(r'from "\./([^"]+)"', text):
        assert http.get(f"/assets/{module}").headers["content-type"].startswith("text/javascript")


def test_nothing_is_fetched_from_elsewhere() -> None:
    for path in [*OWN_SCRIPTS, *ASSETS.glob("*.html"), ASSETS / "style.css"]:
        assert not re.findall(r"(?:https?:)?//[a-z0-9-]+\.[a-z]{2,}", path.read_text()), path.name


def test_the_page_weighs_little(http: httpx.Client) -> None:
    """Below 250 kB compressed, so that a phone on a poor link shows it at once."""
    weight = 0
    for path in ["/", *(f"/assets/{p.name}" for p in ASSETS.iterdir() if p.suffix in (".js", ".css", ".svg"))]:
        with http.stream("GET", path, headers={"Accept-Encoding": "gzip"}) as answer:
            weight += sum(len(part) for part in answer.iter_raw())
    assert weight < 250_000


def test_cautions_are_on_the_page() -> None:
    """DESIGN, section 11: the usual cautions, deferring to local codes and licensed practice."""
    text = re.sub(r"\s+", " ", (ASSETS / "index.html").read_text()).lower()
    for words in (
        "not a safety device", "unattended", "fuse", "cut-out in hardware", "hot surfaces", "60 v dc", "exposed", "loose connectors",
        "local codes", "licensed practice",
    ):  # fmt: skip
        assert words in text, words
