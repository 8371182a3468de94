"""What is asked of a unit that may owe an answer."""

from __future__ import annotations

import pytest

from loadlog.bus.doubt import DISTRUST_S, Doubts
from loadlog.bus.pdu import exchange
from loadlog.model.wire import ModbusRead, ModbusWrite

A = exchange(1, ModbusRead(3, 0, 10))


def test_nothing_owed_nothing_asked() -> None:
    assert Doubts().probe(A, 0) is None


def test_probe_asks_for_an_answer_of_another_length_at_the_same_address() -> None:
    doubts = Doubts()
    doubts.owes(A, 100)
    probe = doubts.probe(A, 0)
    assert probe is not None
    assert probe.request == ModbusRead(3, 0, 9)
    doubts.owes(probe, 100)
    second = doubts.probe(A, 0)
    assert second is not None
    assert second.reply_bytes not in (A.reply_bytes, probe.reply_bytes)


@pytest.mark.parametrize(
    ("request_", "expected"),
    [
        (ModbusRead(3, 7, 1), ModbusRead(3, 7, 2)),
        (ModbusRead(3, 7, 2), ModbusRead(3, 7, 1)),
        (ModbusRead(2, 0, 4), ModbusRead(2, 0, 12)),
        (ModbusRead(2, 0, 16), ModbusRead(2, 0, 8)),
        (ModbusRead(3, 0xFFFF, 1), None),
    ],
)
def test_shorter_first_and_inside_the_address_space(request_: ModbusRead, expected: ModbusRead | None) -> None:
    doubts, call = Doubts(), exchange(1, request_)
    doubts.owes(call, 100)
    probe = doubts.probe(call, 0)
    assert (probe.request if probe else None) == expected


def test_answer_settles_it() -> None:
    doubts = Doubts()
    doubts.owes(A, 100)
    doubts.answered(1)
    assert doubts.probe(A, 0) is None


def test_other_units_are_not_concerned() -> None:
    doubts = Doubts()
    doubts.owes(A, 100)
    assert doubts.probe(exchange(2, ModbusRead(3, 0, 10)), 0) is None


def test_doubt_ends_by_itself() -> None:
    doubts = Doubts()
    doubts.owes(A, 100)
    assert doubts.probe(A, 101) is None
    assert not doubts.concern(1)


def test_refusal_settles_the_oldest_only() -> None:
    doubts = Doubts()
    doubts.owes(A, 100)
    probe = doubts.probe(A, 0)
    assert probe is not None
    doubts.owes(probe, 100)
    doubts.refused(1)
    assert doubts.probe(A, 0) is None, "what is still owed has another length"
    assert doubts.probe(exchange(1, probe.request), 0) is not None


def test_writes_owe_nothing_that_could_be_mistaken() -> None:
    doubts = Doubts()
    doubts.owes(exchange(1, ModbusWrite(6, 0, (1,))), 100)
    assert not doubts.concern(1)


def test_unit_that_answered_with_a_length_nobody_asked_for_rests_while_it_may_owe_an_answer() -> None:
    doubts = Doubts()
    doubts.heard(A, [A.reply_bytes - 2], 0)
    assert not doubts.must_rest(1, 50), "it owes nothing"
    doubts.owes(A, 100)
    assert doubts.must_rest(1, 50)
    assert not doubts.must_rest(2, 50)
    assert not doubts.must_rest(1, 101), "ten time-outs have passed: nothing more comes"


def test_late_answer_of_a_length_that_was_asked_for_earlier_is_no_reason_for_distrust() -> None:
    doubts = Doubts()
    doubts.owes(A, 100)
    probe = doubts.probe(A, 0)
    assert probe is not None
    doubts.heard(probe, [A.reply_bytes], 0)
    assert not doubts.must_rest(1, 50)


def test_distrust_ends_after_an_hour() -> None:
    doubts = Doubts()
    doubts.heard(A, [A.reply_bytes + 2], 0)
    hour_ns = round(DISTRUST_S * 1e9)
    doubts.owes(A, 2 * hour_ns)
    assert doubts.must_rest(1, hour_ns)
    assert not doubts.must_rest(1, hour_ns + 1)
