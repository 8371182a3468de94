"""A notice as plain text: subject for a telephone's first line, body that says what, where, since when, how sure, what it means, what to do
first, where to look.

Texts of instruments and people come in as they are; here they become lines of printable characters, so that none can make a header, a
further line or a terminal sequence. Markup stays what it is: the notice is sent as text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from loadlog.model.clock import NS
from loadlog.model.duration import duration_words
from loadlog.model.event import probability_words
from loadlog.notify.advice import ADVICE
from loadlog.notify.desk import Draft, Entry
from loadlog.notify.hours import local
from loadlog.notify.news import News

LISTED = 10  # entries told one by one
SUBJECT_LENGTH, LINE_LENGTH = 70, 300


@dataclass(frozen=True, slots=True)
class Letterhead:
    """What every notice of a bench says of it."""

    bench: str
    zone: ZoneInfo
    page_url: str = ""


@dataclass(frozen=True, slots=True)
class Text:
    """``severity`` as the services understand it: info, success, warning, failure."""

    subject: str
    body: str
    severity: str


def one_line(text: str, longest: int = LINE_LENGTH) -> str:
    """Printable characters on one line."""
    line = "".join(c if c.isprintable() else " " for c in text)
    line = " ".join(line.split())
    return line if len(line) <= longest else line[: longest - 1] + "…"


def notice(draft: Draft, head: Letterhead) -> Text:
    """Of events."""
    shown, rest = draft.entries[:LISTED], draft.entries[LISTED:]
    parts = ["\n".join(_entry(entry, head)) for entry in shown]
    if further := _further(rest, draft):
        parts.append(further)
    parts.append(_where_to_look(draft, head))
    kind = "success" if draft.only_endings else {"alarm": "failure", "warning": "warning", "info": "info"}[str(draft.severity)]
    return Text(_subject(draft, head), "\n\n".join(parts), kind)


def _subject(draft: Draft, head: Letterhead) -> str:
    """``ALARM: load-1 supply trip (bench)``, ``3 ALARMS: load-1 supply trip, 7 more (bench)``: the worst first, the bench always there."""
    counted: dict[str, int] = {}
    for entry in draft.entries:
        word = _word(entry)
        counted[word] = counted.get(word, 0) + entry.count
    for (severity, _, _), n in draft.counts.items():
        counted[severity] = counted.get(severity, 0) + n
    first = draft.entries[0]
    n, word = counted[_word(first)], _word(first)
    shown = {"alarm": "ALARM" if n == 1 else "ALARMS", "warning": "WARNING" if n == 1 else "WARNINGS", "info": "info"}.get(word, word)
    rest = sum(counted.values()) - first.count
    more = (f" ×{first.count}" if first.count > 1 else "") + (f", {rest} more" if rest else "")
    tail = f"{more} ({one_line(head.bench, 30)})"
    start = f"{n} {shown}" if n > 1 else shown
    return one_line(f"{start}: {_thing(first.news)}", SUBJECT_LENGTH - len(tail)) + tail


def _word(entry: Entry) -> str:
    if entry.ending:
        return "withdrawn" if entry.news.became else "cleared"
    return str(entry.news.severity)


def _thing(news: News) -> str:
    return one_line(f"{news.device or news.group} {news.kind.replace('_', ' ')}".strip())


def _entry(entry: Entry, head: Letterhead) -> list[str]:
    news = entry.news
    where = ", ".join((news.device, *entry.also)) if news.device else (f"group {news.group}" if news.group else "service")
    device_group = f" (group {news.group})" if news.device and news.group else ""
    word = _word(entry).upper()
    lines = [f"{word} {where}{device_group}: {news.kind.replace('_', ' ')}{_times(entry)}{_state(entry)}", f"  {news.message}"]
    if news.meaning and not entry.ending:
        lines.append(f"  meaning: {news.meaning}")
    if (first := ADVICE.get(news.kind)) and not entry.ending and news.acknowledged_by is None:
        lines.append(f"  first: {first}")
    lines.append(f"  since {_interval(news, head.zone)}{_until(news, head.zone)}")
    if not entry.ending and (sure := probability_words(news.confidence)):
        others = ", ".join(f"{kind.replace('_', ' ')} {p:.2f}" for kind, p in news.alternatives.items())
        lines.append(f"  {sure}" + (f", else {others}" if others else ""))
    if news.acknowledged_by is not None:
        lines.append("  acknowledged" + (f" by {news.acknowledged_by}" if news.acknowledged_by else ""))
    if news.run:
        lines.append(f"  run {news.run}")
    return [("  " if line.startswith("  ") else "") + one_line(line) for line in lines]


def _times(entry: Entry) -> str:
    return f", {entry.count} times, the last one:" if entry.count > 1 else ""


def _state(entry: Entry) -> str:
    news = entry.news
    if news.momentary:
        return ""
    if news.until_ns is None:
        return " – active"
    if news.became:
        became = news.became.replace("_", " ")
        return f" – is told as {became} now" if news.is_told_otherwise else f" – it was: {became}"
    return f" – cleared after {duration_words((news.until_ns - news.since_latest_ns) / NS)}"


def _interval(news: News, zone: ZoneInfo) -> str:
    """One instant to the second, or two where the onset is not known as well as that."""
    first, last = clock(news.since_ns, zone), clock(news.since_latest_ns, zone)
    return last if news.since_latest_ns - news.since_ns < 2 * NS else f"between {first} and {last}"


def _until(news: News, zone: ZoneInfo) -> str:
    return f", until {clock(news.until_ns, zone)}" if news.until_ns is not None and not news.momentary else ""


def _further(rest: Sequence[Entry], draft: Draft) -> str:
    counts = dict(draft.counts)
    for entry in rest:
        key = (_word(entry), entry.news.kind, entry.news.device or entry.news.group)
        counts[key] = counts.get(key, 0) + entry.count
    if not counts:
        return ""
    lines = [f"and {sum(counts.values())} more:"]
    ordered = sorted(counts.items(), key=lambda item: -item[1])
    lines += ["  " + one_line(f"{n} × {severity} {kind.replace('_', ' ')} {device}") for (severity, kind, device), n in ordered[:LISTED]]
    if len(ordered) > LISTED:
        lines.append(f"{sum(n for _, n in ordered[LISTED:])} of other kinds or devices")
    return "\n".join(lines)


def _where_to_look(draft: Draft, head: Letterhead) -> str:
    runs = {e.news.run for e in draft.entries if e.news.run}
    look = head.page_url or "loadlog events --active on the logger"
    more = f"; loadlog run show {one_line(next(iter(runs)))}" if len(runs) == 1 else ""
    return f"Look: {look}{more}\nBench {head.bench}, loadlog. Not a safety device."


def clock(t_utc_ns: int, zone: ZoneInfo) -> str:
    """Date and time of the zone, with its name."""
    return local(t_utc_ns, zone).strftime("%Y-%m-%d %H:%M:%S %Z")
