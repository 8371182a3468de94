"""The post-mortem as PDF for the file: text by fpdf2, curves by matplotlib. Fonts come with matplotlib, so every unit can be written."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from fpdf import FPDF
from fpdf.enums import XPos, YPos
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure as Plot

from loadlog.model.clock import NS, format_utc, utc_words
from loadlog.model.event import Event
from loadlog.review.cause import duration
from loadlog.review.evidence import brief
from loadlog.review.html import CAUTIONS
from loadlog.review.postmortem import Curve, PostMortem

FONTS = Path(mpl.get_data_path()) / "fonts" / "ttf"
COLOURS = {"V": "#0a5fa6", "A": "#b04a06", "W": "#3f6212", "°C": "#8a2471"}
SEVERITIES = {"alarm": "#a8121c", "warning": "#7d5300", "info": "#3d5a80"}
WINDOWS_DRAWN = 8
DPI = 130

PLOT_MM = 190


class _Paper(FPDF):
    """A4 with a page number."""

    def __init__(self, title: str) -> None:
        super().__init__()
        self.set_title(title)
        self.add_font("DejaVu", "", FONTS / "DejaVuSans.ttf")
        self.add_font("DejaVu", "B", FONTS / "DejaVuSans-Bold.ttf")
        self.set_auto_page_break(True, margin=18)
        self._title = title
        self.add_page()

    def footer(self) -> None:
        """As fpdf2 asks for it."""
        self.set_y(-12)
        self.set_font("DejaVu", "", 7)
        self.cell(0, 5, f"{self._title}, page {self.page_no()}", align="R")

    def heading(self, text: str) -> None:
        """A chapter."""
        self.ln(2)
        self.set_font("DejaVu", "B", 12)
        self.multi_cell(0, 7, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def line_of(self, text: str, size: float = 9, bold: bool = False) -> None:
        """A paragraph."""
        self.set_font("DejaVu", "B" if bold else "", size)
        self.multi_cell(0, size * 0.5, printable(text), new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def drawn(self, heading: str, text: str, plot: bytes, height_per_width: float) -> None:
        """A chapter of one plot, all of it on one page."""
        if self.will_page_break(PLOT_MM * height_per_width + 20):
            self.add_page()
        self.heading(heading)
        if text:
            self.line_of(text)
        self.image(io.BytesIO(plot), w=PLOT_MM)

    def rows(self, columns: Sequence[str], rows: Iterable[Sequence[str]], widths: Sequence[int]) -> None:
        """A table."""
        self.set_font("DejaVu", "", 7)
        with self.table(col_widths=tuple(widths), line_height=4, text_align="LEFT") as table:
            for cells in (columns, *rows):
                row = table.row()
                for cell in cells:
                    row.cell(printable(cell))


def printable(text: str) -> str:
    """Text from instruments and people, without control characters and without what the font cannot write."""
    return "".join(c if c.isprintable() and ord(c) < 0x3000 else " " if c.isspace() else "\N{REPLACEMENT CHARACTER}" for c in text)


def pdf_report(report: PostMortem) -> bytes:
    """The whole file."""
    run = report.summary.run
    paper = _Paper(f"Review of run {printable(run.id)}")
    paper.set_font("DejaVu", "B", 16)
    paper.multi_cell(0, 9, f"Review of run {printable(run.id)}", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    paper.line_of(report.verdict.sentence, 11, bold=True)
    end = f"ended {utc_words(run.ended_utc_ns)} ({run.end_reason})" if run.ended_utc_ns is not None else "not ended"
    length = duration((report.summary.until_utc_ns - run.started_utc_ns) / NS)
    planned = f" of {duration(run.planned_s)} planned" if run.planned_s else ""
    paper.line_of(f"Started {utc_words(run.started_utc_ns)}, {end}, {length}{planned}")
    for limit in report.accepted.limits:
        paper.line_of(f"{limit.decision}: {limit.reason}")
    _first(paper, report)
    _timeline(paper, report)
    events = [p.event for p in report.timeline]
    for device in report.devices:
        curves = [c for c in report.overview if c.device == device.spec.name and c.t_s]
        if curves:
            paper.drawn(f"{device.spec.name}: the whole run", "", *_plot(curves, events))
    for window in report.windows[:WINDOWS_DRAWN]:
        if any(c.t_s for c in window.curves):
            heading = f"Event {window.event.id}: {window.event.kind} {window.event.device or window.event.group or 'service'}"
            paper.drawn(heading, window.event.message, *_plot([c for c in window.curves if c.t_s], events))
    _figures(paper, report)
    paper.heading("Cautions")
    paper.line_of(CAUTIONS)
    return bytes(paper.output())


def _first(paper: _Paper, report: PostMortem) -> None:
    """What may have been first, with what shows it."""
    if report.verdict.first:
        paper.heading("What happened first")
    for placed in report.verdict.first:
        e = placed.event
        paper.line_of(f"{e.kind} on {e.device or e.group or 'service'} (probability {e.confidence:.2f}): {e.message}")
        if shown := brief(e):
            paper.line_of(f"Evidence: {', '.join(shown)}", 8)


def _timeline(paper: _Paper, report: PostMortem) -> None:
    paper.heading("Timeline")
    if not report.timeline:
        paper.line_of("No events.")
        return
    rows = []
    for placed in report.timeline:
        e = placed.event
        unordered = ", ".join(map(str, placed.unordered_with))
        began = f"{_time(e.onset.earliest_utc_ns)} .. {_time(e.onset.latest_utc_ns)[11:]}"
        rows.append((str(e.id), began, str(e.severity), e.kind, e.device or e.group or "service", e.message, unordered))
    paper.rows(("id", "began between (UTC)", "severity", "what", "where", "says", "not ordered against"), rows, (8, 34, 15, 28, 18, 70, 17))


def _figures(paper: _Paper, report: PostMortem) -> None:
    for device in report.devices:
        rows = [(c, s.replace("_", " "), f.text(), "; ".join(f.notes)) for (c, s), f in device.figures.items() if f.value is not None]
        if rows:
            paper.heading(f"{device.spec.name}: figures")
            paper.rows(("channel", "statistic", "value", "notes"), rows, (26, 30, 48, 86))
        for (channel, statistic), figure in device.figures.items():
            if figure.value is None:
                paper.line_of(f"{channel} {statistic.replace('_', ' ')}: none, {figure.why_not}", 7)
    shared = [(g.group, g.device or "all", g.figure.name.replace("_", " "), g.figure.text()) for g in report.groups]
    if shared:
        paper.heading("Groups: devices that share one source")
        paper.rows(("group", "device", "figure", "value"), shared, (30, 30, 50, 80))
    polled = []
    for device in report.devices:
        h = device.health
        share = "–" if h.answered_share is None else f"{100 * h.answered_share:.1f} %"
        polled.append((device.spec.name, str(h.polls), str(h.failed), share, f"{h.gap_count} ({h.gaps_s:.3g} s)", str(h.backwards)))
    if polled:
        paper.heading("Health of the data")
        paper.rows(("device", "polls", "failed", "answered", "gaps", "clock steps back"), polled, (40, 30, 30, 30, 30, 30))
    for gap in report.summary.gaps:
        paper.line_of(f"Gap: {gap}")
    for note in report.summary.notes:
        paper.line_of(f"Note {utc_words(note.t_utc_ns)} {note.author}: {note.text}")


def _plot(curves: Sequence[Curve], events: Sequence[Event]) -> tuple[bytes, float]:
    """The picture, and its height over its width."""
    units = list(dict.fromkeys(c.unit for c in curves))
    several = len({c.device for c in curves}) > 1
    width, height = 9.5, 1.6 * len(units) + 0.5
    plot = Plot(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(plot)
    grid: Any = plot.subplots(len(units), 1, sharex=True, squeeze=False)
    for axes, unit in zip(grid[:, 0], units, strict=True):
        for style, curve in zip(("-", "--", ":", "-.") * 8, [c for c in curves if c.unit == unit], strict=False):
            times = [round(t * 1e6) for t in curve.t_s]
            instants = _instants(times)
            mean = [float("nan") if v is None else v for v in curve.mean]
            low = [float("nan") if v is None else v for v in curve.minimum]
            high = [float("nan") if v is None else v for v in curve.maximum]
            axes.fill_between(instants, low, high, color=COLOURS.get(unit, "#555"), alpha=0.25, linewidth=0)
            axes.plot(
                instants,
                mean,
                style,
                color=COLOURS.get(unit, "#555"),
                linewidth=0.9,
                label=f"{curve.device} {curve.channel}" if several else curve.channel,
            )
        first, last = axes.get_xlim()
        for event in events:
            at = event.onset.latest_utc_ns / NS / 86400  # matplotlib counts days since 1970
            if first <= at <= last:
                axes.axvline(at, color=SEVERITIES[str(event.severity)], linewidth=0.8, linestyle="-" if event.severity == "alarm" else "--")
        axes.set_xlim(first, last)
        axes.set_ylabel(unit)
        axes.grid(alpha=0.3)
        axes.legend(loc="upper right", fontsize=6)
        axes.tick_params(labelsize=7)
    locator = AutoDateLocator()  # type: ignore[no-untyped-call]
    grid[-1, 0].xaxis.set_major_locator(locator)
    grid[-1, 0].xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    grid[-1, 0].set_xlabel("UTC", fontsize=7)
    out = io.BytesIO()
    plot.savefig(out, format="png", dpi=DPI)
    return out.getvalue(), height / width


def _instants(microseconds: Sequence[int]) -> Any:
    return np.array(microseconds, dtype="datetime64[us]")


def _time(t_utc_ns: int) -> str:
    return format_utc(t_utc_ns)[:23].replace("T", " ")
