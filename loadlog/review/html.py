"""The post-mortem as one HTML file: no network, no other file, opens from a mail attachment.

Text from instruments, notes and configuration is escaped everywhere; data stand in a JSON block in which ``<`` is written as an escape, so
nothing recorded can become markup. The plots are drawn by uPlot, the same copy that the live page ships. A policy in the file itself (CSP
level 3) permits that one script by its hash and no request at all, so that markup which got in all the same would do nothing.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files
from typing import Any

from loadlog.analysis import LimitVerdict, Placed
from loadlog.analysis.group import GroupFigure
from loadlog.model.clock import NS, format_utc, utc_words
from loadlog.model.event import Event, probability_words
from loadlog.review.cause import WHOSE, duration, was_momentary
from loadlog.review.evidence import whole
from loadlog.review.postmortem import Curve, DeviceReport, PostMortem

CAUTIONS = (
    "A logger is not a safety device: keep hardware trips and a fuse at the source. Loads, heatsinks and contacts may be hot; terminals "
    "and heatsinks may carry the input voltage; above 60 V DC touching is dangerous. Follow local codes and licensed practice."
)


def html_report(report: PostMortem) -> str:
    """The whole file."""
    run = report.summary.run
    body = "".join(_body(report))
    uplot = files("loadlog") / "web" / "assets"
    own = files("loadlog.review") / "assets"
    style = (uplot / "uplot.min.css").read_text(encoding="utf-8") + (own / "report.css").read_text(encoding="utf-8")
    script = (uplot / "uplot.min.js").read_text(encoding="utf-8") + "\n" + (own / "report.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        f"<title>Review of run {escape(run.id)}</title><style>{style}</style></head>\n<body><main>{body}</main>\n"
        f'<script type="application/json" id="data">{_data(report)}</script>\n<script>{script}</script></body></html>\n'
    )


def _data(report: PostMortem) -> str:
    curves: dict[str, list[dict[str, Any]]] = {}
    several = len(report.devices) > 1
    for device in report.devices:
        curves[f"overview:{device.spec.name}"] = [_curve(c, False) for c in report.overview if c.device == device.spec.name]
    for window in report.windows:
        curves[f"event:{window.event.id}"] = [_curve(c, several) for c in window.curves]
    events = [_mark(p.event) for p in report.timeline]
    scatter = {d.spec.name: d.volt_ampere for d in report.devices}
    text = json.dumps({"curves": curves, "events": events, "scatter": scatter}, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _mark(event: Event) -> dict[str, Any]:
    onset = event.onset
    return {
        "id": event.id, "device": event.device, "severity": str(event.severity), "earliest": onset.earliest_utc_ns / NS,
        "latest": onset.latest_utc_ns / NS,
    }  # fmt: skip


def _curve(curve: Curve, named: bool) -> dict[str, Any]:
    label = f"{curve.device} {curve.channel}" if named else curve.channel
    return {
        "label": label, "device": curve.device, "unit": curve.unit, "t": [round(t, 6) for t in curve.t_s], "min": curve.minimum,
        "mean": curve.mean, "max": curve.maximum,
    }  # fmt: skip


def _body(report: PostMortem) -> Iterable[str]:
    summary, run = report.summary, report.summary.run
    yield f"<h1>Review of run {escape(run.id)}</h1>"
    yield f'<p class="verdict" data-word="{escape(report.verdict.word)}">{escape(report.verdict.sentence)}</p>'
    end = f"ended {_time(run.ended_utc_ns)} ({escape(run.end_reason)})" if run.ended_utc_ns is not None else "not ended"
    length = duration((summary.until_utc_ns - run.started_utc_ns) / NS)
    planned = f" of {duration(run.planned_s)} planned" if run.planned_s else ""
    yield f'<p class="quiet">Started {_time(run.started_utc_ns)}, {end}, {length}{planned}. All times are UTC.</p>'
    if report.accepted.limits:
        yield "<h2>Acceptance limits</h2>"
        yield _table(("device", "channel", "statistic", "asked", "decision", "why"), map(_limit_row, report.accepted.limits))
    yield "<h2>What happened first</h2>"
    yield "".join(_first(p) for p in report.verdict.first) or "<p>No warning or alarm about the bench.</p>"
    yield "<h2>Timeline</h2>"
    yield from _timeline(report.timeline)
    yield "<h2>The whole run</h2>"
    for device in report.devices:
        yield f'<h3>{escape(device.spec.name)}</h3><div data-curves="overview:{escape(device.spec.name)}"></div>'
    if report.windows:
        yield "<h2>Around each event, every sample</h2>"
    for window in report.windows:
        e = window.event
        yield f'<h3 id="event-{e.id}">{e.id}: {escape(e.kind)} {escape(_where(e))}</h3><p>{escape(e.message)}</p>'
        yield f'<div data-curves="event:{e.id}"></div>'
    yield from _devices(report.devices)
    if report.groups:
        yield "<h2>Groups: devices that share one source</h2>"
        yield _table(("group", "device", "figure", "value (k = 2)", "notes"), map(_group_row, report.groups))
    yield from _rest(report)


def _limit_row(verdict: LimitVerdict) -> str:
    limit = verdict.limit
    asked = limit.text(verdict.figure.unit)
    cells = (limit.device, limit.channel, limit.statistic, asked, str(verdict.decision), verdict.reason)
    return "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>"


def _first(placed: Placed) -> str:
    event = placed.event
    evidence = "; ".join(map(escape, whole(event)))
    others = ", ".join(f"{escape(kind)} {p:.2f}" for kind, p in sorted(event.alternatives.items(), key=lambda i: -i[1]))
    whose = WHOSE.get(event.kind, "")
    return (
        f'<p><strong class="{event.severity}">{escape(event.kind)}</strong> on {escape(_where(event))}'
        f" ({escape(whose)}, probability {event.confidence:.2f}{f'; else {others}' if others else ''}): {escape(event.message)}.<br>"
        f'<span class="quiet">It began between {_time(event.onset.earliest_utc_ns)} and {_time(event.onset.latest_utc_ns)}. '
        f"Evidence: {evidence or 'none recorded'}.</span></p>"
    )


def _timeline(placed: Sequence[Placed]) -> Iterable[str]:
    if not placed:
        yield "<p>No events.</p>"
        return
    columns = ("id", "began between (UTC)", "severity", "what, where", "says", "until", "not ordered against")
    yield _table(columns, map(_timeline_row, placed), "timeline")


def _timeline_row(placed: Placed) -> str:
    event = placed.event
    sure = probability_words(event.confidence)
    until = "active" if event.cleared_utc_ns is None else "" if was_momentary(event) else _time(event.cleared_utc_ns)[11:]
    cells = (
        ("number", str(event.id)),
        ("time", f"{_time(event.onset.earliest_utc_ns)}<br>.. {_time(event.onset.latest_utc_ns)[11:]}"),
        (str(event.severity), str(event.severity)),
        ("what", f"{escape(event.kind)}<br>{escape(_where(event))}"),
        ("says", escape(event.message + (f" ({sure})" if sure else ""))),
        ("time", until),
        ("other", ", ".join(str(i) for i in placed.unordered_with)),
    )
    return "<tr>" + "".join(f'<td class="{kind}">{text}</td>' for kind, text in cells) + "</tr>"


def _group_row(found: GroupFigure) -> str:
    figure = found.figure
    cells = (found.group, found.device or "all", figure.name.replace("_", " "), figure.text(), "; ".join(figure.notes))
    return "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>"


def _devices(devices: Sequence[DeviceReport]) -> Iterable[str]:
    for device in devices:
        name = escape(device.spec.name)
        yield f"<h2>{name}: figures</h2>"
        rows = [
            f"<tr><td>{escape(channel)}</td><td>{escape(statistic.replace('_', ' '))}</td><td>{escape(figure.text())}</td>"
            f'<td class="quiet notes">{escape("; ".join(figure.notes))}</td></tr>'
            for (channel, statistic), figure in device.figures.items()
            if figure.value is not None
        ]
        yield _table(("channel", "statistic", "value (k = 2)", "notes"), rows, "figures measured") if rows else "<p>No good sample.</p>"
        missing = [f"{c} {s.replace('_', ' ')}: {f.why_not}" for (c, s), f in device.figures.items() if f.value is None]
        if missing:
            items = "".join(f"<li>{escape(m)}</li>" for m in missing)
            yield f"<details><summary>What could not be given, and why ({len(missing)})</summary><ul>{items}</ul></details>"
        normal = [f'<tr><td>{escape(c)}</td><td class="number">{m:.6g}</td><td class="number">{s:.3g}</td><td class="number">{n}</td></tr>'
                  for c, (m, s, n) in device.normal.items()]  # fmt: skip
        if normal:
            yield f"<h3>{name}: normal before the first trouble</h3>"
            yield _table(("channel", "mean", "standard deviation", "samples"), normal)
        if device.volt_ampere:
            yield f'<h3>{name}: voltage against current</h3><div data-scatter="{name}"></div>'


def _rest(report: PostMortem) -> Iterable[str]:
    yield "<h2>Health of the data</h2>"
    rows = []
    for device in report.devices:
        h = device.health
        share = "–" if h.answered_share is None else f"{100 * h.answered_share:.1f} %"
        late = "–" if h.lateness.p99 is None else f"{1000 * h.lateness.p99:.3g} ms"
        doubtful = sum(c.uncertain for c in h.channels.values())
        cells = (h.polls, h.failed, share, f"{h.gap_count} ({h.gaps_s:.3g} s)", h.backwards, late, doubtful)
        rows.append(f"<tr><td>{escape(device.spec.name)}</td>" + "".join(f'<td class="number">{c}</td>' for c in cells) + "</tr>")
    columns = ("device", "polls", "failed", "answered", "gaps", "clock steps back", "lateness, 99 %", "doubtful readings")
    yield _table(columns, rows)
    yield "".join(f'<p class="warning">Gap: {escape(gap)}</p>' for gap in report.summary.gaps)
    if report.summary.notes:
        yield "<h2>Notes</h2><ul>"
        yield "".join(f"<li>{utc_words(n.t_utc_ns)} {escape(n.author)}: {escape(n.text)}</li>" for n in report.summary.notes)
        yield "</ul>"
    yield "<h2>Configuration</h2>"
    for name, texts in report.summary.identities.items():
        yield f"<p>{escape(name)} reported: {escape(', '.join(f'{k} {v}' for k, v in texts.items()))}</p>"
    profiles = ", ".join(f"{name} (SHA-256 {digest[:16]}…)" for name, digest in report.profiles.items())
    yield f"<p>{escape(report.summary.software)}; profiles: {escape(profiles or 'none')}</p>"
    yield f"<details><summary>Configuration as recorded</summary><pre>{escape(report.config)}</pre></details>"
    yield f"<h2>Cautions</h2><p>{escape(CAUTIONS)}</p>"


def _table(columns: Sequence[str], rows: Iterable[str], kind: str = "figures") -> str:
    head = "".join(f"<th>{escape(c)}</th>" for c in columns)
    body = f"<thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody>"
    return f'<div class="scroll" tabindex="0"><table class="{kind}">{body}</table></div>'


def _where(event: Event) -> str:
    return event.device or event.group or "service"


def _time(t_utc_ns: int) -> str:
    return format_utc(t_utc_ns)[:23].replace("T", " ")
