"""Bodies that are made ready beside the one that is on its way are those that would have been made one after the other."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from loadlog.config import ForwardConfig
from loadlog.forwarder.backlog import waiting_samples
from loadlog.forwarder.bodies import READY_AT_MOST, Bodies, Body
from loadlog.model.clock import NS
from loadlog.model.errors import StoreError
from loadlog.store import Archive
from loadlog.store.follower import Follower, Stretch
from loadlog.store.forward_state import Position
from tests.unit.forwarder.desk import record
from tests.unit.store.recorded import PATIENCE_S, T0, OpenJournal, sample

LINES = 500
CONFIG = ForwardConfig(name="lab", kind="influxdb2", url="http://h", bucket="b", batch_lines=LINES)


@contextlib.contextmanager
def bodies_of(folder: Path) -> Iterator[Bodies]:
    bodies = Bodies(CONFIG, "bench-a", Archive(folder), Position())
    try:
        yield bodies
    finally:
        bodies.close()


def until_ready(bodies: Bodies, lines: int) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while bodies.unread[1] < lines:
        assert time.monotonic() < end_s
        time.sleep(0.001)


def one_by_one(folder: Path) -> list[Body]:
    out = []
    with bodies_of(folder) as bodies:
        while (body := bodies.first()) is not None:
            out.append(body)
            bodies.done()
    return out


def test_bodies_made_ahead_are_those_made_one_by_one(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:  # one recording: what waits in it can be counted
        opened.put(*(sample(seq, ("load-1", "case")[seq % 2], T0 + seq * NS // 10) for seq in range(1, 5001)))
    found, archive = list[Body](), Archive(tmp_path)
    with bodies_of(tmp_path) as bodies:
        while (body := bodies.first()) is not None:
            bodies.read_ahead()
            places, lines = bodies.unread
            assert waiting_samples(archive.recordings(), places) + lines == 5000 - LINES * len(found), "none is between read and ready"
            found.append(body)
            bodies.done()
    assert found == one_by_one(tmp_path)
    assert sum(body.lines for body in found) == 5000


def test_so_many_are_made_ready_and_no_more(tmp_path: Path) -> None:
    record(tmp_path, 5000)
    with bodies_of(tmp_path) as bodies:
        assert bodies.first() is not None
        for _ in range(3):
            bodies.read_ahead()
            until_ready(bodies, READY_AT_MOST * LINES)
        assert bodies.unread[1] == READY_AT_MOST * LINES


def test_what_was_ready_comes_before_the_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    record(tmp_path, 5000)
    read = Follower.poll_slabs
    with bodies_of(tmp_path) as bodies:
        assert bodies.first() is not None

        def poll_slabs(follower: Follower, limit: int = 0) -> list[Stretch]:
            if bodies.unread[1] >= 2 * LINES:
                raise StoreError("the disk is gone")
            return read(follower, limit)

        monkeypatch.setattr(Follower, "poll_slabs", poll_slabs)
        bodies.read_ahead()
        until_ready(bodies, 2 * LINES)
        for _ in range(2):
            assert bodies.first() is not None
            bodies.done()
        with pytest.raises(StoreError, match="the disk is gone"):
            bodies.first()
