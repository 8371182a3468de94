"""What a server will not take: set aside with its reason, exactly that, or everything waits where the server takes nothing at all."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from loadlog.forwarder.answers import Answer, Verdict
from loadlog.forwarder.facts import State
from loadlog.forwarder.service import troubles
from loadlog.model.clock import NS
from loadlog.store.forward_state import read_forward
from tests.unit.forwarder.desk import BAD, Desk, expected, record
from tests.unit.store.recorded import T0


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
    assert "every line is refused, a sound one too: field type conflict: check url" in desk.courier.facts.detail
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
