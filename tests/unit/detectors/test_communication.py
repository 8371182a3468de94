"""Communication lost and restored."""

from __future__ import annotations

import pytest

from loadlog.detectors import Context
from loadlog.detectors.communication import Communication
from loadlog.model.event import Finding
from loadlog.model.sample import FailureCause, PollFailure, Reading, Stamp
from loadlog.validation import Validator
from tests.checklists.traces import T0_NS, Bench, Load, at_s, covers, fresh_random, load_spec, record


class Polls:
    """Answers and failures, one a period."""

    def __init__(self, period_s: float = 0.1) -> None:
        device = load_spec(period_s=period_s)
        self.detector, self.validator, self.context = Communication(device), Validator(device), Context(device)
        self.period_s, self.n = period_s, 0

    def __call__(self, cause: FailureCause | None = None) -> list[Finding]:
        self.n += 1
        stamp = Stamp(T0_NS + round(self.n * self.period_s * 1e9), 4_000_000)
        item = Reading("load-1", stamp, {"voltage_v": 24_000}) if cause is None else PollFailure("load-1", stamp, cause)
        return list(self.detector.update(self.validator.update(item, self.n), self.context))


@pytest.mark.parametrize(("period_s", "after_polls"), [(0.1, 10), (1.0, 3), (10.0, 3)])
def test_lost_after_three_polls_and_a_second(period_s: float, after_polls: int) -> None:
    polls = Polls(period_s)
    polls()
    found = [len(polls(FailureCause.TIMEOUT)) for _ in range(after_polls + 5)]
    assert found.index(1) + 1 == after_polls
    assert sum(found) == 1


def test_one_answer_starts_the_count_again() -> None:
    polls = Polls(1.0)
    polls()
    for _ in range(10):
        assert not polls(FailureCause.CRC)
        assert not polls(FailureCause.TIMEOUT)
        assert not polls()


def test_skipped_polls_say_nothing() -> None:
    polls = Polls(1.0)
    polls()
    assert not [f for _ in range(50) for f in polls(FailureCause.SKIPPED)]


def test_never_answered_is_lost_too() -> None:
    polls = Polls(1.0)
    assert sum(len(polls(FailureCause.TIMEOUT)) for _ in range(10)) == 1


def test_lost_and_restored_on_the_bench() -> None:
    bench = Bench(fresh_random(), loads=[Load(load_spec())])
    bench.at(20.02, lambda: setattr(bench.loads[0], "answers", False))
    bench.at(30.02, lambda: setattr(bench.loads[0], "answers", True))
    events = record(bench, 40.0).events
    assert [(e.kind, str(e.state)) for e in events] == [
        ("communication_lost", "active"), ("communication_lost", "cleared"), ("communication_restored", "cleared"),
    ]  # fmt: skip
    assert covers(events[0], 20.02)
    assert covers(events[2], 30.02)
    assert events[0].evidence["cause"] == "timeout"
    assert events[1].evidence["outage_s"] == pytest.approx(10.1, abs=0.15)
    assert at_s(events[1].cleared_utc_ns or 0) == pytest.approx(30.05, abs=0.1)
