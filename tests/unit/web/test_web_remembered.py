"""Facts that cost something: worked out once in a while, less often when they cost more, and never remembered when it failed."""

from __future__ import annotations

import threading

import pytest

from loadlog.web.remembered import MAX_KEYS, SHARE, Remembered


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_a_fact_is_worked_out_again_when_it_is_old() -> None:
    clock, asked = Clock(), list[str]()
    facts = Remembered(lambda key: asked.append(key) or len(asked), 2.0, clock)
    assert [facts.get("a"), facts.get("a"), facts.get("b")] == [1, 1, 2]
    clock.now_s = 1.9
    assert facts.get("a") == 1
    clock.now_s = 2.1
    assert facts.get("a") == 3


def test_a_dear_fact_is_worked_out_less_often() -> None:
    clock, asked = Clock(), list[float]()

    def find(_key: str) -> int:
        asked.append(clock.now_s)
        clock.now_s += 1.0
        return len(asked)

    facts = Remembered(find, 2.0, clock)
    while clock.now_s < 100:
        facts.get("a")
        clock.now_s += 0.5
    assert len(asked) == pytest.approx(100 * SHARE, abs=1)


def test_others_are_given_the_old_fact_meanwhile() -> None:
    clock, entered, go_on = Clock(), threading.Event(), threading.Event()
    answers = iter([1, 2])

    def find(_key: str) -> int:
        found = next(answers)
        if found == 2:
            entered.set()
            assert go_on.wait(10)
        return found

    facts = Remembered(find, 2.0, clock)
    assert facts.get("a") == 1
    clock.now_s = 3.0
    got = list[int]()
    worker = threading.Thread(target=lambda: got.append(facts.get("a")))
    worker.start()
    assert entered.wait(10)
    assert facts.get("a") == 1
    go_on.set()
    worker.join(10)
    assert (got, facts.get("a")) == ([2], 2)


def test_a_failure_is_not_remembered_and_memory_is_bounded() -> None:
    clock, failing = Clock(), [True]

    def find(key: str) -> str:
        if failing[0]:
            raise OSError("gone")
        return key

    facts = Remembered(find, 2.0, clock)
    with pytest.raises(OSError, match="gone"):
        facts.get("a")
    failing[0] = False
    assert facts.get("a") == "a"
    for number in range(3 * MAX_KEYS):
        facts.get(str(number))
    assert len(facts._known) <= MAX_KEYS
