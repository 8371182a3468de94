"""Threads of a service: what one does, or fails at, holds up no other, and all of them end when asked."""

from __future__ import annotations

import queue
import threading

from loadlog.process.workers import Workers

PATIENCE_S = 20.0
FOR_EVER_S = 3600.0


def test_a_step_comes_when_its_wait_is_over_and_at_once_when_woken() -> None:
    steps: queue.Queue[int] = queue.Queue()
    waits = iter([0.0, 0.0, FOR_EVER_S, FOR_EVER_S])

    def step() -> float:
        steps.put(1)
        return next(waits)

    workers = Workers(PATIENCE_S)
    workers.repeat("one", step, lambda exc: None)
    for _ in range(3):
        steps.get(timeout=PATIENCE_S)
    assert steps.empty()
    workers.wake("one")
    steps.get(timeout=PATIENCE_S)
    workers.stop()
    assert steps.empty(), "being asked to end is no reason for a step"


def test_a_fault_is_told_ends_nobody_and_is_not_repeated_without_a_pause() -> None:
    told: queue.Queue[Exception] = queue.Queue()
    steps: queue.Queue[str] = queue.Queue()
    fault = ValueError("ours")

    def failing() -> float:
        steps.put("failing")
        raise fault

    def sound() -> float:
        steps.put("sound")
        return FOR_EVER_S

    workers = Workers(PATIENCE_S)
    workers.repeat("failing", failing, told.put)
    assert told.get(timeout=PATIENCE_S) is fault
    assert steps.get(timeout=PATIENCE_S) == "failing"
    workers.repeat("sound", sound, told.put)
    assert steps.get(timeout=PATIENCE_S) == "sound"
    workers.wake_all()
    assert {steps.get(timeout=PATIENCE_S), steps.get(timeout=PATIENCE_S)} == {"failing", "sound"}
    assert told.get(timeout=PATIENCE_S) is fault
    workers.stop()
    assert steps.empty()
    assert told.empty()


def test_all_end_when_asked_wherever_they_wait() -> None:
    begun, ended = threading.Barrier(3), threading.Semaphore(0)
    workers = Workers(PATIENCE_S)

    def work(wait_s: float) -> None:
        begun.wait(PATIENCE_S)
        assert workers.wait(wait_s)
        ended.release()

    workers.run("a", work, FOR_EVER_S)
    workers.run("b", work, FOR_EVER_S)
    begun.wait(PATIENCE_S)
    workers.stop()
    assert [ended.acquire(blocking=False) for _ in range(2)] == [True, True]


def test_what_hangs_is_not_waited_for_beyond_the_end() -> None:
    let_go = threading.Event()
    workers = Workers(end_s=0.01)
    workers.run("hangs", let_go.wait, PATIENCE_S)
    workers.stop()
    assert not let_go.is_set()
    let_go.set()


def test_nobody_is_woken_who_has_not_begun() -> None:
    workers = Workers(PATIENCE_S)
    workers.wake("nobody")
    assert not workers.wait(0)
    workers.stop()
    assert workers.wait(0)
