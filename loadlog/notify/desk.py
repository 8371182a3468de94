"""What one address is told, and when: decides, sends nothing. Time comes in as an argument; the state is JSON for the viewer's database.

Invariants: what begins is told once, or once more when it becomes more severe, and its end only when its beginning was told; nothing that
waits is forgotten, over restarts neither; memory does not grow with the number of events (of a storm only counts are kept).

The way of an event: it waits for its on-delay, then for others of its group, then for the end of quiet hours and for the rate limit.
Whatever waits for one of these is told in one notice with the rest.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loadlog.model.clock import NS
from loadlog.model.event import Severity
from loadlog.notify.hours import QuietHours
from loadlog.notify.news import RANK, News
from loadlog.notify.rate import Rate

MOST_WAITING = 200  # in detail; beyond, what is over is only counted
MOST_TOLD = 2000  # active events that the address was told of


@dataclass(frozen=True, slots=True)
class Policy:
    """``name``: of the address. ``passes``: severity that quiet hours do not hold up, None: nothing passes."""

    name: str
    severity: Severity = Severity.ALARM
    on_delay_s: float = 0.0
    group_s: float = 10.0
    per_hour: int = 12
    cleared: bool = True
    quiet: QuietHours | None = None
    passes: Severity | None = Severity.ALARM


@dataclass(frozen=True, slots=True)
class Entry:
    """Something to tell. ``due_ns``: not before. ``ending``: its beginning was told before. ``count``: how often the same happened.
    ``also``: devices that tell the same cause."""

    news: News
    due_ns: int
    ending: bool = False
    count: int = 1
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Draft:
    """The content of a notice, most severe first. ``counts``: (severity, kind, device) -> how often, of what is only counted."""

    entries: tuple[Entry, ...]
    counts: Mapping[tuple[str, str, str], int] = field(default_factory=dict)

    @property
    def severity(self) -> Severity:
        """Of the worst that is not an ending."""
        found = [e.news.severity for e in self.entries if not e.ending] + [Severity(s) for s, _, _ in self.counts]
        return max(found, key=lambda s: RANK[s], default=Severity.INFO)

    @property
    def only_endings(self) -> bool:
        """Nothing new is wrong."""
        return not self.counts and all(e.ending for e in self.entries)


class Desk:
    """See the module. Not thread-safe."""

    def __init__(self, policy: Policy) -> None:
        self.policy = policy
        self._waiting: dict[str, Entry] = {}
        self._told: dict[str, str] = {}  # id -> severity that was told
        self._counts: dict[tuple[str, str, str], int] = {}
        self._rate = Rate(policy.per_hour)
        self._opened_ns: int | None = None

    # -- in

    def take(self, news: News, now_ns: int) -> None:
        """A state of something, in the order in which it came."""
        if news.kind == "notify_failed" and news.key == self.policy.name:
            return  # an address cannot be told that it cannot be told
        if news.id in self._waiting and not self._waiting[news.id].ending:
            self._renew(news)
        elif news.id in self._told:
            self._follow(news, now_ns)
        elif RANK[news.severity] < RANK[self.policy.severity]:
            return
        elif news.until_ns is None or (news.momentary and news.acknowledged_by is None):
            self._wait(Entry(news, self._due(news, now_ns)))
        # else: an acknowledgement of something that is over

    def was_told(self, news: News) -> None:
        """Of this beginning, by another way."""
        self._waiting.pop(news.id, None)
        self._told[news.id] = str(news.severity)

    def _renew(self, news: News) -> None:
        """It waits: the newest state is told, unless it was over before the on-delay, or turned out to be what is told for itself."""
        entry = self._waiting[news.id]
        if news.is_told_otherwise:
            del self._waiting[news.id]
            return
        if news.until_ns is not None and not news.momentary and news.until_ns - news.since_latest_ns < self.policy.on_delay_s * NS:
            del self._waiting[news.id]
            return
        self._waiting[news.id] = dataclasses.replace(entry, news=news)

    def _follow(self, news: News, now_ns: int) -> None:
        """Its beginning was told."""
        if news.until_ns is not None:
            del self._told[news.id]
            if self.policy.cleared or news.became:  # a mistake is put right, whoever wants no endings
                self._wait(Entry(news, now_ns, ending=True))
        elif RANK[news.severity] > RANK[Severity(self._told[news.id])]:
            del self._told[news.id]
            self._wait(Entry(news, now_ns))

    def _due(self, news: News, now_ns: int) -> int:
        """A clock that was set back delays nothing for longer than the on-delay."""
        delay_ns = 0 if news.momentary else round(self.policy.on_delay_s * NS)
        return min(news.since_latest_ns, now_ns) + delay_ns

    def _wait(self, entry: Entry) -> None:
        self._waiting[entry.news.id] = entry
        if len(self._waiting) > MOST_WAITING:
            over = next((id_ for id_, e in self._waiting.items() if e.news.until_ns is not None), None)
            if over is not None:
                self._count(self._waiting.pop(over))

    def _count(self, entry: Entry) -> None:
        if not entry.ending:
            key = (str(entry.news.severity), entry.news.kind, entry.news.device or entry.news.group)
            self._counts[key] = self._counts.get(key, 0) + entry.count

    # -- out

    def turn(self, now_ns: int) -> Draft | None:
        """What is to be told now, or None. What it returns counts as told."""
        passing = {id_: e for id_, e in self._waiting.items() if self._is_due(e, now_ns) and self._passes(e, now_ns)}
        if not passing:
            self._opened_ns = None
            return None
        if self._opened_ns is None or now_ns < self._opened_ns:
            self._opened_ns = now_ns
        if now_ns - self._opened_ns < self.policy.group_s * NS:
            return None
        draft = Draft(_merged(passing.values()), dict(self._counts))
        if not self._rate.take(now_ns, is_alarm=draft.severity is Severity.ALARM):
            return None
        for id_, entry in passing.items():
            del self._waiting[id_]
            if entry.news.until_ns is None:
                self._told[id_] = str(entry.news.severity)
        while len(self._told) > MOST_TOLD:
            del self._told[next(iter(self._told))]
        self._counts, self._opened_ns = {}, None
        return draft

    def _is_due(self, entry: Entry, now_ns: int) -> bool:
        """Also when it lies further ahead than any on-delay: then the clock was set back since."""
        return entry.due_ns <= now_ns or entry.due_ns > now_ns + round(self.policy.on_delay_s * NS)  # a float holds no ns of this century

    def _passes(self, entry: Entry, now_ns: int) -> bool:
        if self.policy.quiet is None or self.policy.quiet.until(now_ns) is None:
            return True
        return self.policy.passes is not None and RANK[entry.news.severity] >= RANK[self.policy.passes]

    @property
    def waiting(self) -> int:
        """How many events wait to be told, counted ones too."""
        return len(self._waiting) + sum(self._counts.values())

    # -- state

    def to_json(self) -> dict[str, Any]:
        """For the viewer's database."""
        return {
            "waiting": [[e.news.to_json(), e.due_ns, e.ending, e.count] for e in self._waiting.values()],
            "told": self._told, "counts": [[*key, n] for key, n in self._counts.items()],
            "rate": self._rate.to_json(), "opened_ns": self._opened_ns,
        }  # fmt: skip

    def recall(self, data: Mapping[str, Any]) -> None:
        """As `to_json` gave it."""
        if not data:
            return
        entries = [Entry(News.from_json(news), *more) for news, *more in data["waiting"]]
        self._waiting = {e.news.id: e for e in entries}
        self._told = dict(data["told"])
        self._counts = {(severity, kind, device): n for severity, kind, device, n in data["counts"]}
        self._rate.recall(data["rate"])
        self._opened_ns = data["opened_ns"]


def _merged(entries: Any) -> tuple[Entry, ...]:
    """What is the same thing again is one entry, the newest, with a count; beginnings before endings, the most severe first."""
    merged: dict[tuple[Any, ...], Entry] = {}
    for entry in entries:
        key = (entry.news.what, entry.news.severity, entry.ending)
        before = merged.get(key)
        merged[key] = dataclasses.replace(entry, count=entry.count + (before.count if before else 0))
    return tuple(sorted(_told_once(list(merged.values())), key=lambda e: (e.ending, -RANK[e.news.severity], e.news.since_ns)))


def _told_once(entries: list[Entry]) -> list[Entry]:
    """What names another device's as the same cause is told with that one, where it is told here."""
    also: dict[tuple[str, str, bool], tuple[str, ...]] = {}
    for entry in entries:
        if entry.news.same_cause_as:
            key = (entry.news.kind, entry.news.same_cause_as, entry.ending)
            also[key] = (*also.get(key, ()), entry.news.device)
    firsts = {(e.news.kind, e.news.device, e.ending) for e in entries if not e.news.same_cause_as}
    kept = [e for e in entries if not e.news.same_cause_as or (e.news.kind, e.news.same_cause_as, e.ending) not in firsts]
    return [dataclasses.replace(e, also=also.get((e.news.kind, e.news.device, e.ending), ())) for e in kept]
