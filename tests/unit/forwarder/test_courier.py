"""A courier between a real recording and a server that answers as the test says; time is turned by hand."""

from __future__ import annotations

import random
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from loadlog.config import ForwardConfig
from loadlog.forwarder.answers import Answer, Verdict
from loadlog.forwarder.courier import RETRY_MAX_S, Around, Courier
from loadlog.forwarder.facts import State
from loadlog.forwarder.lines import SampleLines
from loadlog.forwarder.service import troubles
from loadlog.forwarder.stamps import Stamps
from loadlog.model.clock import NS
from loadlog.model.event import EventState
from loadlog.store import Archive
from loadlog.store.forward_state import ForwardState, forwarded_up_to, read_forward
from loadlog.store.viewer_state import FILE, ViewerState, open_state
from tests.unit.forwarder.rows import Server
from tests.unit.store.recorded import T0, OpenJournal, event, run_info, sample, snapshot

DOWN = Answer(Verdict.UNREACHABLE, "http://h: nobody listens there")
BAD = Answer(Verdict.LINES_REFUSED, "field type conflict")


class Desk:
    """A courier with everything around it; `again` is what a restart of the viewer does."""

    def __init__(self, folder: Path, server: Server | None = None, **settings: Any) -> None:
        self.folder, self.server = folder, server or Server()
        settings = {"bucket": "b", "catch_up_lines_per_s": 1e7, **settings}
        self.config = ForwardConfig(name="lab", kind="influxdb2", url="http://h", **settings)
        self.now_s = 1000.0
        self.health: dict[str, Any] | None = None
        self.viewer: ViewerState | None = None
        self.again()

    def again(self) -> None:
        if self.viewer is not None:
            self.viewer.close()
        self.viewer = open_state(self.folder)
        around = Around("bench-a", Archive(self.folder), lambda: self.health, lambda: self.now_s, self.utc_ns)
        self.kept = ForwardState(self.viewer, "lab", round(self.config.rewind_s * NS))
        self.courier = Courier(self.config, around, self.kept, self.server)

    def utc_ns(self) -> int:
        return T0 + round(self.now_s * NS)

    def step(self) -> float:
        """One step, and as much time as the courier wants to wait after it."""
        wait_s = self.courier.step()
        self.now_s += wait_s
        return wait_s

    def run(self, until: Callable[[], bool], steps: int = 5000) -> None:
        for _ in range(steps):
            self.step()
            if until():
                return
        raise AssertionError(f"never: {self.courier.facts}")

    def drain(self) -> None:
        """Until nothing waits."""
        self.run(lambda: self.courier.facts.state is State.UP_TO_DATE)


def expected(folder: Path) -> dict[str, str]:
    """Every stored sample as the point it must become."""
    server, lines = Server(), SampleLines("bench-a", Stamps("ns"))
    rows = Archive(folder).follow(0).poll_rows(10**6)
    server("\n".join(lines.line(row) for row in rows).encode())
    assert len(server.points) == len(rows)
    return server.points


def record(folder: Path, count: int, first: int = 1, later_ns: int = 0) -> None:
    """Samples of three devices, one of them in a run for the middle third."""
    with OpenJournal(folder) as opened:
        for seq in range(first, first + count):
            if seq == first + count // 3:
                opened.journal.start_run(run_info(), snapshot())
            if seq == first + 2 * count // 3:
                opened.journal.stop_run("soak-0001", T0, "done")
            opened.journal.put_sample(sample(seq, ("load-1", "load-2", "case")[seq % 3], T0 + seq * NS // 10 + later_ns))
            if seq % 1000 == 0:
                opened.flush()
        opened.flush()


def test_every_sample_arrives_once_and_the_cursor_says_so(tmp_path: Path) -> None:
    record(tmp_path, 3000)
    desk = Desk(tmp_path, batch_lines=500)
    desk.drain()
    assert desk.server.samples() == expected(tmp_path)
    assert sum(map(len, desk.server.bodies)) == 3000
    assert max(map(len, desk.server.bodies)) <= 500
    facts = desk.courier.facts
    assert (facts.lines, facts.backlog_samples, facts.set_aside, facts.failures) == (3000, 0, 0, 0)
    assert max(forwarded_up_to(tmp_path, ["lab"]).values()) == 3000
    desk.again()
    desk.drain()
    assert sum(map(len, desk.server.bodies)) == 3000, "a restart sends nothing again"


def test_recording_goes_on_while_forwarding(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        desk = Desk(tmp_path)
        for start in range(1, 1000, 100):
            opened.put(*(sample(seq, "load-1" if seq % 2 else "case") for seq in range(start, start + 100)))
            for _ in range(4):
                desk.step()
        desk.drain()
        assert desk.server.samples() == expected(tmp_path)


def test_a_crash_at_any_moment_loses_and_doubles_nothing(tmp_path: Path) -> None:
    """The viewer dies: before the request, after the server took it and before the cursor moved, at any step. 100 times, any order."""
    record(tmp_path, 2000)
    recorded, events = OpenJournal(tmp_path), 0
    seed = random.SystemRandom().randrange(2**32)
    print("seed", seed)
    chance = random.Random(seed)
    desk = Desk(tmp_path, batch_lines=500, heartbeat_s=1)
    take = desk.server.__call__

    class DiedError(Exception):
        """Stands for kill -9."""

    def send(body: bytes) -> Answer:
        fate = chance.random()
        if fate < 0.2:
            raise DiedError
        answer = take(body)
        if fate < 0.4:
            raise DiedError
        return DOWN if fate < 0.5 else answer

    for kill in range(1, 101):
        desk.courier._send = send
        recorded.put(*(sample(0, device, T0 + (3000 + kill) * NS) for device in ("load-1", "case")))
        try:
            for _ in range(chance.randrange(8)):
                if chance.random() < 0.3:  # also while a body waits that did not get through
                    events += 1
                    recorded.journal.put_events([event(events, 0)])
                    recorded.flush()
                desk.step()
        except DiedError:
            pass
        desk.again()
    recorded.__exit__()
    desk.drain()
    assert {key for key in desk.server.points if key.startswith("bench_event")} == {
        f"bench_event,bench=bench-a,device=load-1,kind=limit,severity=alarm {T0 + number}" for number in range(1, events + 1)
    }  # fmt: skip
    assert desk.server.samples() == expected(tmp_path)
    assert desk.courier.facts.set_aside == 0


def test_refused_lines_are_set_aside_with_their_reason_and_exactly_those(tmp_path: Path) -> None:
    record(tmp_path, 2000)
    wanted = expected(tmp_path)
    chance = random.Random(7)
    poisoned = set(chance.sample(sorted(wanted), 37))
    desk = Desk(tmp_path, batch_lines=500)
    desk.server.objection = lambda lines: (
        BAD if any(f"{line.split(' ', 1)[0]} {line.rsplit(' ', 1)[1]}" in poisoned for line in lines) else None
    )
    desk.drain()
    aside = desk.kept.aside(limit=10**6)
    assert {f"{one.line.split(' ', 1)[0]} {one.line.rsplit(' ', 1)[1]}" for one in aside} == poisoned
    assert len(aside) == len(poisoned) == desk.courier.facts.set_aside
    assert {one.reason for one in aside} == {"field type conflict"}
    assert desk.server.samples() == {key: value for key, value in wanted.items() if key not in poisoned}
    assert troubles(desk.courier.facts, 60.0)["forward_refused", "lab.set_aside"]

    desk.courier.retry()
    desk.run(lambda: not desk.courier._retry_wanted)
    assert desk.courier.facts.set_aside == 37, "refused again: kept"
    desk.server.objection = lambda lines: None
    desk.courier.retry()
    desk.run(lambda: desk.courier.facts.set_aside == 0)
    assert desk.server.samples() == wanted
    assert read_forward(tmp_path, ["lab"])["lab"].aside == []


def test_a_server_that_refuses_every_line_gets_none_set_aside(tmp_path: Path) -> None:
    """Something that answers 400 to whatever it is sent is no reason to give up a single line."""
    record(tmp_path, 600)
    desk = Desk(tmp_path)
    desk.server.objection = lambda lines: BAD
    desk.run(lambda: desk.courier.facts.state is State.REFUSED)
    assert desk.courier.facts.set_aside == 0
    assert "every line is refused, a sound one too: field type conflict" in desk.courier.facts.detail
    assert len(desk.server.bodies) < 20
    desk.server.objection = lambda lines: None
    desk.drain()
    assert desk.server.samples() == expected(tmp_path)


def test_what_is_older_than_the_server_keeps_is_set_aside_without_asking_for_each_line(tmp_path: Path) -> None:
    record(tmp_path, 2000)
    desk = Desk(tmp_path, batch_lines=500)

    def too_old(lines: list[str]) -> Answer | None:
        old = sum(int(line.rsplit(" ", 1)[1]) < T0 + 100 * NS for line in lines)
        return Answer(Verdict.LINES_REFUSED, f"partial write: points beyond retention policy dropped={old}") if old else None

    desk.server.objection = too_old
    desk.drain()
    assert desk.courier.facts.set_aside == sum(int(key.rsplit(" ", 1)[1]) < T0 + 100 * NS for key in expected(tmp_path))
    assert len(desk.server.bodies) < 60


def test_a_list_of_refused_lines_does_not_grow_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A server that takes the heartbeat and no sample: at some point the rest waits for somebody instead of piling up."""
    monkeypatch.setattr("loadlog.forwarder.courier.MOST_ASIDE", 100)
    record(tmp_path, 1500)
    desk = Desk(tmp_path, batch_lines=500)
    desk.server.objection = lambda lines: BAD if any(line.startswith("load,") for line in lines) else None
    desk.run(lambda: desk.courier.facts.state is State.REFUSED)
    assert desk.courier.facts.set_aside == 500, "one body was judged line by line"
    assert "500 lines are set aside: forwarding waits" in desk.courier.facts.detail
    desk.server.objection = lambda lines: None
    desk.courier.retry()
    desk.drain()
    assert desk.server.samples() == expected(tmp_path)


def test_a_body_that_is_too_large_goes_in_parts(tmp_path: Path) -> None:
    record(tmp_path, 1500)
    desk = Desk(tmp_path)
    desk.server.objection = lambda lines: Answer(Verdict.TOO_LARGE, "too large") if len(lines) > 200 else None
    desk.drain()
    assert desk.server.samples() == expected(tmp_path)
    assert desk.courier.facts.set_aside == 0


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


def test_events_go_first_the_newest_of_them_before_the_others(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        for seq in range(1, 3000, 2):
            opened.journal.put_sample(sample(seq))
            if seq % 5 == 1:
                opened.journal.put_events([event(seq, seq + 1)])
        opened.journal.put_events([event(1, 3002, state=EventState.CLEARED)])
        opened.flush()
    desk = Desk(tmp_path, batch_lines=500)
    desk.drain()
    kinds = ["event" if line.startswith("bench_event") else "sample" for body in desk.server.bodies for line in body]
    assert kinds.index("sample") == 301 == kinds.count("event")
    assert 'id=1i,state="cleared"' in desk.server.bodies[0][0]
    assert f"id={2991}i" in desk.server.bodies[0][1]
    desk.again()
    desk.drain()
    assert sum(map(len, desk.server.bodies)) == len(kinds), "a restart sends no event again"


def test_a_target_that_wants_only_what_comes_from_now_on(tmp_path: Path) -> None:
    record(tmp_path, 600)
    desk = Desk(tmp_path, existing=False)
    desk.drain()
    assert desk.server.samples() == {}
    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(seq) for seq in range(601, 631)))
    desk.again()
    desk.run(lambda: len(desk.server.samples()) == 30)


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


def test_a_damaged_recording_costs_only_itself(tmp_path: Path) -> None:
    record(tmp_path, 3000)
    wanted = expected(tmp_path)
    victim = next(r for r in Archive(tmp_path).recordings() if r.run is not None).path
    data = bytearray(victim.read_bytes())
    data[8192:-4096] = bytes(len(data) - 12288)
    victim.write_bytes(data)
    desk = Desk(tmp_path)
    desk.drain()
    assert desk.server.samples().items() <= wanted.items()
    assert len(desk.server.samples()) >= 2000


def test_a_lost_viewer_database_means_the_same_points_again(tmp_path: Path) -> None:
    record(tmp_path, 1000)
    desk = Desk(tmp_path)
    desk.drain()
    assert desk.viewer is not None
    desk.viewer.close()
    desk.viewer = None
    (tmp_path / FILE).write_bytes(b"not a database at all" * 300)
    desk.again()
    desk.drain()
    assert desk.server.samples() == expected(tmp_path)
    assert (tmp_path / f"{FILE}.damaged").exists()


def test_nothing_recorded_yet(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.drain()
    assert desk.courier.facts.detail == ""
    record(tmp_path, 10)
    desk.run(lambda: len(desk.server.samples()) == 10)
