"""Starting and ending planned runs over real recordings; the recorder's socket alone is stood in for."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from loadlog.config import PlanConfig
from loadlog.model.errors import RefusedError, StoreError
from loadlog.model.event import EventState
from loadlog.model.sample import Sample
from loadlog.plans.in_force import PlanSet
from loadlog.plans.service import Plans
from loadlog.plans.stops import Stops
from loadlog.store import Archive
from loadlog.store.viewer_state import StateHolder
from tests.unit.store.recorded import NS, T0, OpenJournal, event, run_info, sample, snapshot

HOUR_NS = 3600 * NS  # T0 is 07:00 UTC


def toml(plans: Sequence[PlanConfig]) -> str:
    """The configuration with these plans, as a run records it."""

    def literal(value: object) -> str:
        return f"{{ {', '.join(f'{k} = {literal(v)}' for k, v in value.items())} }}" if isinstance(value, dict) else json.dumps(value)

    facts = [plan.model_dump(exclude_none=True, exclude_defaults=True) for plan in plans]
    return "\n".join("[[plan]]\n" + "\n".join(f"{key} = {literal(value)}" for key, value in plan.items()) for plan in facts)


class Bench:
    """Recordings, a clock turned by hand, and the recorder's side of the orders."""

    def __init__(self, directory: Path) -> None:
        self.directory, self.now_ns, self.opened, self.calls, self.refuses = directory, T0, OpenJournal(directory), [], False
        self.count = 0
        self.in_force = PlanSet([])

    def call(self, order: str, **fields: Any) -> dict[str, Any]:
        if self.refuses:
            raise RefusedError("no recorder is running")
        self.calls.append((order, fields))
        if order == "run_start":
            self.count += 1
            run_id = f"{fields['name']}-{self.count:04d}"
            made = dataclasses.replace(run_info(run_id), started_utc_ns=self.now_ns)
            self.opened.journal.start_run(made, dataclasses.replace(snapshot(), config=toml(self.in_force.plans))).result(10)
            return {"run": run_id}
        self.opened.journal.stop_run(fields["run"], self.now_ns, fields["reason"]).result(10)
        return {}

    def configure(self, **more: Any) -> None:
        self.in_force = PlanSet([PlanConfig.model_validate({"name": "soak", "devices": ["load-1"], **more})])

    def plans(self, claim: Callable[[], object] = lambda: None, **more: Any) -> Plans:
        self.configure(**more)
        return Plans(lambda: self.in_force, Archive(self.directory), self, lambda: self.now_ns, claim)  # type: ignore[arg-type]

    @property
    def orders(self) -> list[str]:
        return [order for order, _ in self.calls]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    with made.opened:
        yield made


def test_a_plan_starts_at_its_time_and_only_once(bench: Bench) -> None:
    plans = bench.plans(cron="0 9 * * *")
    for minutes in (0, 60, 119.9):
        bench.now_ns = T0 + round(minutes * 60 * NS)
        plans.look()
    assert bench.calls == []
    bench.now_ns = T0 + 2 * HOUR_NS + NS
    plans.look()
    plans.look()
    assert bench.orders == ["run_start"]


def test_a_restart_neither_repeats_nor_forgets_a_start(bench: Bench) -> None:
    bench.now_ns = T0 + 2 * HOUR_NS + 10 * NS
    plans = bench.plans(cron="0 9 * * *", missed="start", missed_within="30min")
    plans.look()
    assert bench.orders == ["run_start"]  # 10 s late: the service came up just after
    bench.call("run_stop", run="soak-0001", reason="done")
    bench.plans(cron="0 9 * * *", missed="start", missed_within="30min").look()
    assert bench.orders == ["run_start", "run_stop"]


def test_plans_that_were_changed_are_followed_and_start_nothing_of_before(bench: Bench) -> None:
    plans = bench.plans(cron="0 12 * * *")
    bench.now_ns = T0 + 2 * HOUR_NS + 2 * NS
    plans.look()
    kept = bench.in_force.plans[0]
    at_nine = PlanConfig.model_validate(
        {"name": "new", "devices": ["load-1"], "cron": "0 9,11 * * *", "missed": "start", "missed_within": "3h"}
    )  # fmt: skip
    bench.in_force = PlanSet([kept, at_nine])
    plans.look()
    assert bench.orders == [], "nine o'clock was before the plan was there"
    bench.now_ns = T0 + 4 * HOUR_NS + NS
    plans.look()
    assert bench.calls == [("run_start", {"name": "new"})]
    bench.in_force = PlanSet([])
    bench.now_ns = T0 + 5 * HOUR_NS + NS
    plans.look()
    assert len(bench.calls) == 1, "a plan that is gone starts nothing"


def test_of_two_viewers_one_starts_and_the_other_takes_over(bench: Bench) -> None:
    """Both look at the same moment, before the run of either can be seen: what a check of the recordings alone does not catch."""
    first, second = StateHolder(bench.directory), StateHolder(bench.directory)
    one, other = (bench.plans(state.opened, cron="0 9,10 * * *", duration="10min") for state in (first, second))
    none_yet = Archive(bench.directory).runs()
    for plans in (one, other):
        plans._archive.runs = lambda: none_yet  # type: ignore[method-assign]
    bench.now_ns = T0 + 2 * HOUR_NS + NS
    one.look()
    with pytest.raises(StoreError, match="another viewer is at work"):
        other.look()
    assert bench.orders == ["run_start"]
    bench.call("run_stop", run="soak-0001", reason="done")
    first.opened().close()  # its process is gone
    other._archive = Archive(bench.directory)
    other.look()
    assert bench.orders == ["run_start", "run_stop"]  # that start was made
    bench.now_ns += HOUR_NS
    other.look()
    assert bench.orders == ["run_start", "run_stop", "run_start"]


@pytest.mark.parametrize(("missed", "late_s", "started"), [("skip", 600, False), ("start", 600, True), ("start", 7200, False)])
def test_missed_starts_are_handled_as_the_plan_says(bench: Bench, missed: str, late_s: int, started: bool) -> None:
    bench.now_ns = T0 + 2 * HOUR_NS + late_s * NS
    plans = bench.plans(cron="0 9 * * *", missed=missed, missed_within="1h")
    plans.look()
    assert (bench.orders == ["run_start"]) is started


def test_a_recorder_that_is_away_for_a_moment_costs_no_start(bench: Bench) -> None:
    plans = bench.plans(cron="0 9 * * *")
    bench.now_ns = T0 + 2 * HOUR_NS + NS
    bench.refuses = True
    with pytest.raises(RefusedError):
        plans.look()
    bench.refuses = False
    bench.now_ns += 10 * NS
    plans.look()
    assert bench.orders == ["run_start"]


def test_a_run_ends_on_its_charge_also_when_the_service_was_restarted_in_between(bench: Bench) -> None:
    """5 A for 36 s are 0.05 A·h exactly."""
    stop = {"device": "load-1", "charge_ah": 0.05}
    plans = bench.plans(stop=stop)
    bench.call("run_start", name="soak")
    bench.opened.put(*(sample(n, counts={"voltage_v": 24_000, "current_a": 50_000, "input_on": 1}) for n in range(1, 200)))
    plans.look()
    assert bench.orders == ["run_start"]
    again = bench.plans(stop=stop)
    bench.opened.put(*(sample(n, counts={"voltage_v": 24_000, "current_a": 50_000, "input_on": 1}) for n in range(200, 361)))
    again.look()
    assert bench.orders == ["run_start"]  # 359 intervals of 0.1 s: 0.04986 A·h
    bench.opened.put(*(sample(n, counts={"voltage_v": 24_000, "current_a": 50_000, "input_on": 1}) for n in range(361, 363)))
    again.look()
    assert bench.orders == ["run_start", "run_stop"]
    assert bench.calls[-1][1]["reason"] == "plan soak: 0.05 A·h reached on load-1"


def test_a_run_ends_on_an_event_of_its_own(bench: Bench) -> None:
    plans = bench.plans(stop={"events": ["supply_trip"]})
    bench.call("run_start", name="soak")
    bench.opened.put(sample(1))
    bench.opened.journal.put_events([event(1, 2, kind="supply_trip", run="another-0009"), event(2, 3, kind="limit", run="soak-0001")])
    bench.opened.flush()
    plans.look()
    assert bench.orders == ["run_start"]
    bench.opened.journal.put_events([event(3, 4, kind="supply_trip", run="soak-0001", confidence=0.6)])
    bench.opened.flush()
    plans.look()
    assert bench.orders == ["run_start", "run_stop"]
    assert bench.calls[-1][1]["reason"] == "plan soak: supply_trip on load-1 (probability 0.60)"


def test_what_was_withdrawn_since_the_last_look_ends_no_run(bench: Bench) -> None:
    plans = bench.plans(stop={"events": ["open_circuit"]})
    bench.call("run_start", name="soak")
    bench.opened.put(sample(1))
    said = event(1, 2, kind="open_circuit", run="soak-0001", confidence=0.55)
    over = event(1, 3, kind="open_circuit", run="soak-0001", state=EventState.CLEARED, evidence={"revised_to": "supply_trip"})
    bench.opened.journal.put_events([said, over])
    bench.opened.flush()
    plans.look()
    assert bench.orders == ["run_start"]
    bench.opened.journal.put_events([event(2, 4, kind="open_circuit", run="soak-0001")])
    bench.opened.flush()
    plans.look()
    assert bench.orders == ["run_start", "run_stop"]


@pytest.mark.parametrize("now", ["earlier", "later", "gone"])
@pytest.mark.parametrize("restarted", [False, True])
def test_a_run_that_is_on_keeps_what_its_plan_said_when_it_began(bench: Bench, now: str, restarted: bool) -> None:
    plans = bench.plans(stop={"device": "load-1", "voltage_below": 22.0})
    bench.call("run_start", name="soak")
    plans.look()
    if now == "gone":
        bench.in_force = PlanSet([])
    else:
        bench.configure(stop={"device": "load-1", "voltage_below": 23.0 if now == "earlier" else 20.0})
    if restarted:
        plans = Plans(lambda: bench.in_force, Archive(bench.directory), bench, lambda: bench.now_ns)  # type: ignore[arg-type]
    bench.opened.put(*(volts(*[22.5] * 10)))
    plans.look()
    assert bench.orders == ["run_start"]
    bench.opened.put(*(sample(n, counts={"voltage_v": 21_900, "current_a": 50_000, "input_on": 1}) for n in range(11, 20)))
    plans.look()
    assert bench.calls[1:] == [("run_stop", {"run": "soak-0001", "reason": "plan soak: voltage of load-1 below 22 V"})]
    plans.look()
    if now != "gone":
        bench.call("run_start", name="soak")
        bench.opened.put(*(sample(n, counts={"voltage_v": 22_500, "current_a": 50_000, "input_on": 1}) for n in range(20, 30)))
        plans.look()
        assert (bench.orders[-1] == "run_stop") is (now == "earlier"), "the next run is of the plan as it is now"


@pytest.mark.parametrize(
    ("stop", "says"),
    [
        ('{ device = "load-1", voltage_below = "21.0" }', ""),
        ("{ volts_below = 21.0 }", "plan soak: stop.volts_below: unknown key (nearest known: voltage_below)"),
    ],
)
def test_a_plan_that_an_earlier_version_recorded_holds_or_is_said_not_to(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, stop: str, says: str
) -> None:
    monkeypatch.setitem(globals(), "toml", lambda plans: f'[[plan]]\nname = "soak"\ndevices = ["load-1"]\nstop = {stop}\n')
    plans = bench.plans()
    bench.call("run_start", name="soak")
    plans.look()
    bench.opened.put(*volts(24, 20, 20, 20))
    bench.opened.flush()
    plans.look()
    assert bench.orders[-1] == ("run_start" if says else "run_stop")
    assert (f"run soak-0001: what ends it cannot be read: as recorded: {says}" in caplog.text) is bool(says)


def volts(*values: float) -> list[Sample]:
    return [sample(n, counts={"voltage_v": round(v * 1000), "current_a": 50_000, "input_on": 1}) for n, v in enumerate(values, 1)]


def ended(*values: float, **more: Any) -> bool:
    plan = PlanConfig.model_validate({"name": "soak", "devices": ["load-1"], "stop": {"device": "load-1", **more}})
    stops = Stops(plan, 0.1)
    return any(stops.sample(s) is not None for s in volts(*values))


def test_one_low_reading_ends_nothing() -> None:
    assert not ended(24, 20, 24, 20, 20, 24, voltage_below=21.0)
    assert ended(24, 20, 20, 20, voltage_below=21.0)


def test_what_was_not_seen_is_not_counted() -> None:
    plan = PlanConfig.model_validate({"name": "soak", "devices": ["load-1"], "stop": {"device": "load-1", "energy_wh": 0.01}})
    stops = Stops(plan, 0.1)
    first, second = (sample(n, counts={"voltage_v": 24_000, "current_a": 50_000, "input_on": 1}) for n in (1, 1001))
    assert stops.sample(first) is None
    assert stops.sample(second) is None  # 100 s of 120 W would be 3.3 W·h
    assert (stops.charge_ah, stops.energy_wh) == (0.0, 0.0)
