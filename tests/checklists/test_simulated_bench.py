"""Events on the simulated bench, whose physics and register maps know nothing of the detectors: right kind, right device, onset around the
truth, and nothing beside it. Times, currents and sizes are drawn afresh."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from loadlog.config import DeviceConfig, LimitConfig
from loadlog.sim.run import load_scenario
from tests.checklists.simulated import SimulatedRun, stock
from tests.checklists.traces import Record, at_s, covers, fresh_random

Play = Callable[[SimulatedRun, float], None]


def fault(kind: str, target: str, for_s: float | None = 20.0, **params: float | str) -> Play:
    """One fault."""
    return lambda run, at: run.fault(at, kind, target, for_s, **params)


CASES: dict[str, tuple[Play, list[str]]] = {
    "sense lead off and on": (fault("sense_lead_off", "load-1"), ["sense_fallback", "sense_restored"]),
    "power lead off": (fault("power_lead_off", "load-1"), ["open_circuit"]),
    "knob": (fault("knob", "load-1", None, setpoint=6.2), ["setpoint_changed"]),
    "mode changed": (fault("knob", "load-1", None, setpoint=6.0, mode="CR"), ["mode_changed"]),
    "input by hand": (fault("input_off_by_hand", "load-1"), ["input_switched", "input_switched"]),
    "load trips": (fault("load_trip", "load-1", None, protection="over_power"), ["protection", "load_trip"]),
    "latch-off": (fault("supply_trip", "psu", form="latch_off"), ["supply_trip"]),
    "hiccup": (fault("supply_trip", "psu", form="hiccup"), ["supply_trip"]),
    "foldback": (fault("supply_trip", "psu", form="foldback"), ["supply_trip"]),
    "current limit": (fault("supply_trip", "psu", form="current_limit"), ["supply_trip"]),
    "dropout": (fault("supply_trip", "psu", form="dropout", off_s=0.5), ["supply_trip"]),
    "thermocouple breaks": (fault("thermocouple_open", "case", channel=1), ["reading_implausible"]),
    "nothing": (lambda run, at: None, []),
    "drift": (fault("supply_drift", "psu", volts_per_h=3.0), []),
    "slow noise": (fault("supply_noise", "psu", volts=0.003), []),
    "droop over ten seconds": (fault("supply_droop", "psu", volts=0.06, over_s=10.0), []),
    "big droop": (fault("supply_droop", "psu", volts=0.6), []),
    "fan stops for a while": (fault("fan_stop", "load-1"), []),
    "another ambient": (fault("ambient", "", celsius=31.0), []),
}  # fmt: skip
FORMS = {"latch-off": "latch_off", "hiccup": "hiccup", "foldback": "foldback", "current limit": "current_limit", "dropout": "dropout"}


def play(rnd: random.Random, act: Play, *, meter: bool, until_s: float = 130.0) -> tuple[Record, float]:
    """The stock bench at a drawn current; the fault comes at a drawn time."""
    run = stock(rnd, level=round(rnd.uniform(4.0, 8.0), 2), meter=meter)
    at = rnd.uniform(30.0, 60.0)
    act(run, at)
    return run.run(until_s), at


@pytest.mark.parametrize("meter", [False, True])
@pytest.mark.parametrize("name", CASES)
def test_each_fault_gives_its_event_and_nothing_else(name: str, meter: bool) -> None:
    act, expected = CASES[name]
    out, at = play(fresh_random(), act, meter=meter)
    raised = out.raised()
    assert [e.kind for e in raised] == expected
    if raised and name != "thermocouple breaks":
        assert raised[0].device == "load-1"
    if raised:
        assert covers(raised[0], at)
        assert at_s(raised[0].detected_utc_ns) - at < 2.5
    if name in FORMS:
        assert out.last("supply_trip").evidence["form"] == FORMS[name]


def test_droop_of_the_size_of_a_fallback_is_told_by_the_meter() -> None:
    rnd = fresh_random()
    for _ in range(4):
        run = stock(rnd, level=5.0, meter=True)
        run.fault(rnd.uniform(30, 60), "supply_droop", "psu", 20.0, volts=0.06)
        assert run.run(100.0).raised() == []


def test_two_faults_at_once_are_two_events() -> None:
    """The knob is turned while the sense lead is off."""
    run = stock(fresh_random(), level=5.0, meter=True)
    run.fault(40.0, "sense_lead_off", "load-1", 40.0)
    run.fault(60.0, "knob", "load-1", None, setpoint=7.0)
    out = run.run(100.0)
    assert sorted(e.kind for e in out.raised()) == ["sense_fallback", "sense_restored", "setpoint_changed"]
    assert str(out.last("sense_fallback").state) == "cleared"


def test_the_workshop_of_the_demonstration() -> None:
    """The shipped scenario's physical faults, polled as `demo` polls it; its faults on the wire need a wire."""
    scenario = load_scenario("workshop")
    rnd = fresh_random()
    text = _as_text()
    devices = [
        DeviceConfig(
            name="load-1", role="load", bus="rack", unit_id=1, profile="p", rate_hz=10, sense="remote", path_resistance_ohm=0.012, group="a"
        ),
        DeviceConfig(
            name="load-2",
            role="load",
            bus="rack",
            unit_id=2,
            profile="p",
            rate_hz=5,
            group="b",
            limits={"temperature": LimitConfig(high=60.0)},
        ),
        DeviceConfig(name="case", role="thermometer", bus="rack", unit_id=5, profile="p", rate_hz=2),
        DeviceConfig(name="meter", role="meter", bus="meter", profile="p", rate_hz=2, group="a"),
    ]
    run = SimulatedRun(rnd, text, devices)
    run.bench.start_timetable()
    out = run.run(60.0)
    wanted = {
        (entry.at_s, entry.fault, entry.target)
        for entry in scenario.fault
        if entry.fault in ("sense_lead_off", "knob", "supply_trip")
    }  # fmt: skip
    kinds = {"sense_lead_off": "sense_fallback", "knob": "setpoint_changed", "supply_trip": "supply_trip"}
    raised = out.raised()
    for at, kind, _ in wanted:
        assert any(e.kind == kinds[kind] and covers(e, at) for e in raised), kind
    assert any(e.kind == "over_temperature" and e.device == "load-2" for e in raised)
    warned = [e for e in raised if e.kind == "temperature_rising"]  # where the limit is far enough away for a warning
    assert {e.device for e in warned} <= {"load-2"}
    assert {e.kind for e in raised if e not in warned} == {
        "sense_fallback", "sense_restored", "setpoint_changed", "supply_trip", "over_temperature",
    }  # fmt: skip


def _as_text() -> str:
    from importlib import resources

    return (resources.files("loadlog.sim") / "scenarios" / "workshop.toml").read_text(encoding="utf-8")
