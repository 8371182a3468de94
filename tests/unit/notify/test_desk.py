"""What one address is told and when, in virtual time."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loadlog.model.clock import NS
from loadlog.model.event import Severity
from loadlog.notify.desk import MOST_TOLD, MOST_WAITING, Desk, Draft, Policy
from loadlog.notify.hours import QuietHours
from loadlog.notify.news import News

T0 = 1_800_000_000 * NS  # 2027-01-15T08:00:00Z
HOUR_S = 3600.0


def news(id_: int | str, since_s: float = 0.0, until_s: float | None = None, **more: Any) -> News:
    since = T0 + round(since_s * NS)
    until = None if until_s is None else T0 + round(until_s * NS)
    fields: dict[str, Any] = {"kind": "limit", "severity": Severity.ALARM, "message": "m", "device": "load-1", "key": f"k{id_}", **more}
    return News(id=str(id_), since_ns=since, since_latest_ns=since, until_ns=until, **fields)


class Told:
    """A desk whose clock is turned by hand, once a second; through JSON each time, as if the viewer were restarted at every turn."""

    def __init__(self, **policy: Any) -> None:
        self.policy = Policy("me", **{"group_s": 0.0, **policy})
        self.kept: str = "{}"
        self.s = 0.0
        self.drafts: list[tuple[float, Draft]] = []

    def take(self, *states: News) -> None:
        desk = self._desk()
        for one in states:
            desk.take(one, self.now)
        self._keep(desk)

    def run(self, until_s: float, step_s: float = 1.0) -> list[tuple[float, Draft]]:
        before = len(self.drafts)
        while self.s < until_s:
            desk = self._desk()
            if (draft := desk.turn(self.now)) is not None:
                self.drafts.append((self.s, draft))
            self._keep(desk)
            self.s += step_s
        return self.drafts[before:]

    @property
    def now(self) -> int:
        return T0 + round(self.s * NS)

    @property
    def waiting(self) -> int:
        return self._desk().waiting

    def _desk(self) -> Desk:
        desk = Desk(self.policy)
        desk.recall(json.loads(self.kept))
        return desk

    def _keep(self, desk: Desk) -> None:
        self.kept = json.dumps(desk.to_json())


def ids(drafts: list[tuple[float, Draft]]) -> list[str]:
    return [("-" if e.ending else "+") + e.news.id for _, draft in drafts for e in draft.entries]


def test_an_alarm_is_told_once_and_its_end_once() -> None:
    told = Told()
    told.take(news(1))
    told.run(5)
    told.take(news(1, message="new evidence"))
    told.run(10)
    told.take(news(1, until_s=9))
    told.run(20)
    told.take(news(1, until_s=9, acknowledged_by="mk"))
    told.run(30)
    assert ids(told.drafts) == ["+1", "-1"]


def test_what_is_less_severe_than_asked_for_is_not_told_until_it_becomes_more_severe() -> None:
    told = Told()
    told.take(news(1, severity=Severity.WARNING))
    assert told.run(5) == []
    told.take(news(1))
    assert ids(told.run(10)) == ["+1"]


def test_a_warning_that_was_told_is_told_again_when_it_becomes_an_alarm() -> None:
    told = Told(severity=Severity.WARNING)
    told.take(news(1, severity=Severity.WARNING))
    told.run(5)
    told.take(news(1))
    told.run(10)
    told.take(news(1, until_s=9))
    told.run(15)
    assert ids(told.drafts) == ["+1", "+1", "-1"]


def test_something_momentary_is_told_at_once_and_once_also_with_an_on_delay() -> None:
    told = Told(on_delay_s=60)
    told.take(news(1, until_s=0, momentary=True))
    assert ids(told.run(5)) == ["+1"]
    told.take(news(1, until_s=0, momentary=True, acknowledged_by="mk"))
    assert told.run(300) == []


def test_an_on_delay_holds_to_the_nanosecond() -> None:
    """Instants in ns have more digits than a float: rounded down, an alarm that began just now seemed to come from a clock that was set
    back, and was told at once."""
    told = Told(on_delay_s=20.0)
    for n in range(1, 40):
        told.s = 5.625 + n / 128.0
        told.take(news(n, told.s))
        assert ids(told.run(told.s + 0.5)) == []


def test_an_alarm_that_is_over_before_the_on_delay_is_not_told_and_a_longer_one_is() -> None:
    told = Told(on_delay_s=30)
    told.take(news(1), news(2))
    told.run(20)
    told.take(news(1, until_s=19))
    assert told.run(29) == []
    assert ids(told.run(40)) == ["+2"]


def test_what_is_over_when_it_is_told_says_so_and_is_told_once() -> None:
    told = Told(group_s=10)
    told.take(news(1))
    told.run(3)
    told.take(news(1, until_s=2.5))
    (found,) = told.run(60)
    assert [(e.news.until_ns, e.ending) for e in found[1].entries] == [(T0 + round(2.5 * NS), False)]


def test_events_close_in_time_are_one_notice() -> None:
    told = Told(group_s=10)
    for second in range(10):
        told.take(news(second, second))
        told.run(second + 1)
    told.run(60)
    assert [len(draft.entries) for _, draft in told.drafts] == [10]
    told.take(news("late", 60))
    assert [s for s, _ in told.run(90)] == [70]


def test_the_end_is_not_told_where_nobody_wants_it() -> None:
    told = Told(cleared=False)
    told.take(news(1))
    told.run(5)
    told.take(news(1, until_s=4))
    assert told.run(10) == []


def test_an_address_is_not_told_that_it_cannot_be_told() -> None:
    told = Told(severity=Severity.INFO)
    told.take(news(1, kind="notify_failed", key="me"), news(2, kind="notify_failed", key="other"))
    assert ids(told.run(5)) == ["+2"]


def test_a_storm_is_few_notices_that_count_everything() -> None:
    """A thousand alarms in ten minutes, each over after a second."""
    told = Told(group_s=10)
    for first in range(0, 1000, 10):
        told.run(first * 0.6, step_s=6.0)
        for number in range(first, first + 10):
            begun = news(number, number * 0.6, device=f"load-{number % 8}", key="voltage_v.low")
            told.take(begun, dataclasses.replace(begun, until_ns=begun.since_ns + NS // 2))
    assert len(told.kept) < 400_000
    told.run(2 * HOUR_S, step_s=30)
    assert len(told.drafts) <= 6
    assert sum(e.count for _, d in told.drafts for e in d.entries) + sum(n for _, d in told.drafts for n in d.counts.values()) == 1000
    assert told.waiting == 0


def test_memory_stays_bounded_however_long_nobody_accepts_anything() -> None:
    told = Told()
    desk = Desk(told.policy)
    for number in range(20_000):
        desk.take(news(number, number), told.now)
        desk.take(news(number, number, number + 1), told.now)
    assert desk.waiting == 20_000
    assert len(desk.to_json()["waiting"]) <= MOST_WAITING
    assert MOST_TOLD < 20_000


QUIET = QuietHours(dt.time(22), dt.time(7), ZoneInfo("UTC"))  # T0 is 08:00


def test_warnings_wait_for_the_end_of_quiet_hours_and_alarms_pass() -> None:
    told = Told(severity=Severity.WARNING, quiet=QUIET)
    told.s = 15 * HOUR_S  # 23:00
    told.take(news("w", told.s, severity=Severity.WARNING), news("a", told.s))
    assert ids(told.run(15 * HOUR_S + 10)) == ["+a"]
    told.run(22.9 * HOUR_S, step_s=60)
    assert ids(told.drafts) == ["+a"]
    told.run(23.1 * HOUR_S, step_s=60)
    assert ids(told.drafts) == ["+a", "+w"]
    assert told.drafts[-1][0] == pytest.approx(23 * HOUR_S, abs=120)


def test_nothing_passes_where_that_is_wanted() -> None:
    told = Told(quiet=QUIET, passes=None)
    told.s = 15 * HOUR_S
    told.take(news("a", told.s))
    assert told.run(22.9 * HOUR_S, step_s=60) == []
    assert ids(told.run(23.1 * HOUR_S, step_s=60)) == ["+a"]


def test_an_alarm_still_comes_through_when_warnings_have_used_up_their_share() -> None:
    told = Told(severity=Severity.WARNING, per_hour=6)
    for number in range(20):
        told.take(news(number, told.s, severity=Severity.WARNING))
        told.run(told.s + 2)
    told.take(news("a", told.s))
    at = told.s
    assert "+a" in ids(told.run(at + 3))


@pytest.mark.parametrize("when_s", [7203.0, 7208.0], ids=["during the on-delay", "while the group gathers"])
def test_a_clock_that_is_set_back_by_two_hours_delays_an_alarm_by_its_group_and_on_delay_at_most(when_s: float) -> None:
    told = Told(group_s=10, on_delay_s=5)
    told.s = 7200.0
    told.take(news(1, 7200.0))
    told.run(when_s)
    told.s = 0.0
    told.take(news(2, 7203.0))  # stamped by the clock before
    told.run(60)
    assert sorted(ids(told.drafts)) == ["+1", "+2"]


MOVES = st.lists(
    st.tuples(st.floats(0, 900), st.sampled_from(["raise", "clear", "flap"]), st.integers(0, 7), st.sampled_from(list(Severity))),
    max_size=60,
)


@settings(max_examples=120, deadline=None)
@given(moves=MOVES, per_hour=st.integers(1, 20), group_s=st.sampled_from([0.0, 5.0, 60.0]), on_delay_s=st.sampled_from([0.0, 20.0]))
def test_whatever_happens_nothing_is_forgotten_nothing_told_twice_and_never_too_much(
    moves: list[tuple[float, str, int, Severity]], per_hour: int, group_s: float, on_delay_s: float
) -> None:
    """Over a random course of events with the state kept and taken up at every turn: beginnings are told once, ends once and only after
    their beginning, what is active at the end was told, the count is right, and no hour has more notices than allowed."""
    told = Told(per_hour=per_hour, group_s=group_s, on_delay_s=on_delay_s, severity=Severity.INFO)
    active: dict[int, News] = {}
    every: dict[str, News] = {}
    number = 0
    for wait_s, move, slot, severity in moves:
        told.run(told.s + wait_s, step_s=max(1.0, wait_s / 5))
        if move == "raise" and slot not in active:
            number += 1
            active[slot] = news(number, told.s, severity=severity, device=f"d{slot}")
            told.take(active[slot])
        elif move == "clear" and slot in active:
            begun = active.pop(slot)
            every[begun.id] = news(begun.id, (begun.since_ns - T0) / NS, told.s, severity=begun.severity, device=f"d{slot}")
            told.take(every[begun.id])
        elif move == "flap":
            number += 1
            states = news(number, told.s, severity=severity), news(number, told.s, told.s + 30, severity=severity)
            every[str(number)] = states[1]
            told.take(*states)
    told.run(told.s + 3 * HOUR_S, step_s=30)
    times = [s for s, _ in told.drafts]
    for first in times:
        assert sum(first <= s < first + HOUR_S for s in times) <= per_hour
    begun_at = {e.news.id: i for i, (_, d) in enumerate(told.drafts) for e in d.entries if not e.ending}
    begun = [e.news.id for _, d in told.drafts for e in d.entries if not e.ending]
    ended = [(e.news.id, i) for i, (_, d) in enumerate(told.drafts) for e in d.entries if e.ending]
    assert len(begun) == len(set(begun))
    assert len(ended) == len(set(ended))
    for id_, i in ended:
        assert begun_at[id_] < i
    long_enough = {n.id for n in active.values()}
    long_enough |= {n.id for n in every.values() if n.until_ns is not None and n.until_ns - n.since_ns >= on_delay_s * NS}
    assert set(begun) == long_enough
    assert told.waiting == 0


def withdrawn(id_: int, became: str, until_s: float = 2.0) -> News:
    return news(id_, until_s=until_s, kind="open_circuit", became=became)


def test_what_was_withdrawn_before_it_was_told_is_told_as_what_it_is() -> None:
    told = Told(group_s=10.0)
    told.take(news(1, kind="open_circuit"))
    told.run(2)
    told.take(withdrawn(1, "supply_trip"), news(2, kind="supply_trip"))
    assert ids(told.run(60)) == ["+2"]


def test_what_turned_out_to_be_nothing_that_is_told_for_itself_is_told() -> None:
    told = Told(group_s=10.0)
    told.take(news(1, kind="sense_fallback"))
    told.take(withdrawn(1, "supply_droop"))
    assert ids(told.run(60)) == ["+1"]


@pytest.mark.parametrize("cleared", [True, False])
def test_what_was_told_and_is_withdrawn_is_put_right_whether_or_not_endings_are_told(cleared: bool) -> None:
    told = Told(cleared=cleared)
    told.take(news(1, kind="open_circuit"), news(3))
    told.run(5)
    told.take(withdrawn(1, "supply_trip", 5.0), news(2, kind="supply_trip"), news(3, until_s=5.0))
    assert ids(told.run(10)) == ["+1", "+3", "+2", "-1", *(["-3"] if cleared else [])][2:]


def test_a_source_that_takes_down_a_group_is_one_entry() -> None:
    def trip(number: int, same_cause_as: str = "", **more: Any) -> News:
        return news(number, kind="supply_trip", device=f"load-{number}", key="", same_cause_as=same_cause_as, **more)

    told = Told(group_s=10.0)
    told.take(trip(2, "load-1"), trip(1), trip(3, "load-1"), trip(4, "load-9"))
    (_, first), = told.run(20)  # fmt: skip
    assert {e.news.id: e.also for e in first.entries} == {"1": ("load-2", "load-3"), "4": ()}
    told.take(trip(1, until_s=30.0), trip(2, "load-1", until_s=30.0))
    (_, ends), = told.run(60)  # fmt: skip
    assert [(e.news.id, e.ending, e.also) for e in ends.entries] == [("1", True, ("load-2",))]
