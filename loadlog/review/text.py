"""The summary of a run for a terminal: plain text, one fact a line, readable in a pipe and a mail."""

from __future__ import annotations

from loadlog.model.clock import NS, format_utc, utc_words
from loadlog.model.event import probability_words
from loadlog.model.learned import Learned
from loadlog.review.cause import WHOSE, Verdict, duration, was_momentary
from loadlog.review.evidence import brief
from loadlog.review.summary import ChannelFacts, DeviceFacts, Happened, Summary

CAUTION = "A logger is not a safety device: keep hardware trips and fuses. See the cautions in README."
CAUSES, EVENTS_SHOWN = 3, 25


def summary_text(summary: Summary) -> str:
    """Run, data, channels, events in order, what was learned, notes; ends with the caution that a logger is no safety device."""
    return _shown([*_head(summary), "", *_events(summary, None), *_learned_lines(summary), *_notes(summary), "", CAUTION])


def _head(summary: Summary) -> list[str]:
    run, length = summary.run, duration((summary.until_utc_ns - summary.run.started_utc_ns) / NS)
    planned = f" of {duration(run.planned_s)} planned" if run.planned_s else ""
    end = f"ended {utc_words(run.ended_utc_ns)} ({_one_line(run.end_reason)})" if run.ended_utc_ns is not None else "not ended"
    return [
        f"Review of run {run.id}",
        f"  started {utc_words(run.started_utc_ns)}, {end}, {length}{planned}",
        *([_progress_line(summary)] if run.ended_utc_ns is None else []),
        "",
        "Data",
        *(_data_line(d) for d in summary.devices),
        *(f"  gap {gap}" for gap in summary.gaps),
        "",
        "Channels                        minimum         mean      maximum  unit  worst quality, failed polls included",
        *(line for d in summary.devices for line in _channel_lines(d)),
        "  (of every reading, doubtful and held ones too; the report's figures, with their uncertainty, are of the good ones alone)",
    ]


def _progress_line(summary: Summary) -> str:
    """How far a run that is on has come."""
    run, progress = summary.run, summary.progress
    share = f" ({100 * progress.elapsed_s / run.planned_s:.0f} %)" if run.planned_s else ""
    planned = f" of {duration(run.planned_s)} planned{share}" if run.planned_s else ""
    answered = f", {100 * progress.share:.1f} %" if progress.share is not None else ""
    so_far = f"{progress.received} of {progress.expected} readings expected so far{answered}"
    return f"  progress: {duration(progress.elapsed_s)}{planned}; {so_far}"


def _events(summary: Summary, most: int | None) -> list[str]:
    shown = summary.events if most is None else summary.events[:most]
    lines = ["What happened, in order of onset (UTC)" if shown else "No events.", *(line for h in shown for line in _event_lines(h))]
    if len(shown) < len(summary.events):
        lines.append(f"  ... and {len(summary.events) - len(shown)} more: loadlog events --run {summary.run.id}")
    if any(h.unordered for h in shown):
        lines.append("  ~ onset interval overlaps the one above: which came first was not measured")
    return lines


def _notes(summary: Summary) -> list[str]:
    lines = [f"  {utc_words(n.t_utc_ns)} {_one_line(n.author)}: {_one_line(n.text)}" for n in summary.notes]
    return ["", "Notes", *lines] if lines else []


def _learned_lines(summary: Summary) -> list[str]:
    """What the detectors learned, and which event kinds still waited at the end: their silence means nothing."""
    lines = []
    for device, known in sorted(summary.learned.items()):
        for fact in known.facts:
            lines.append(f"  {device:12} {fact.name:28} {_fact_text(fact)}")
    waiting = [f"  {device:12} learning: {kind} ({why})" for device, known in sorted(summary.learned.items()) for kind, why in
               sorted(known.learning.items())]  # fmt: skip
    return (["", "Learned (each may be fixed under [device.fixed])", *lines] if lines else []) + waiting


def _fact_text(fact: Learned) -> str:
    standing = f"{fact.state}, {fact.rests_on}" if fact.rests_on else str(fact.state)
    if fact.value is None:
        return standing
    sure = f" ± {fact.uncertainty:.2g}" if fact.uncertainty is not None else ""
    return f"{fact.value:.5g}{sure} {fact.unit}".rstrip() + f"  {standing}"


def _data_line(device: DeviceFacts) -> str:
    answered = device.polls - device.failed
    share = f"{100 * min(1.0, answered / device.expected):.1f} %" if device.expected else "–"
    return (
        f"  {device.device:12} {device.polls} polls, {device.failed} failed; {share} of the {device.expected} readings that its rate makes"
    )


def _channel_lines(device: DeviceFacts) -> list[str]:
    return [f"  {device.device:12} {c.channel:16} {_numbers(c)}  {c.unit:4}  {c.worst}" for c in device.channels]


def _numbers(channel: ChannelFacts) -> str:
    return " ".join(f"{'–' if v is None else f'{v:.6g}':>12}" for v in (channel.minimum, channel.mean, channel.maximum))


def _event_lines(happened: Happened) -> list[str]:
    event = happened.event
    mark = "~" if happened.unordered else " "
    interval = f"{_time(event.onset.earliest_utc_ns)} .. {_time(event.onset.latest_utc_ns)[11:]}"
    where = event.device or event.group or "service"
    state = "active" if event.cleared_utc_ns is None else f"until {_time(event.cleared_utc_ns)[11:]}"
    if was_momentary(event):
        state = ""
    sure = probability_words(event.confidence)
    said = f"{event.message} ({sure}{_others(event.alternatives)})" if sure else event.message
    first = f"{mark} {interval} {event.severity:7} {event.kind:22} {where:10} {state}".rstrip()
    return [first, f"      {_one_line(said)}"]


def _others(alternatives: object) -> str:
    if not isinstance(alternatives, dict) or not alternatives:
        return ""
    return "; or " + ", ".join(f"{kind} {p:.2f}" for kind, p in sorted(alternatives.items(), key=lambda i: -i[1]))


def _shown(lines: list[str]) -> str:
    """Names too come from outside, of evidence and alternatives: nothing in a line steers the terminal."""
    return "\n".join(map(_one_line, lines))


def _one_line(text: str) -> str:
    """Text from instruments and people, without control characters."""
    return "".join(c if c.isprintable() else " " for c in text)


def _time(t_utc_ns: int) -> str:
    """Under a heading that says UTC."""
    return format_utc(t_utc_ns)[:23].replace("T", " ")


def verdict_text(summary: Summary, verdict: Verdict) -> str:
    """What a person asks first, for a terminal: the verdict in one sentence, the first cause with what shows it, then the run in short."""
    lines = [verdict.sentence]
    for placed in verdict.first[:CAUSES]:
        event = placed.event
        others = _others(event.alternatives)
        lines.append(f"  {event.kind} ({WHOSE.get(event.kind, 'the bench')}): {_one_line(event.message)}{others}")
        if shown := brief(event):
            lines.append(f"    evidence: {_one_line(', '.join(shown))}")
    if len(verdict.first) > CAUSES:
        lines.append(f"  and {len(verdict.first) - CAUSES} more that may have been first")
    lines += ["", *_head(summary), "", *_events(summary, EVENTS_SHOWN), *_notes(summary), "", CAUTION]
    return _shown(lines)
