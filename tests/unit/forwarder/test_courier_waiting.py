"""Servers that are down, busy, slow or forgetful: everything waits, is caught up at a bounded rate, comes again where it may be lost."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from loadlog.forwarder.answers import Answer, Verdict
from loadlog.forwarder.courier import RETRY_MAX_S
from loadlog.forwarder.facts import State
from loadlog.forwarder.service import troubles
from loadlog.model.clock import NS
from tests.unit.forwarder.desk import DOWN, Desk, expected, record
from tests.unit.store.recorded import OpenJournal, sample


@pytest.mark.parametrize("verdict", [Verdict.UNREACHABLE, Verdict.UNAVAILABLE, Verdict.TARGET_REFUSES])
def test_everything_waits_for_a_server_that_does_not_take_it(tmp_path: Path, verdict: Verdict) -> None:
    record(tmp_path, 600)
    desk = Desk(tmp_path)
    tried_s: list[float] = []

    def refuse(lines: list[str]) -> Answer:
        tried_s.append(desk.now_s)
        return Answer(verdict, "http://h: no")

    desk.server.objection = refuse
    desk.run(lambda: len(tried_s) == 10)
    gaps = [round(b - a) for a, b in pairwise(tried_s)]
    assert gaps[:6] == [1, 2, 4, 8, 16, 32]
    assert max(gaps) == RETRY_MAX_S
    facts = desk.courier.facts
    assert facts.state is (State.REFUSED if verdict is Verdict.TARGET_REFUSES else State.WAITING)
    assert (facts.detail, facts.backlog_samples >= 600, facts.set_aside) == ("http://h: no", True, 0)
    said = troubles(facts, 60.0)
    assert "about 600 samples wait" in said["forward_backlog", "lab"]
    assert bool(said["forward_refused", "lab"]) == (verdict is Verdict.TARGET_REFUSES)
    desk.server.objection = lambda lines: None
    desk.drain()
    assert desk.server.samples() == expected(tmp_path)
    assert not any(troubles(desk.courier.facts, 60.0).values())


def test_retry_after_is_kept_to_the_second(tmp_path: Path) -> None:
    record(tmp_path, 600)
    desk = Desk(tmp_path)
    sent_s: list[float] = []

    def busy_once(lines: list[str]) -> Answer | None:
        sent_s.append(desk.now_s)
        return Answer(Verdict.UNAVAILABLE, "busy", 37.0) if len(sent_s) == 1 else None

    desk.server.objection = busy_once
    desk.drain()
    assert sent_s[1] - sent_s[0] == pytest.approx(37.0)


def test_a_backlog_is_caught_up_at_the_configured_rate_with_progress_shown(tmp_path: Path) -> None:
    record(tmp_path, 6000)
    desk = Desk(tmp_path, batch_lines=500, catch_up_lines_per_s=250)
    begun = desk.now_s
    remaining: list[float] = []
    desk.run(lambda: remaining.append(desk.courier.facts.remaining_s or 0.0) or desk.courier.facts.state is State.UP_TO_DATE)  # type: ignore[func-returns-value]
    assert 5500 / 250 <= desk.now_s - begun <= 6000 / 250 + 3
    known = [r for r in remaining if r]
    assert known[0] > known[-1] > 0
    assert known == sorted(known, reverse=True) or max(known) < 6000 / 250 * 1.5


def test_heartbeats_come_through_while_hours_are_caught_up(tmp_path: Path) -> None:
    record(tmp_path, 6000)
    desk = Desk(tmp_path, batch_lines=500, catch_up_lines_per_s=250, heartbeat_s=2)
    desk.health = {"rack": {"polls": 7}}
    desk.drain()
    beats = sorted(int(key.rsplit(" ", 1)[1]) for key in desk.server.points if key.startswith("bench_health"))
    gaps = [b - a for a, b in pairwise(beats)]
    assert len(beats) >= 10
    assert max(gaps) < 4.5 * NS


def test_a_dead_recorder_has_no_heartbeat(tmp_path: Path) -> None:
    record(tmp_path, 600)
    desk = Desk(tmp_path, heartbeat_s=1)
    desk.drain()
    for _ in range(20):
        desk.step()
    assert not any(key.startswith("bench_health") for key in desk.server.points)


def test_a_server_that_forgets_what_it_acknowledged_last_gets_it_again(tmp_path: Path) -> None:
    """An acknowledgement that is not durable: the server dies and comes back without the last 5 s."""
    desk = Desk(tmp_path, rewind_s=15)
    with OpenJournal(tmp_path) as opened:
        for second in range(30):
            opened.put(*(sample(seq) for seq in range(1 + 10 * second, 11 + 10 * second)))
            desk.run(lambda: desk.courier.facts.backlog_samples == 0 and desk.courier.facts.state is State.UP_TO_DATE)
            desk.step()
        wanted = expected(tmp_path)
        assert desk.server.samples() == wanted
        for key in sorted(wanted, key=lambda k: int(k.rsplit(" ", 1)[1]))[-50:]:
            del desk.server.points[key]
        desk.server.objection = lambda lines: DOWN
        opened.put(sample(500))
        desk.run(lambda: desk.courier.facts.state is State.WAITING)
        desk.server.objection = lambda lines: None
        sent = sum(map(len, desk.server.bodies))
        desk.drain()
        assert desk.server.samples() == expected(tmp_path)
        assert sum(map(len, desk.server.bodies)) - sent < 150, "not everything is sent again"


def test_a_server_that_was_started_again_between_two_requests_gets_it_again(tmp_path: Path) -> None:
    """Nobody was sending while it died and came back without the last 5 s: only the connection tells."""
    desk = Desk(tmp_path, rewind_s=15, heartbeat_s=3600)
    with OpenJournal(tmp_path) as opened:
        for second in range(30):
            opened.put(*(sample(seq) for seq in range(1 + 10 * second, 11 + 10 * second)))
            desk.run(lambda: desk.courier.facts.backlog_samples == 0 and desk.courier.facts.state is State.UP_TO_DATE)
            desk.step()
        for key in sorted(expected(tmp_path), key=lambda k: int(k.rsplit(" ", 1)[1]))[-50:]:
            del desk.server.points[key]
        desk.server.is_other_connection = True
        opened.put(sample(500))
        desk.run(lambda: not desk.server.is_other_connection)
        desk.drain()
        assert desk.server.samples() == expected(tmp_path)
        assert desk.courier.facts.failures == 0
