"""Desks and couriers between real recordings, the viewer's real database and a server that answers as the test says; time by hand."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from loadlog.config import NotifyConfig
from loadlog.model.clock import NS
from loadlog.model.errors import StoreError
from loadlog.model.event import EventState, Severity
from loadlog.notify.courier import GIVE_UP_NS, REPEAT, RETRY_MAX_S, Courier
from loadlog.notify.desks import Around, Desks, policy_of
from loadlog.notify.facts import State
from loadlog.notify.sender import Address, Outcome
from loadlog.notify.text import Letterhead
from loadlog.notify.watch import GONE, UNREADABLE, UNWRITTEN
from loadlog.store import Archive
from loadlog.store.notify_state import NotifyState, read_notify
from loadlog.store.viewer_state import ViewerState
from tests.unit.restarts import Restarted
from tests.unit.store.recorded import T0, OpenJournal, event, run_info, sample, snapshot

STATUS = {"devices": ["load-1"], "samples": 1}


class Killed(BaseException):
    """The process ends in the middle of what it does."""


class Office(Restarted):
    """A viewer's notices with everything around them."""

    def __init__(self, folder: Path, **settings: Any) -> None:
        super().__init__(folder, 10.0)
        self.config = NotifyConfig.model_validate({"urls_env": "X", "group_s": 0, **settings})
        self.down = ""
        self.doubtful = False
        self.killed_when = ""  # "sending" or "sent": the process dies before or after the server has it
        self.sent: list[tuple[str, str, str]] = []
        self.troubles: dict[str, str] = {}
        self.status: dict[str, Any] | None = STATUS
        self.again()

    def begin(self, viewer: ViewerState) -> None:
        self.kept = NotifyState(viewer)
        self.addresses = [Address(t.name, "Test", t, self._server(t.name)) for t in self.config.targets]
        around = Around(Archive(self.folder), lambda: self.now_s, self.utc_ns, dict)
        self.desks = Desks(self.config, self.addresses, Letterhead("north-wall", ZoneInfo("UTC")), around, self.kept)
        self.couriers = [Courier(a, self.kept, "alarm", lambda: self.now_s, self.utc_ns) for a in self.addresses]

    def _server(self, name: str) -> Any:
        def deliver(subject: str, body: str, severity: str) -> Outcome:
            if self.killed_when == "sending":
                raise Killed
            if self.down:
                return Outcome(self.down, self.doubtful)
            self.sent.append((name, subject, body))
            if self.killed_when == "sent":
                raise Killed
            return Outcome()

        return deliver

    def look(self) -> bool:
        return self.desks.look(self.troubles, self.status)

    def run(self, seconds: float, step_s: float = 1.0) -> list[str]:
        """Subjects that were accepted meanwhile."""
        before = len(self.sent)
        end_s = self.now_s + seconds
        while self.now_s < end_s:
            self.look()
            for courier in self.couriers:
                while courier.step() == 0:
                    pass
            self.now_s += step_s
        return [subject for _, subject, _ in self.sent[before:]]


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[OpenJournal]:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
        yield opened


def put(journal: OpenJournal, *events: Any) -> None:
    journal.journal.put_events(list(events))
    journal.flush()


def raised(id_: int, seq: int, **more: Any) -> Any:
    return event(id_, seq, **{"run": "soak-0001", "key": f"k{id_}", **more})


def over(id_: int, seq: int, **more: Any) -> Any:
    return raised(id_, seq, state=EventState.CLEARED, detected_utc_ns=T0 + 5 * NS, **more)


def test_an_alarm_and_its_end_are_told_once_over_restarts_at_every_turn(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path)
    office.run(2)
    put(journal, raised(7, 100))
    for _ in range(5):
        office.again()
        office.run(2)
    put(journal, over(7, 200))
    for _ in range(5):
        office.again()
        office.run(2)
    assert [subject for _, subject, _ in office.sent] == ["ALARM: load-1 limit (north-wall)", "cleared: load-1 limit (north-wall)"]
    assert re.search(r"cleared after \d+ s", office.sent[1][2])


def test_what_happens_while_the_viewer_is_off_is_told_when_it_is_back(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path)
    office.run(2)
    put(journal, raised(7, 100), over(7, 150), raised(8, 160))
    office.again()
    assert office.run(3) == ["2 ALARMS: load-1 limit, 1 more (north-wall)"]


def test_at_the_first_start_what_is_active_is_told_and_the_past_is_not(tmp_path: Path, journal: OpenJournal) -> None:
    put(journal, raised(1, 100), over(1, 110), raised(2, 120))
    office = Office(tmp_path)
    assert office.run(5) == ["ALARM: load-1 limit (north-wall)"]
    assert "k2" not in office.sent[0][2]
    office.again()
    assert office.run(5) == []


def test_a_target_that_is_added_later_is_told_what_is_active_and_the_old_one_not_again(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path)
    put(journal, raised(2, 120))
    office.run(3)
    office.config = NotifyConfig.model_validate({**office.config.model_dump(), "target": [{"name": "phone", "urls_env": "P"}]})
    office.again()
    office.run(3)
    assert [name for name, _, _ in office.sent] == ["default", "phone"]


@pytest.mark.parametrize("when", ["sending", "sent"])
def test_a_viewer_killed_while_sending_sends_again_and_says_that_it_may_be_a_repeat(
    when: str, tmp_path: Path, journal: OpenJournal
) -> None:
    office = Office(tmp_path)
    office.run(2)
    put(journal, raised(7, 100))
    office.killed_when = when
    with pytest.raises(Killed):
        office.run(2)
    office.killed_when = ""
    before = len(office.sent)
    office.again()
    office.run(2)
    (again,) = office.sent[before:]
    assert again[2].startswith(REPEAT)
    assert office.run(100) == []


def test_a_viewer_killed_before_anything_was_kept_tells_it_after_the_restart(
    tmp_path: Path, journal: OpenJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    office = Office(tmp_path)
    office.run(2)
    put(journal, raised(7, 100))

    def killed(*_: Any) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(office.kept, "keep", killed)
        with pytest.raises(Killed):
            office.run(2)
    office.again()
    assert office.run(3) == ["ALARM: load-1 limit (north-wall)"]


def test_a_full_disk_neither_loses_nor_doubles_anything(tmp_path: Path, journal: OpenJournal, monkeypatch: pytest.MonkeyPatch) -> None:
    office = Office(tmp_path)
    office.run(2)
    put(journal, raised(7, 100))

    def full(*_: Any) -> None:
        raise StoreError("disk full")

    with monkeypatch.context() as patch:
        patch.setattr(office.kept, "keep", full)
        for _ in range(3):
            with pytest.raises(StoreError):
                office.look()
    assert office.run(5) == ["ALARM: load-1 limit (north-wall)"]


def test_a_server_that_is_down_gets_one_notice_of_everything_since_when_it_is_back(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path)
    office.run(2)
    office.down = "nobody listens there"
    for number in range(40):
        put(journal, raised(number + 1, 100 + 2 * number), over(number + 1, 101 + 2 * number))
        office.run(60, step_s=5)
    (facts,) = [courier.facts for courier in office.couriers]
    assert (facts.state, facts.detail, facts.notices) == (State.FAILING, "nobody listens there", 1)
    assert 2000 < facts.failing_s < 2401
    assert facts.failures < 20  # with back-off: not every few seconds
    assert 0 < facts.retry_in_s <= RETRY_MAX_S
    office.again()
    office.down = ""
    subjects = office.run(900, step_s=5)
    assert subjects == ["ALARM: load-1 limit (north-wall)", "39 ALARMS: load-1 limit, 38 more (north-wall)"]
    assert office.couriers[0].facts.state is State.READY


def test_a_doubtful_attempt_is_repeated_with_a_word_about_it(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path)
    office.run(2)
    office.down, office.doubtful = "no answer in time", True
    put(journal, raised(7, 100))
    office.run(10)
    office.down = ""
    office.run(60)
    assert [body.startswith(REPEAT) for _, _, body in office.sent] == [True]


def test_a_notice_that_nobody_takes_for_a_day_is_given_up_and_counted(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path)
    office.run(2)
    office.down = "nobody listens there"
    put(journal, raised(7, 100))
    office.run(GIVE_UP_NS / NS, step_s=60)
    office.down = ""
    assert office.run(700, step_s=30) == []
    assert office.couriers[0].facts.given_up == 1
    put(journal, raised(8, 200))
    assert office.run(700, step_s=5) == ["ALARM: load-1 limit (north-wall)"]
    assert {name: (t.accepted, t.given_up, t.waiting) for name, t in read_notify(tmp_path).items()} == {"default": (1, 1, 0)}


def test_a_clock_that_leaps_by_months_when_the_network_comes_costs_no_notice(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path)
    office.run(2)
    office.down = "the network does not reach it"
    put(journal, raised(7, 100))
    office.run(30)
    office.now_s += 200 * 86_400
    office.down = ""
    assert office.run(10) == ["ALARM: load-1 limit (north-wall)"]


def test_the_recorder_that_is_gone_is_told_once_over_restarts_and_so_is_its_return(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path, recorder_gone_s=60)
    office.run(2)
    office.troubles, office.status = {GONE: "no recorder is running"}, None
    assert office.run(55) == []
    assert office.run(10) == ["ALARM: recorder gone (north-wall)"]
    office.again()
    assert office.run(200) == []
    office.troubles, office.status = {}, STATUS
    assert office.run(5) == ["cleared: recorder gone (north-wall)"]
    assert "cleared after 4 min" in office.sent[-1][2]
    office.again()
    assert office.run(100) == []


def test_a_recorder_whose_disk_takes_nothing_is_told_although_no_recording_says_so(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path, recorder_gone_s=60)
    office.run(2)
    office.troubles = {UNWRITTEN: "no room left on the disk; samples wait in memory"}
    assert office.run(55) == []
    assert office.run(10) == ["ALARM: recordings unwritten (north-wall)"]
    assert "no room left on the disk; samples wait in memory" in office.sent[-1][2]
    assert office.run(200) == []
    office.troubles = {}
    assert office.run(5) == ["cleared: recordings unwritten (north-wall)"]


def test_a_short_absence_of_the_recorder_is_nothing_to_tell(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path, recorder_gone_s=60, severity="info")
    for _ in range(5):
        office.troubles = {GONE: "x", UNREADABLE: "y"}
        office.run(40)
        office.troubles = {}
        office.run(5)
    assert office.sent == []


def test_a_digest_comes_once_a_day_over_restarts_and_days_without_a_viewer(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path, digest_at="07:30", severity="alarm")  # T0 is 07:00
    office.run(29 * 60, step_s=60)
    assert office.sent == []
    office.run(120, step_s=10)
    office.again()
    office.run(3600, step_s=60)
    assert [subject for _, subject, _ in office.sent] == ["all well for 30 min (north-wall)"]
    put(journal, raised(1, 40_000, severity=Severity.WARNING))
    office.now_s += 3 * 86_400  # the viewer was off
    office.again()
    office.run(3600, step_s=60)
    assert [subject for _, subject, _ in office.sent[1:]] == ["digest: 1 warning, 1 active (north-wall)"]
    office.run(86_400, step_s=600)
    assert len(office.sent) == 3


def test_a_digest_that_could_not_be_sent_gives_way_to_the_next(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path, digest_at="07:30")
    office.down = "nobody listens there"
    office.run(2.5 * 86_400, step_s=900)
    office.down = ""
    assert len(office.run(3600, step_s=60)) == 1


def test_a_digest_is_not_for_everybody(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path, digest_at="07:30", target=[{"name": "phone", "urls_env": "P", "digest": False}])
    office.run(3600, step_s=60)
    assert [name for name, _, _ in office.sent] == ["default"]


def test_the_recordings_of_another_bench_in_the_same_place_are_not_told_from_the_beginning(tmp_path: Path) -> None:
    """The recordings were thrown away and numbers begin afresh: what comes from then on is told."""
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(5000))
        office = Office(tmp_path)
        office.run(3)
        put(opened, raised(1, 5001))
        office.run(3)
    for file in tmp_path.rglob("*"):
        if file.is_file() and not file.name.startswith("viewer"):
            file.unlink()
    office.again()
    office.run(3)
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
        put(opened, raised(50, 2), over(50, 3))
        office.run(3)
        put(opened, raised(51, 10))
        office.run(3)
    assert [subject for _, subject, _ in office.sent] == ["ALARM: load-1 limit (north-wall)"] * 2


def test_a_bench_without_any_recording_waits_for_the_first(tmp_path: Path) -> None:
    office = Office(tmp_path / "data")
    assert office.run(3) == []
    with OpenJournal(tmp_path / "data") as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
        put(opened, raised(1, 2))
        assert office.run(3) == ["ALARM: load-1 limit (north-wall)"]


def test_severities_and_kinds_go_to_whom_they_concern(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path, target=[{"name": "phone", "urls_env": "P", "severity": "warning"}])
    office.run(2)
    put(journal, raised(1, 100, severity=Severity.WARNING))
    put(journal, dataclasses.replace(raised(2, 101, severity=Severity.WARNING), kind="notify_failed", key="phone", device=None))
    office.run(5)
    assert [(name, subject) for name, subject, _ in office.sent] == [("phone", "WARNING: load-1 limit (north-wall)")]


def test_an_event_of_no_device_that_two_recordings_tell_is_told_once(tmp_path: Path, journal: OpenJournal) -> None:
    office = Office(tmp_path, severity="warning")
    office.run(2)
    step = event(3, 100, device=None, kind="clock_step", severity=Severity.WARNING, state=EventState.CLEARED)
    put(journal, step)
    office.run(3)
    office.again()
    with OpenJournal(tmp_path / "other") as other:
        other.journal.start_run(run_info("soak-0002"), snapshot())
        other.put(sample(1))
        put(other, step)
    for file in Archive(tmp_path / "other").folder.glob("run-*"):
        file.rename(Archive(tmp_path).folder / file.name)
    office.run(3)
    assert [subject for _, subject, _ in office.sent] == ["WARNING: clock step (north-wall)"]


def test_each_target_has_its_own_measure() -> None:
    config = NotifyConfig.model_validate(
        {
            "urls_env": "X", "severity": "warning", "quiet_from": "22:00", "quiet_to": "06:00", "quiet_passes": "nothing", "on_delay_s": 3,
            "per_hour": 7, "target": [{"name": "night", "urls_env": "Y", "severity": "alarm", "quiet": False}],
        }
    )  # fmt: skip
    own, night = (policy_of(Address(t.name, "Test", t, lambda *_: Outcome()), config) for t in config.targets)
    assert (own.severity, own.passes, own.on_delay_s, own.per_hour) == (Severity.WARNING, None, 3, 7)
    assert own.quiet is not None
    assert (night.severity, night.quiet) == (Severity.ALARM, None)
