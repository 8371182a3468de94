"""Orders over the control socket: every field is judged, every refusal names the field and what is allowed."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import pytest

from loadlog.config import PlanConfig
from loadlog.model.errors import LoadlogError, RefusedError, UsageError
from loadlog.model.event import Event, EventState, Onset, Severity
from loadlog.model.run import RunInfo
from loadlog.recorder.orders import Orders


class Bench:
    """Stands where the recorder stands: keeps what it was asked."""

    device_names = ("load-1", "load-2", "case")
    plans: Mapping[str, PlanConfig] = MappingProxyType(
        {"overnight": PlanConfig(name="overnight", devices=["load-2", "case"], duration="12h", keep=True)}
    )

    def __init__(self, *running: str) -> None:
        self.runs = [RunInfo(name, name.rsplit("-", 1)[0], ("load-1",), 0) for name in running]
        self.asked: list[tuple[Any, ...]] = []

    def start_run(self, name: str, devices: tuple[str, ...], planned_s: float, keep: bool) -> RunInfo:
        self.asked.append(("start", name, devices, planned_s, keep))
        return RunInfo(f"{name}-0001", name, devices, 5, planned_s, keep=keep)

    def stop_run(self, run_id: str, reason: str) -> None:
        self.asked.append(("stop", run_id, reason))

    def add_note(self, run_id: str | None, author: str, text: str) -> None:
        self.asked.append(("note", run_id, author, text))

    def acknowledge(self, event_id: int, by: str, note: str) -> Event:
        self.asked.append(("ack", event_id, by, note))
        return Event(
            event_id, 9, "limit", "", "load-1", None, None, Severity.ALARM, EventState.ACTIVE, Onset(0, 1), 1, "m", acknowledged=True
        )

    def watch(self) -> None:
        self.asked.append(("watch",))

    def report(self, kind: str, key: str, message: str, active: bool) -> None:
        self.reported = (kind, key, message, active)

    def reload(self) -> None:
        self.asked.append(("reload",))

    def running(self) -> list[RunInfo]:
        return self.runs

    def status(self) -> dict[str, Any]:
        return {"runs": []}

    def configuration(self) -> str:
        return "[bench]\n"


@pytest.mark.parametrize(
    ("order", "fields", "line"),
    [
        ("run_strat", {}, "there is no order 'run_strat' (nearest known: run_start)"),
        ("run_start", {"nam": "x"}, "order run_start: unknown field 'nam' (nearest known: name)"),
        ("run_start", {}, "name: '' is no run name"),
        ("run_start", {"name": "a b"}, "name: 'a b' is no run name"),
        ("run_start", {"name": "../x"}, "name: '../x' is no run name"),
        ("run_start", {"name": "x", "devices": ["lod-1"]}, "devices: there is no device 'lod-1' (nearest known: load-1)"),
        ("run_start", {"name": "x", "devices": []}, "devices: a list of device names, each once"),
        ("run_start", {"name": "x", "devices": ["case", "case"]}, "devices: a list of device names, each once"),
        ("run_start", {"name": "x", "devices": "load-1"}, "devices: a list"),
        ("run_start", {"name": "x", "duration_s": -1}, "duration_s: -1 is no number of seconds"),
        ("run_start", {"name": "x", "duration_s": float("nan")}, "duration_s: nan is no number of seconds"),
        ("run_start", {"name": "x", "duration_s": True}, "duration_s: True is no number of seconds"),
        ("run_start", {"name": "x", "keep": "yes"}, "keep: true or false"),
        ("run_stop", {"run": "soka-0001"}, "run 'soka-0001' is not on (nearest known: soak-0001)"),
        ("run_stop", {"run": 7}, "run 7 is not on"),
        ("note", {"text": "   "}, "text: a note needs words"),
        ("note", {"text": "x" * 4001}, "text: a text of at most 4000 characters"),
        ("ack", {"id": "17"}, "id: '17' is no event number"),
        ("ack", {"id": True}, "id: True is no event number"),
        ("reload", {}, "the configuration is not read again while a run is on (soak-0001)"),
    ],
)
def test_what_is_wrong_is_refused_with_its_field(order: str, fields: dict[str, Any], line: str) -> None:
    bench = Bench("soak-0001")
    with pytest.raises(LoadlogError) as refusal:
        Orders(bench).carry_out(order, fields)
    assert line in str(refusal.value)
    assert bench.asked == []


def test_a_run_starts_on_all_devices_unless_named() -> None:
    bench = Bench()
    answer = Orders(bench).carry_out("run_start", {"name": "soak", "duration_s": 60})
    assert answer == {"run": "soak-0001", "devices": ["load-1", "load-2", "case"], "started_utc_ns": 5}
    Orders(bench).carry_out("run_start", {"name": "soak", "devices": ["case"], "keep": True})
    assert bench.asked == [("start", "soak", bench.device_names, 60.0, False), ("start", "soak", ("case",), 0.0, True)]


def test_the_only_run_need_not_be_named_and_one_of_several_must() -> None:
    bench = Bench("soak-0001")
    assert Orders(bench).carry_out("run_stop", {}) == {"run": "soak-0001"}
    assert Orders(bench).carry_out("run_stop", {"run": "soak"}) == {"run": "soak-0001"}
    with pytest.raises(RefusedError, match="no run is on"):
        Orders(Bench()).carry_out("run_stop", {})
    with pytest.raises(RefusedError, match=r"several runs are on: a-0001, b-0001 \(name one\)"):
        Orders(Bench("a-0001", "b-0001")).carry_out("run_stop", {})


def test_reload_goes_through_when_no_run_is_on() -> None:
    bench = Bench()
    Orders(bench).carry_out("reload", {})
    assert bench.asked == [("reload",)]


def test_the_configuration_in_force_is_told() -> None:
    assert Orders(Bench()).carry_out("configuration", {}) == {"text": "[bench]\n"}


def test_a_note_between_runs_has_no_run() -> None:
    bench = Bench()
    assert Orders(bench).carry_out("note", {"text": "swapped the lead", "author": "mk"}) == {"run": None}
    assert bench.asked == [("note", None, "mk", "swapped the lead")]


def test_acknowledging_answers_with_the_event() -> None:
    assert Orders(Bench()).carry_out("ack", {"id": 17, "by": "mk"})["event"]["acknowledged"] is True


def test_usage_and_refusal_have_their_exit_status() -> None:
    assert (UsageError("x").exit_status, RefusedError("x").exit_status) == (2, 1)


def test_a_plan_says_what_is_not_said() -> None:
    bench = Bench()
    Orders(bench).carry_out("run_start", {"name": "overnight"})
    Orders(bench).carry_out("run_start", {"name": "overnight", "devices": ["load-1"], "duration_s": 5})
    assert bench.asked == [("start", "overnight", ("load-2", "case"), 43_200.0, True), ("start", "overnight", ("load-1",), 5.0, False)]
