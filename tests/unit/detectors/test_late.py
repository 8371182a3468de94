"""Polls that start late as a habit."""

from __future__ import annotations

import pytest

from loadlog.detectors import Context
from loadlog.detectors.late import LatePolls
from loadlog.model.event import Event, EventState, Finding, Onset, Severity
from loadlog.model.sample import FailureCause, PollFailure, Reading, Stamp
from loadlog.validation import Validator
from tests.checklists.traces import T0_NS, fresh_random, load_spec

PERIOD_S = 0.1  # a quarter of it is 25 ms
IN_TIME_S, LATE_S = 0.002, 0.06


class Polls:
    """Polls of one device, each begun so long after its deadline."""

    def __init__(self, period_s: float = PERIOD_S) -> None:
        device = load_spec(period_s=period_s)
        self.detector, self.validator, self.context = LatePolls(device), Validator(device), Context(device)
        self.period_s, self.n = period_s, 0

    def at_ns(self, n: int, lateness_s: float) -> int:
        return T0_NS + round((n * self.period_s + lateness_s) * 1e9)

    def __call__(self, lateness_s: float, cause: FailureCause | None = None) -> list[Finding]:
        self.n += 1
        stamp = Stamp(self.at_ns(self.n, lateness_s), 4_000_000, 0, lateness_s)
        item = Reading("load-1", stamp, {"voltage_v": 24_000}) if cause is None else PollFailure("load-1", stamp, cause)
        return list(self.detector.update(self.validator.update(item, self.n), self.context))

    def many(self, count: int, lateness_s: float) -> list[Finding]:
        return [f for _ in range(count) for f in self(lateness_s)]


def test_raised_when_half_of_ten_seconds_were_late_with_the_onset_at_the_first_and_cleared_when_they_are_over() -> None:
    polls = Polls()
    assert polls.many(200, IN_TIME_S) == []
    (raised,) = polls.many(60, LATE_S)
    assert (raised.kind, raised.clear, raised.severity) == ("late_polls", False, Severity.WARNING)
    assert raised.onset == Onset(polls.at_ns(200, IN_TIME_S) - 4_000_000, polls.at_ns(201, LATE_S) + 4_000_000)
    assert raised.evidence["late_share"] == 0.5
    assert raised.evidence["worst_s"] == LATE_S
    assert raised.evidence["limit_s"] == PERIOD_S / 4
    (cleared,) = polls.many(200, IN_TIME_S)
    assert cleared.clear


def test_a_neighbours_time_out_now_and_then_is_no_habit() -> None:
    polls = Polls()
    assert [f for _ in range(50) for f in (*polls.many(16, IN_TIME_S), *polls.many(4, LATE_S))] == []


def test_it_does_not_flicker_about_its_limit() -> None:
    """Half of the polls late by chance: raised once, and nothing more in an hour and a half."""
    polls, rnd = Polls(), fresh_random()
    found = [f for _ in range(50_000) for f in polls(LATE_S if rnd.random() < 0.5 else IN_TIME_S)]
    assert [f.clear for f in found] == [False]


@pytest.mark.parametrize("cause", [FailureCause.SKIPPED, FailureCause.PORT_LOST])
def test_polls_that_were_not_made_say_nothing(cause: FailureCause) -> None:
    polls = Polls()
    assert [f for _ in range(500) for f in polls(LATE_S, cause)] == []
    assert len([f for _ in range(200) for f in polls(LATE_S, FailureCause.TIMEOUT)]) == 1


def test_milliseconds_of_a_busy_machine_do_not_count_however_fast_the_polls() -> None:
    assert Polls(0.01).many(3000, 0.004) == []


def test_after_a_restart_it_ends_with_a_window_in_time() -> None:
    polls = Polls()
    polls.detector.restore(
        Event(
            id=1, seq=1, kind="late_polls", key="", device="load-1", group=None, run=None, severity=Severity.WARNING,
            state=EventState.ACTIVE, onset=Onset(0, 1), detected_utc_ns=1, message="",
        )
    )  # fmt: skip
    assert polls.many(99, IN_TIME_S) == []
    (cleared,) = polls.many(2, IN_TIME_S)
    assert cleared.clear
