"""The daily digest: that all is well, or what was not. Pure: what is known comes in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from loadlog.model.clock import NS
from loadlog.model.duration import duration_words
from loadlog.model.event import Event, EventState, Severity
from loadlog.model.run import RunInfo
from loadlog.notify.advice import ADVICE
from loadlog.notify.news import RANK
from loadlog.notify.text import SUBJECT_LENGTH, Letterhead, Text, clock, one_line
from loadlog.notify.watch import GONE

LISTED = 15


@dataclass(frozen=True, slots=True)
class Day:
    """``events``: latest states of those that are active, or began or ended since. ``status``: what the recorder says, None: it does not
    answer. ``troubles``: of the service, one line each. ``runs``: those that are on, or began or ended since."""

    since_ns: int
    now_ns: int
    events: Sequence[Event]
    runs: Sequence[RunInfo]
    status: Mapping[str, Any] | None
    troubles: Sequence[str] = ()


def digest(day: Day, head: Letterhead) -> Text:
    """Worth a look when something active, or since the last digest, is at least a warning, or the service has a trouble."""
    active = sorted((e for e in day.events if e.state is EventState.ACTIVE), key=lambda e: (-RANK[e.severity], e.onset.latest_utc_ns))
    counted = Counter((e.severity, e.kind, e.device or e.group or "service") for e in day.events)
    bad = any(severity is not Severity.INFO for severity, _, _ in counted)
    gone = [f"the recorder does not answer: nothing is recorded; first: {ADVICE[GONE]}"] if day.status is None else []
    troubles = [*gone, *day.troubles]
    well = not bad and not troubles
    span = duration_words((day.now_ns - day.since_ns) / NS)
    lines = [f"{head.bench}, {clock(day.since_ns, head.zone)} to {clock(day.now_ns, head.zone)}:", ""]
    lines += ["All well."] if well else [one_line(t) for t in troubles]
    if day.status is not None:
        n = len(day.status.get("devices", ()))
        lines.append(f"The recorder polls {n} device{'' if n == 1 else 's'}.")
    lines += _listed("Active now:", [f"{e.severity} {e.device or e.group or 'service'}: {e.kind.replace('_', ' ')}, since "
                                     f"{clock(e.onset.latest_utc_ns, head.zone)}: {e.message}" for e in active])  # fmt: skip
    ordered = sorted(counted.items(), key=lambda item: (-RANK[item[0][0]], -item[1]))
    lines += _listed(
        f"In the last {span}:", [f"{n} × {severity} {kind.replace('_', ' ')} {where}" for (severity, kind, where), n in ordered]
    )
    lines += _listed("Runs:", [_run(run, head) for run in day.runs])
    lines += ["", f"Look: {head.page_url or 'loadlog events --active on the logger'}", "Not a safety device."]
    return Text(_subject(well, counted, len(active), troubles, span, head), "\n".join(lines), "info" if well else "warning")


def _listed(title: str, lines: Sequence[str]) -> list[str]:
    if not lines:
        return []
    more = [f"  and {len(lines) - LISTED} more"] if len(lines) > LISTED else []
    return ["", title, *("  " + one_line(line) for line in lines[:LISTED]), *more]


def _run(run: RunInfo, head: Letterhead) -> str:
    if run.ended_utc_ns is None:
        return f"{run.id} is on since {clock(run.started_utc_ns, head.zone)}"
    reason = f": {run.end_reason}" if run.end_reason else ""
    return (
        f"{run.id} ended {clock(run.ended_utc_ns, head.zone)} after {duration_words((run.ended_utc_ns - run.started_utc_ns) / NS)}{reason}"
    )


def _subject(
    well: bool, counted: Mapping[tuple[Severity, str, str], int], active: int, troubles: Sequence[str], span: str, head: Letterhead
) -> str:
    if well:
        return one_line(f"all well for {span} ({head.bench})", SUBJECT_LENGTH)
    parts = ["service in trouble"] if troubles else []
    for severity, word in ((Severity.ALARM, "alarm"), (Severity.WARNING, "warning")):
        if n := sum(count for (s, _, _), count in counted.items() if s is severity):
            parts.append(f"{n} {word}{'s' if n > 1 else ''}")
    return one_line(f"digest: {', '.join(parts)}, {active} active ({head.bench})", SUBJECT_LENGTH)
