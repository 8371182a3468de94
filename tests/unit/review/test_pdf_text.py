"""The PDF says what the JSON says: its text is taken out again by an independent reader and compared with the report as programs get it."""

from __future__ import annotations

import dataclasses
import io
import re
from typing import Any

import pytest
from matplotlib.axes import Axes
from pypdf import PdfReader

from loadlog.review.pdf import _plot, pdf_report
from loadlog.review.postmortem import PostMortem, post_mortem
from loadlog.store import Archive
from tests.unit.review.conftest import NASTY

NUMBER = r"[-\u2212]?[0-9]+(?:\.[0-9]+)?(?:e[-+]?[0-9]+)?"


@pytest.fixture
def report(archive: Archive) -> PostMortem:
    return post_mortem(archive, "last")


def packed(text: str) -> str:
    """Without blanks: lines are broken where the paper ends."""
    return "".join(text.split())


def text_of(report: PostMortem) -> str:
    pages = PdfReader(io.BytesIO(pdf_report(report))).pages
    return packed("".join(page.extract_text() for page in pages))


def shown(text: str, channel: str, statistic: str) -> re.Match[str] | None:
    """A row of the figures: value, unit, expanded uncertainty, unit."""
    row = re.escape(channel) + re.escape(packed(statistic.replace("_", " ")))
    return re.search(rf"{row}(?P<value>{NUMBER})(?P<unit>[^0-9\u00b1(]*)(?:\u00b1(?P<sure>{NUMBER})(?P<again>[^0-9(]*)\(k=2\))?", text)


def test_verdict_zone_events_and_notes_stand_in_it(report: PostMortem) -> None:
    text, told = text_of(report), report.to_json()
    assert packed(told["verdict"]["sentence"]) in text
    assert "07:00:20UTC" in packed(told["verdict"]["sentence"])
    assert "beganbetween(UTC)" in text
    assert packed("Started 2027-01-15 07:00:00.000 UTC, ended 2027-01-15 07:00:30.000 UTC") in text
    assert packed(f"Note 2027-01-15 07:00:05.000 UTC {NASTY[:-1]}") in text
    assert packed("load-1 151 6") in text, "polls and failed polls"


def test_curves_of_several_devices_are_told_apart(report: PostMortem, monkeypatch: pytest.MonkeyPatch) -> None:
    labels: list[str] = []
    plot = Axes.plot
    monkeypatch.setattr(Axes, "plot", lambda self, *args, label="", **more: (labels.append(label), plot(self, *args, label=label, **more)))
    (curve, *_) = next(w.curves for w in report.windows)
    _plot([curve], [])
    _plot([curve, dataclasses.replace(curve, device="case")], [])
    assert labels == [curve.channel, f"load-1 {curve.channel}", f"case {curve.channel}"]


def test_every_figure_stands_in_it_with_unit_and_uncertainty(report: PostMortem) -> None:
    text = text_of(report)
    figures: list[dict[str, Any]] = [figure for rows in report.to_json()["figures"].values() for figure in rows]
    known = [figure for figure in figures if figure["value"] is not None]
    assert len(known) > 10
    for figure in known:
        row = shown(text, figure["channel"], figure["name"])
        assert row is not None, figure
        assert row["unit"] == figure["unit"], figure
        if figure["uncertainty"]:
            assert row["again"] == figure["unit"], figure
            assert float(row["sure"]) == pytest.approx(2 * figure["uncertainty"], rel=0.05), figure  # two digits
            assert float(row["value"].replace("\u2212", "-")) == pytest.approx(figure["value"], abs=0.1 * figure["uncertainty"]), figure
    for figure in figures:
        if figure["value"] is None:
            assert packed(figure["why_not"]) in text, figure
