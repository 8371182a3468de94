"""Reviews on demand: one at a time in a process of its own, bounded, kept while they hold, and errors that do not stick."""

from __future__ import annotations

import gzip
import json
import threading
import time
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest

from loadlog.model.errors import RefusedError, StoreError
from loadlog.review import desk as desk_module
from loadlog.review.desk import FRESH_S, MAX_WAITING, Desk, Working, Written
from loadlog.review.postmortem import post_mortem
from loadlog.store import Archive

PATIENCE_S = 60.0


class Clock:
    """Time that goes when the test says so."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def wait_for(ask: Callable[[], Written | Working]) -> Written:
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        found = ask()
        if isinstance(found, Written):
            return found
        time.sleep(0.02)
    raise AssertionError("no review came")


@pytest.fixture
def desk(archive: Archive, tmp_path: Path) -> Desk:
    made = Desk(tmp_path, Clock())
    yield made  # type: ignore[misc]
    made.close()


def test_it_gives_what_the_post_mortem_says_and_keeps_it(archive: Archive, desk: Desk) -> None:
    written = wait_for(lambda: desk.ask("soak-0001", 5))
    assert json.loads(gzip.decompress(written.json_gz)) == json.loads(json.dumps(post_mortem(archive, "soak-0001").to_json()))
    assert gzip.decompress(written.html_gz).startswith(b"<!doctype html>")
    assert desk.ask("soak-0001", 5) is written


def test_a_run_that_is_on_is_reviewed_anew_after_a_while(archive: Archive, tmp_path: Path) -> None:
    clock = Clock()
    desk = Desk(tmp_path, clock)
    written = wait_for(lambda: desk.ask("soak-0001", None))
    clock.now_s += FRESH_S / 2
    assert desk.ask("soak-0001", None) is written
    clock.now_s += FRESH_S
    assert isinstance(desk.ask("soak-0001", None), Working)
    desk.close()


def test_an_error_is_told_once_and_the_next_question_tries_again(archive: Archive, desk: Desk) -> None:
    for _ in range(2):
        with pytest.raises(StoreError, match="there is no run"):
            wait_for(lambda: desk.ask("nothing-0009", 1))


def test_a_process_that_dies_is_an_error_with_its_status(archive: Archive, desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(desk_module, "JOB", ("/bin/sh", "-c", "kill -9 $$"))
    with pytest.raises(StoreError, match="status -9"):
        wait_for(lambda: desk.ask("soak-0001", 1))


def test_a_process_that_takes_too_long_is_ended(archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(desk_module, "JOB", ("/bin/sh", "-c", "exec sleep 600"))
    desk = Desk(tmp_path, Clock(), limit_s=0.1)
    with pytest.raises(StoreError, match="status -9"):
        wait_for(lambda: desk.ask("soak-0001", 1))
    desk.close()


def test_what_nobody_waits_for_is_given_up(archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    endless = 'while :; do echo \'{"done": 1, "total": 2}\'; sleep 0.02; done'
    monkeypatch.setattr(desk_module, "JOB", ("/bin/sh", "-c", endless))
    clock = Clock()
    desk = Desk(tmp_path, clock)
    while desk.ask("soak-0001", 1) != Working(1, 2, 0):
        time.sleep(0.02)
    clock.now_s += desk_module.ABANDONED_S + 1
    end_s = time.monotonic() + PATIENCE_S
    while desk._process is not None and time.monotonic() < end_s:
        time.sleep(0.02)
    with pytest.raises(StoreError, match="given up"):
        wait_for(lambda: desk.ask("soak-0001", 1))
    desk.close()


def test_too_many_are_refused_and_closing_ends_the_process(archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(desk_module, "JOB", ("/bin/sh", "-c", "exec sleep 600"))
    desk = Desk(tmp_path, Clock())
    before = {child.pid for child in psutil.Process().children()}
    desk.ask("run-0", 1)
    end_s = time.monotonic() + PATIENCE_S
    while desk.ask("run-0", 1) != Working(0, 0, 0) and time.monotonic() < end_s:
        time.sleep(0.01)
    for number in range(1, MAX_WAITING + 1):
        assert desk.ask(f"run-{number}", 1) == Working(0, 0, number)
    with pytest.raises(RefusedError, match="too many"):
        desk.ask("run-9", 1)
    desk.close()
    assert {child.pid for child in psutil.Process().children()} <= before
    assert not any(thread.name == "reviews" for thread in threading.enumerate())
