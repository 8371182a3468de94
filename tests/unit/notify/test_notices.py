"""The threads of notices: an address that is down or mute holds up nobody, is told to the recorder, and does not hold up the end."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from loadlog.config import NotifyConfig
from loadlog.model.errors import ConfigError, RefusedError
from loadlog.notify import service
from loadlog.notify.facts import State
from loadlog.notify.heartbeat import load_heartbeat
from loadlog.notify.sender import load_addresses
from loadlog.notify.service import Notices
from loadlog.store.connect import DiskFullError
from loadlog.store.notify_state import NotifyState
from loadlog.store.viewer_state import StateHolder, open_state
from tests.unit.notify.receivers import Hook, free_port, hook_url, rude_server, web_hook
from tests.unit.notify.test_desks import put, raised
from tests.unit.store.recorded import OpenJournal, run_info, sample, snapshot

PATIENCE_S = 30.0


class Recorder:
    """The control socket's other end: samples grow while it is well."""

    def __init__(self) -> None:
        self.samples, self.well, self.reports = 0, True, []  # type: int, bool, list[dict[str, Any]]

    def call(self, order: str, **fields: Any) -> dict[str, Any]:
        if not self.well:
            raise RefusedError("no recorder is running")
        if order == "report":
            self.reports.append(fields)
            return {}
        assert order == "status"
        self.samples += 1
        return {"samples": self.samples, "devices": ["load-1"]}


def wait_for(condition: Callable[[], Any]) -> Any:
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        if value := condition():
            return value
        time.sleep(0.02)
    pytest.fail("it did not come")


@pytest.fixture(autouse=True)
def fast(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service, "LOOK_S", 0.05)
    monkeypatch.setattr(service, "ASK_S", 0.05)
    monkeypatch.setattr(service, "FAILING_S", 0.2)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[OpenJournal]:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
        yield opened


def made(folder: Path, recorder: Recorder, urls: dict[str, str], beat: str = "", **settings: Any) -> Notices:
    fields = {"timeout_s": 1.0, "group_s": 0, **settings, "target": [{"name": name, "urls_env": name} for name in urls]}
    if beat:
        fields |= {"heartbeat_url_env": "BEAT", "heartbeat_s": 1}
    config = NotifyConfig.model_validate(fields)
    environ = {**urls, "BEAT": beat}
    return Notices(
        "north-wall", folder, config, load_addresses(config, folder, environ), recorder, StateHolder(folder),
        heartbeat=load_heartbeat(config, folder, environ),
    )  # fmt: skip


def test_an_address_that_is_down_is_reported_as_an_event_and_the_others_are_told_meanwhile(tmp_path: Path, journal: OpenJournal) -> None:
    hook, recorder = Hook(), Recorder()
    with web_hook(hook) as port, rude_server("drops") as mute:
        notices = made(tmp_path, recorder, {"good": hook_url(port), "down": hook_url(free_port()), "mute": hook_url(mute)})
        notices.start()
        wait_for(lambda: all(f.state is State.READY for f in notices.facts()))
        put(journal, raised(7, 100))
        assert hook.count(1)
        wait_for(lambda: {r["key"] for r in recorder.reports} >= {"down", "mute"})
        down = next(r for r in recorder.reports if r["key"] == "down")
        assert down == {
            "kind": "notify_failed", "key": "down", "message": "no notices get through to down: nobody listens there", "active": True
        }  # fmt: skip
        put(journal, raised(8, 110))
        assert hook.count(2)
        wait_for(lambda: next(f.accepted for f in notices.facts() if f.name == "good") == 2)  # once the answer is back
        facts = {f.name: f for f in notices.facts()}
        assert facts["good"].state is State.READY
        assert (facts["down"].state, facts["down"].notices, facts["down"].waiting) == (State.FAILING, 1, 1)
        notices.stop()


def test_the_end_of_a_failure_is_reported_too(tmp_path: Path, journal: OpenJournal, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("loadlog.notify.courier.RETRY_MIN_S", 0.3)
    recorder, hook, port = Recorder(), Hook(), free_port()
    notices = made(tmp_path, recorder, {"hook": hook_url(port)})
    notices.start()
    put(journal, raised(7, 100))
    wait_for(lambda: recorder.reports)
    with web_hook(hook, port):
        wait_for(lambda: len(recorder.reports) == 2)
    assert [(r["key"], r["active"]) for r in recorder.reports] == [("hook", True), ("hook", False)]
    notices.stop()


def test_it_ends_in_time_while_a_server_keeps_it_waiting_and_what_was_not_accepted_is_kept(tmp_path: Path, journal: OpenJournal) -> None:
    with rude_server("silent") as port:
        holder = StateHolder(tmp_path)
        config = NotifyConfig.model_validate({"urls_env": "X", "timeout_s": 60, "group_s": 0})
        notices = Notices("b", tmp_path, config, load_addresses(config, tmp_path, {"X": hook_url(port)}), Recorder(), holder)
        notices.start()
        put(journal, raised(7, 100))
        wait_for(lambda: notices.facts()[0].state is State.SENDING)
        begun = time.monotonic()
        notices.stop()
        assert time.monotonic() - begun < 10 < config.timeout_s  # it did not wait for the server
        holder.opened().close()
    hook = Hook()
    with web_hook(hook) as port:
        again = made(tmp_path, Recorder(), {"default": hook_url(port)})
        again.start()
        assert hook.count(1)
        assert hook.bodies[0]["message"].startswith("(You may have had this before")
        again.stop()


def test_a_second_viewer_on_the_same_data_tells_nobody_and_says_why(tmp_path: Path, journal: OpenJournal) -> None:
    hook = Hook()
    first = open_state(tmp_path)
    with web_hook(hook) as port:
        notices = made(tmp_path, Recorder(), {"hook": hook_url(port)})
        opened = threading.Event()
        notices.start(opened.set)
        wait_for(lambda: notices.facts()[0].state is State.STOPPED)
        assert "another viewer is at work here" in notices.facts()[0].detail
        put(journal, raised(7, 100))
        notices.stop()
    assert hook.bodies == []
    assert not opened.is_set()
    first.close()


def test_the_heartbeat_beats_while_the_recorder_samples_and_only_then(tmp_path: Path, journal: OpenJournal) -> None:
    beat, recorder = Hook(), Recorder()
    with web_hook(beat) as port:
        notices = made(tmp_path, recorder, {}, beat=f"http://127.0.0.1:{port}/x")
        notices.start()
        wait_for(lambda: len(beat.paths) >= 2)
        recorder.well = False
        wait_for(lambda: notices._status is None)
        time.sleep(0.3)  # one that was under way
        silent = len(beat.paths)
        time.sleep(2.5)
        assert len(beat.paths) == silent
        recorder.well = True
        wait_for(lambda: len(beat.paths) > silent)
        assert notices.facts()[-1].state is State.READY
        notices.stop()


def test_a_recorder_that_answers_and_takes_no_samples_is_told_and_has_no_heartbeat(
    tmp_path: Path, journal: OpenJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("loadlog.notify.watch.STALLED_MIN_S", 0.5)
    hook, beat, recorder = Hook(), Hook(), Recorder()
    recorder.call = lambda order, **_: {"samples": 5, "devices": []}  # type: ignore[method-assign]
    with web_hook(hook) as port, web_hook(beat) as beat_port:
        config = NotifyConfig.model_validate(
            {"urls_env": "X", "group_s": 0, "recorder_gone_s": 5, "heartbeat_url_env": "B", "heartbeat_s": 1}
        )
        environ = {"X": hook_url(port), "B": f"http://127.0.0.1:{beat_port}/x"}
        notices = Notices(
            "b", tmp_path, config, load_addresses(config, tmp_path, environ), recorder, StateHolder(tmp_path),
            heartbeat=load_heartbeat(config, tmp_path, environ), period_s=0.1,
        )  # fmt: skip
        notices.start()
        assert hook.count(1)
        assert hook.bodies[0]["title"] == "ALARM: recorder stalled (b)"
        beats = len(beat.paths)
        time.sleep(2)
        assert len(beat.paths) == beats
        notices.stop()


def test_what_the_recorder_says_of_its_disk_is_told(tmp_path: Path, journal: OpenJournal) -> None:
    hook, recorder = Hook(), Recorder()
    store = {"trouble": "/data: the disk has not answered for 10 s; samples wait in memory"}
    recorder.call = lambda order, **_: {"samples": time.monotonic_ns(), "devices": [], "store": store}  # type: ignore[method-assign]
    with web_hook(hook) as port:
        config = NotifyConfig.model_validate({"urls_env": "X", "group_s": 0, "recorder_gone_s": 5})
        notices = Notices("b", tmp_path, config, load_addresses(config, tmp_path, {"X": hook_url(port)}), recorder, StateHolder(tmp_path))
        notices.start()
        assert hook.count(1)
        assert hook.bodies[0]["title"] == "ALARM: recordings unwritten (b)"
        assert store["trouble"] in hook.bodies[0]["message"]
        notices.stop()


def test_a_time_zone_that_does_not_exist_is_refused(tmp_path: Path) -> None:
    config = NotifyConfig.model_validate({"urls_env": "X", "time_zone": "Europe/Atlantis"})
    with pytest.raises(ConfigError, match=r"notify\.time_zone: there is no time zone 'Europe/Atlantis'"):
        Notices("b", tmp_path, config, [], Recorder(), StateHolder(tmp_path))


class FullDisk:
    """The viewer's database lies on it too; ``store`` is what the recorder says. Its clocks run `PACE` times as fast."""

    PACE = 20.0

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self.is_full = threading.Event()
        self.store: dict[str, str] = {}
        self.hook, self._folder = Hook(), folder
        keep, is_full = NotifyState.keep, self.is_full

        def full(kept: NotifyState, *what: Any) -> None:
            if is_full.is_set():
                raise DiskFullError("no room left on the disk", where="/data/viewer.sqlite", retryable=True)
            keep(kept, *what)

        patch.setattr(NotifyState, "keep", full)
        patch.setattr("loadlog.notify.desks.KEEP_S", 0.1)

    def fills_up(self) -> None:
        """The recorder and the viewer find no room, and that is told."""
        self.is_full.set()
        self.store |= UNWRITTEN_TROUBLE
        assert self.hook.count(1)

    @contextlib.contextmanager
    def watched(self) -> Iterator[Notices]:
        """Over a recorder that goes on taking samples."""
        recorder = Recorder()
        recorder.call = lambda order, **_: {"samples": time.monotonic_ns(), "devices": [], "store": self.store}  # type: ignore[method-assign]
        with web_hook(self.hook) as port:
            config = NotifyConfig.model_validate({"urls_env": "X", "group_s": 0, "recorder_gone_s": 20})
            addresses = load_addresses(config, self._folder, {"X": hook_url(port)})
            notices = Notices(
                "b", self._folder, config, addresses, recorder, StateHolder(self._folder), monotonic_s=lambda: self.PACE * time.monotonic()
            )  # fmt: skip
            notices.start()
            try:
                wait_for(lambda: notices._desks is not None and notices._desks._follower is not None)
                yield notices
            finally:
                notices.stop()

    def titles(self) -> list[str]:
        """Of what was told of the recordings; other things may come beside."""
        return [body["title"] for body in self.hook.bodies if "recordings unwritten" in body["title"]]


UNWRITTEN_TROUBLE = {"trouble": "/data: no room left on the disk; samples wait in memory"}
BEGINNING_AND_END = ["ALARM: recordings unwritten (b)", "cleared: recordings unwritten (b)"]


def test_a_full_disk_is_told_although_nothing_can_be_kept_of_it(
    tmp_path: Path, journal: OpenJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told once an address, and so is its end; both again when it comes again."""
    disk = FullDisk(tmp_path, monkeypatch)
    with disk.watched() as notices:
        disk.fills_up()
        assert UNWRITTEN_TROUBLE["trouble"] in disk.hook.bodies[0]["message"]
        time.sleep(1.5)
        assert disk.titles() == BEGINNING_AND_END[:1]
        disk.store.clear()
        disk.is_full.clear()
        wait_for(lambda: not notices._trouble)
        assert disk.hook.count(2)
        disk.is_full.set()
        assert disk.hook.count(3)
        assert "viewer.sqlite: no room left" in disk.hook.bodies[2]["message"]
        assert disk.titles() == [*BEGINNING_AND_END, BEGINNING_AND_END[0]]


def test_a_full_disk_is_not_told_a_second_time_when_there_is_room_for_the_notices_first(
    tmp_path: Path, journal: OpenJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The viewer's database takes writes again while the recorder still waits for its next try."""
    disk = FullDisk(tmp_path, monkeypatch)
    with disk.watched() as notices:
        disk.fills_up()
        time.sleep(1.5)  # it has lasted for longer than such a trouble must to be told
        disk.is_full.clear()
        wait_for(lambda: not notices._trouble)
        time.sleep(1.5)
        disk.store.clear()
        assert disk.hook.count(2)
        time.sleep(0.5)
        assert disk.titles() == BEGINNING_AND_END


def test_a_full_disk_that_was_told_is_not_told_again_when_nothing_can_be_kept_any_more(
    tmp_path: Path, journal: OpenJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The recorder finds no room first; the little that is left fills up after that was told."""
    disk = FullDisk(tmp_path, monkeypatch)
    with disk.watched() as notices:
        disk.store |= UNWRITTEN_TROUBLE
        assert disk.hook.count(1)
        disk.is_full.set()
        wait_for(lambda: bool(notices._trouble))
        time.sleep(1.5)
        disk.store.clear()
        disk.is_full.clear()
        assert disk.hook.count(2)
        time.sleep(0.5)
        assert disk.titles() == BEGINNING_AND_END
