"""All addresses' desks over the recordings: reads what is new, asks each desk, and keeps everything in one transaction.

`look` is one turn. An error of the store leaves nothing half done: everything is taken up again from what was kept.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from loadlog.config import NotifyConfig
from loadlog.model.clock import NS
from loadlog.model.errors import LoadlogError, StoreError
from loadlog.model.event import Event, Severity
from loadlog.notify.desk import Desk, Policy
from loadlog.notify.digest import Day, digest
from loadlog.notify.hours import QuietHours, last_due
from loadlog.notify.news import News, of_event
from loadlog.notify.sender import Address
from loadlog.notify.text import Letterhead, Text, notice
from loadlog.notify.unkept import Told
from loadlog.notify.watch import Watch
from loadlog.store import Archive
from loadlog.store.follower import Follower
from loadlog.store.notify_state import DIGEST, EVENTS, Notice, NotifyState

MOMENTARY = 200  # ids that are remembered, since every open recording tells events of no device
DAY_NS = 86_400 * NS
LONGEST_DIGEST_NS = 31 * DAY_NS
KEEP_S = 300.0  # how often places are kept when there is nothing else to keep
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Around:
    """What the desks need of the world. ``status``: what the recorder says, None while it does not answer; ``failing``: addresses that do
    not accept notices, with the reason."""

    archive: Archive
    monotonic_s: Callable[[], float]
    utc_ns: Callable[[], int]
    failing: Callable[[], Mapping[str, str]]


def policy_of(address: Address, config: NotifyConfig) -> Policy:
    """How an address is told."""
    zone = ZoneInfo(config.time_zone)
    quiet = None
    if address.target.quiet and config.quiet_from:
        quiet = QuietHours(dt.time.fromisoformat(config.quiet_from), dt.time.fromisoformat(config.quiet_to), zone)
    passes = None if config.quiet_passes == "nothing" else Severity(config.quiet_passes)
    severity = Severity(address.target.severity or config.severity)
    return Policy(address.name, severity, config.on_delay_s, config.group_s, config.per_hour, config.cleared, quiet, passes)


class Desks:
    """Not thread-safe."""

    def __init__(self, config: NotifyConfig, addresses: Sequence[Address], head: Letterhead, around: Around, state: NotifyState) -> None:
        self._config, self._addresses, self._head, self._around, self._kept = config, addresses, head, around, state
        self._desks: dict[str, Desk] = {}
        self._watch = Watch(config.recorder_gone_s)
        self._follower: Follower | None = None
        self._floor = 0
        self._momentary: list[str] = []
        self._digest_ns = 0
        self._kept_s = 0.0
        self._changed = False
        self._kept_troubles: frozenset[str] = frozenset()
        self._places: dict[str, int] = {}
        self._newcomers: list[str] = []  # addresses that were never told anything
        self.waiting: dict[str, int] = {}  # address -> how many events wait to be told, as of the last turn
        self.trouble = ""  # why the recordings cannot be read

    def look(self, troubles: Mapping[str, str], status: Mapping[str, Any] | None, told: Told | None = None) -> bool:
        """One turn; whether notices were made. ``troubles``: of the service, by kind. ``told``: what was told of them without us.

        Raises:
            StoreError: nothing was kept; the next turn begins where the last one ended.
        """
        try:
            return self._look(troubles, status, told)
        except StoreError:
            self._desks, self._follower = {}, None
            raise

    def _look(self, troubles: Mapping[str, str], status: Mapping[str, Any] | None, told: Told | None) -> bool:
        now_ns = self._around.utc_ns()
        if not self._desks:
            self._begin()
        if told is not None:
            self._adopt(told, now_ns)
        news = self._watch.look(troubles, self._around.monotonic_s(), now_ns)
        self._take([*news, *self._events()], now_ns)
        made = self._drafts(now_ns) + self._digests(now_ns, status)
        if self._changed or made or self._around.monotonic_s() - self._kept_s > KEEP_S:
            self._keep(made)
        self.waiting = {name: desk.waiting for name, desk in self._desks.items()}
        return bool(made)

    def has_kept(self, kind: str) -> bool:
        """That this trouble lasts; so it is told, or was."""
        return kind in self._kept_troubles

    def _adopt(self, told: Told, now_ns: int) -> None:
        """Whoever was told of it is told its end, the others of it too."""
        self._watch.was_told(told.news.kind, told.news.since_ns)
        for name, desk in self._desks.items():
            if name in told.addresses:
                desk.was_told(told.news)
            else:
                desk.take(told.news, now_ns)
        self._changed = True

    def quiet(self) -> set[str]:
        """Addresses for which quiet hours are on."""
        now_ns = self._around.utc_ns()
        return {name for name, desk in self._desks.items() if (hours := desk.policy.quiet) is not None and hours.until(now_ns) is not None}

    # -- beginning

    def _begin(self) -> None:
        kept = self._kept.load()
        desks = {address.name: Desk(policy_of(address, self._config)) for address in self._addresses}
        for name, desk in desks.items():
            desk.recall(kept.desks.get(name, {}))
        service = kept.service
        self._watch.recall(service.get("troubles", {}))
        self._kept_troubles = frozenset(self._watch.lasting)
        self._momentary = list(service.get("momentary", ()))
        now_ns = self._around.utc_ns()
        self._digest_ns = service.get("digest_ns", now_ns)
        if self._digest_ns > now_ns + DAY_NS:  # the clock was far ahead when that was kept
            self._digest_ns = now_ns
        self._floor, self._follower = int(service.get("floor", -1)), None
        self._places = dict(kept.places)
        self._desks = desks
        self._newcomers = [name for name in desks if not kept.desks.get(name)]  # a courier may have told of itself already
        self._changed = True

    def _events(self) -> list[News]:
        """What is new in the recordings; also what is active, for addresses that were never told anything."""
        archive = self._around.archive
        try:
            if not archive.folder.is_dir():
                return []
            follower = self._follower = self._follower or self._follow(archive)
            if follower is None:
                return []
            fresh = [of_event(event) for event in follower.poll_events()]
            if self._newcomers:
                known = {news.id for news in fresh}
                self._introduce([event for event in archive.events(active=True) if str(event.id) not in known])
            self.trouble = ""
        except StoreError as exc:
            if str(exc) != self.trouble:
                _log.warning("events are not told: %s", exc)
            self.trouble = str(exc)
            return []
        return fresh

    def _follow(self, archive: Archive) -> Follower | None:
        """From where the last viewer was; from now on at the first start, or where the recordings are others than then. None while those
        that there were are gone: a disk may only not be mounted yet."""
        newest = max((recording.last_seq for recording in archive.recordings()), default=0)
        reached = max([self._floor, *self._places.values()])
        if newest == 0 and reached > 0:
            return None
        if self._floor < 0 or newest < reached:
            self._floor, self._places = newest, {}
        return archive.follow(self._floor, event_places=self._places)

    def _introduce(self, active: Sequence[Event]) -> None:
        now_ns = self._around.utc_ns()
        for name in self._newcomers:
            for event in active:
                self._desks[name].take(of_event(event), now_ns)
        self._newcomers = []
        self._changed = True

    # -- a turn

    def _take(self, news: Sequence[News], now_ns: int) -> None:
        for one in news:
            if one.momentary and not one.device:
                if one.id in self._momentary and one.acknowledged_by is None:
                    continue
                self._momentary = [*self._momentary, one.id][-MOMENTARY:]
            for desk in self._desks.values():
                desk.take(one, now_ns)
            self._changed = True

    def _drafts(self, now_ns: int) -> list[Notice]:
        """A desk whose last notice was not accepted yet goes on gathering."""
        busy = self._kept.waiting(EVENTS) if any(desk.waiting for desk in self._desks.values()) else set()
        out = []
        for name, desk in self._desks.items():
            if desk.waiting and name not in busy and (draft := desk.turn(now_ns)) is not None:
                out.append(_notice(name, EVENTS, notice(draft, self._head), now_ns))
        return out

    def _digests(self, now_ns: int, status: Mapping[str, Any] | None) -> list[Notice]:
        if not self._config.digest_at:
            return []
        due_ns = last_due(dt.time.fromisoformat(self._config.digest_at), self._head.zone, now_ns)
        if due_ns <= self._digest_ns:
            return []
        since_ns = max(self._digest_ns, now_ns - LONGEST_DIGEST_NS)
        try:
            text = digest(self._day(since_ns, now_ns, status), self._head)
        except LoadlogError as exc:
            _log.warning("the digest cannot be made yet: %s", exc)
            return []
        self._digest_ns = now_ns
        return [_notice(address.name, DIGEST, text, now_ns) for address in self._addresses if address.target.digest]

    def _day(self, since_ns: int, now_ns: int, status: Mapping[str, Any] | None) -> Day:
        archive = self._around.archive
        if not archive.folder.is_dir():
            return Day(since_ns, now_ns, [], [], status, ["nothing was recorded yet"])
        events = {e.id: e for e in (*archive.events(since_ns=since_ns), *archive.events(active=True))}
        runs = [run for run in archive.runs() if run.ended_utc_ns is None or run.ended_utc_ns >= since_ns]
        failing = [f"no notices reach {name}: {reason}" for name, reason in self._around.failing().items()]
        trouble = [f"the recordings cannot be read: {self.trouble}"] if self.trouble else []
        return Day(since_ns, now_ns, list(events.values()), runs, status, [*trouble, *failing])

    def _keep(self, made: Sequence[Notice]) -> None:
        if self._follower is not None:
            self._places = self._follower.event_places
        service = {
            "floor": self._floor, "troubles": self._watch.lasting, "momentary": self._momentary, "digest_ns": self._digest_ns,
        }  # fmt: skip
        self._kept.keep(self._places, service, {name: desk.to_json() for name, desk in self._desks.items()}, made)
        self._kept_troubles = frozenset(self._watch.lasting)
        self._changed, self._kept_s = False, self._around.monotonic_s()


def _notice(address: str, kind: str, text: Text, now_ns: int) -> Notice:
    return Notice(address, now_ns, kind, text.severity, text.subject, text.body)
