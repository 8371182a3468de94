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
    """The usual cautions, deferring to local codes and licensed practice."""
    text = re.sub(r"\s+", " ", (ASSETS / "index.html").read_text()).lower()
    for words in (
        "not a safety device", "unattended", "fuse", "cut-out in hardware", "hot surfaces", "60 v dc", "exposed", "loose connectors",
        "local codes", "licensed practice",
    ):  # fmt: skip
        assert words in text, words


# -- colours of the lines

# Machado, Oliveira, Fernandes 2009, "A Physiologically-based Model for Simulation of Color Vision Deficiency", severity 1.0; on linear RGB
SIGHT = {
    "all cones": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritanopia": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}


def linear(colour: str) -> list[float]:
    """IEC 61966-2-1, from #rrggbb."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    return [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]


def luminance(rgb: list[float]) -> float:
    return 0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2]


def lab(rgb: list[float]) -> tuple[float, float, float]:
    """CIE 1976 L*a*b* against D65."""
    rows = ((0.4124564, 0.3575761, 0.1804375), (0.2126729, 0.7151522, 0.0721750), (0.0193339, 0.1191920, 0.9503041))
    x, y, z = (
        sum(m * max(0.0, c) for m, c in zip(row, rgb, strict=True)) / n for row, n in zip(rows, (0.95047, 1.0, 1.08883), strict=True)
    )
    fx, fy, fz = (v ** (1 / 3) if v > 216 / 24389 else (24389 / 27 * v + 16) / 116 for v in (x, y, z))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


def theme(which: str) -> dict[str, str]:
    """Colours of the style, light or dark."""
    light, dark = (ASSETS / "style.css").read_text().split("@media (prefers-color-scheme: dark)", 1)
    return dict(re.findall(r"(--[\w-]+): (#[0-9a-f]{6});", light if which == "light" else dark.split("* { box-sizing", 1)[0]))


@pytest.mark.parametrize("which", ["light", "dark"])
def test_lines_stand_out_from_the_sheet(which: str) -> None:
    """WCAG 2.2, 1.4.11: three to one for what must be seen to understand a graph."""
    colours = theme(which)
    sheet = luminance(linear(colours["--sheet"]))
    for name in ("--volt", "--amp", "--heat", "--alarm", "--warning", "--info", *(f"--line-{i}" for i in range(8))):
        line = luminance(linear(colours[name]))
        assert (max(line, sheet) + 0.05) / (min(line, sheet) + 0.05) >= 3, name


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("which", ["light", "dark"])
def test_lines_of_one_dash_differ_in_colour_for_every_eye(which: str, sight: str) -> None:
    """Six dashes and eight colours go round together (group.js), so lines of one dash are six apart; they and neighbours must differ. Ten
    units of CIE 1976 are several times what is just seen side by side."""
    colours = theme(which)

    def seen(i: int) -> tuple[float, float, float]:
        rgb = linear(colours[f"--line-{i}"])
        return lab([sum(m * c for m, c in zip(row, rgb, strict=True)) for row in SIGHT[sight]])

    pairs = [(i, i + 1) for i in range(7)] + [(0, 6), (1, 7)]
    close = [(a, b) for a, b in pairs if sum((p - q) ** 2 for p, q in zip(seen(a), seen(b), strict=True)) ** 0.5 < 10]
    assert close == []
