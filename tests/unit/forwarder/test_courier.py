"""A courier between a real recording and a server that answers as the test says; time is turned by hand."""

from __future__ import annotations

import random
from pathlib import Path

from loadlog.forwarder.answers import Answer
from loadlog.model.clock import NS
from loadlog.model.event import EventState
from loadlog.store import Archive
from loadlog.store.forward_state import forwarded_up_to
from loadlog.store.viewer_state import FILE
from tests.unit.forwarder.desk import DOWN, Desk, expected, record
from tests.unit.store.recorded import T0, OpenJournal, event, sample


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


def test_an_event_overtakes_what_is_caught_up(tmp_path: Path) -> None:
    record(tmp_path, 5000)
    desk = Desk(tmp_path, batch_lines=500, catch_up_lines_per_s=1000)
    desk.run(lambda: len(desk.server.bodies) == 3)
    with OpenJournal(tmp_path) as opened:
        opened.journal.put_events([event(1, 0)])
        opened.flush()
        desk.run(lambda: any(line.startswith("bench_event") for line in desk.server.bodies[-1]))
    assert len(desk.server.bodies) <= 3 + 3, "within a second or so, though half a second's worth goes at a time"
    desk.drain()
    assert desk.server.samples() == expected(tmp_path)


def test_a_target_that_wants_only_what_comes_from_now_on(tmp_path: Path) -> None:
    record(tmp_path, 600)
    desk = Desk(tmp_path, existing=False)
    desk.drain()
    assert desk.server.samples() == {}
    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(seq) for seq in range(601, 631)))
    desk.again()
    desk.run(lambda: len(desk.server.samples()) == 30)


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
