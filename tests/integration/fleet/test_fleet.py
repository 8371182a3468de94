"""Twenty simulated benches, each with recordings of its own, forward to one server: nothing is mixed up, and the overview answers for all.

The queries are read from the committed dashboard as any Grafana would; what they must answer comes from the simulated samples.
"""

from __future__ import annotations

import contextlib
import json
import random
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from loadlog.config import ForwardConfig
from loadlog.forwarder import Forwarding
from loadlog.forwarder.facts import State
from loadlog.forwarder.sender import Credentials
from loadlog.model.event import EventState, Severity
from tests.checklists.simulated import SimulatedRun, stock
from tests.checklists.traces import T0_NS, Record
from tests.databases import Influx1
from tests.unit.store.recorded import OpenJournal, run_info, snapshot, until

pytestmark = [pytest.mark.server, pytest.mark.timeout(240)]
ROOT = Path(__file__).resolve().parents[3]
BENCHES, LENGTH_S = 20, 12.0
FROM_MS, TO_MS = T0_NS // 1_000_000, T0_NS // 1_000_000 + 60_000


class Status:
    """A recorder's answer to the order ``status``."""

    def __init__(self, polls: int) -> None:
        self._polls = polls

    def call(self, order: str, **fields: Any) -> dict[str, Any]:
        return {"buses": {"b": {"polls": self._polls, "lateness": {"p99_s": 0.001}, "failures": {}}}} if order == "status" else {}


class OneBench:
    """Its simulation, its recordings, its forwarding."""

    def __init__(self, folder: Path, number: int, seed: int, influx: Influx1) -> None:
        self.name = f"bench-{number}"
        self.polls = 100 + number
        simulated = stock(random.Random(seed + number), level=1.0 + number / 4, rate_hz=2.0)
        if number % 4 == 0:  # told at once by the instrument itself, and not over at the end
            simulated.fault(5.0, "load_trip", "load-1", None, protection="over_current")
        self.record: Record = simulated.run(LENGTH_S)
        self.specs = {spec.name: spec for spec in simulated.specs}
        self._store(folder / self.name, simulated)
        config = ForwardConfig(name="lab", kind="influxdb1", url=influx.url, database="fleet", heartbeat_s=1)
        self.forwarding = Forwarding(self.name, folder / self.name, [(config, Credentials())], Status(self.polls))

    def _store(self, folder: Path, simulated: SimulatedRun) -> None:
        folder.mkdir()
        with OpenJournal(folder, specs=self.specs) as opened:
            opened.journal.start_run(run_info("soak-0001", tuple(self.specs)), snapshot(self.specs)).result(20)
            for one in self.record.samples:
                opened.journal.put_sample(one)
            opened.journal.put_events(self.record.events)
            opened.flush()

    def mean(self, device: str, channel: str) -> float | None:
        fresh = [s for s in self.record.samples if s.device == device and channel not in s.held]  # what is held was sent before
        values = [s.values[channel] for s in fresh if s.values.get(channel) is not None]
        return sum(v for v in values if v is not None) / len(values) if values else None

    def active_alarms(self) -> int:
        latest = {event.id: event for event in self.record.events}  # states in the order in which they were told
        return sum(e.severity is Severity.ALARM and e.state is EventState.ACTIVE for e in latest.values())


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Influx1, list[OneBench]]]:
    folder, seed = tmp_path_factory.mktemp("fleet"), secrets.randbits(30)
    print("seed", seed)
    with Influx1(folder / "influx") as influx, contextlib.ExitStack() as ended:
        influx.create("fleet")
        benches = [OneBench(folder, number, seed, influx) for number in range(BENCHES)]
        for bench in benches:  # all at once, as benches do
            bench.forwarding.start()
            ended.callback(bench.forwarding.stop)
        for bench in benches:
            until(lambda bench=bench: bench.forwarding.facts()[0].state is State.UP_TO_DATE)
            assert bench.forwarding.facts()[0].set_aside == 0
        yield influx, benches


def panel(title: str) -> str:
    board = json.loads((ROOT / "dashboards" / "loadlog-overview.json").read_text(encoding="utf-8"))
    [found] = [one for one in board["panels"] if one["title"] == title]
    return str(found["targets"][0]["query"])


def ask(influx: Influx1, query: str, chosen: str = ".*", heartbeats: bool = False) -> list[dict[str, Any]]:
    when = "time > 0" if heartbeats else f"time >= {FROM_MS}ms and time <= {TO_MS}ms"  # heartbeats carry the present
    text = query.replace("$timeFilter", when).replace("$__interval", "1h").replace("$bench", chosen)
    return influx.query(text, "fleet")


def by_tags(answer: list[dict[str, Any]]) -> dict[tuple[str, ...], dict[str, Any]]:
    """Sorted tags' values -> the only row with a value in it, by column."""
    out = {}
    for one in answer:
        rows = [row for row in one["values"] if any(value is not None for value in row[1:])]
        if rows:
            [row] = rows
            out[tuple(value for _, value in sorted((one.get("tags") or {}).items()))] = dict(zip(one["columns"], row, strict=True))
    return out


def test_every_sample_of_every_bench_has_arrived(fleet: tuple[Influx1, list[OneBench]]) -> None:
    influx, benches = fleet
    for bench in benches:
        for device, spec in bench.specs.items():
            answer = influx.query(
                f'SELECT count("quality") FROM "{spec.role}" WHERE "bench" = \'{bench.name}\' AND "device" = \'{device}\'', "fleet"
            )
            assert answer[0]["values"][0][1] == sum(s.device == device for s in bench.record.samples) > 10


@pytest.mark.parametrize(
    ("title", "channel"), [("Voltage", "voltage_v"), ("Current", "current_a"), ("Power", "power_w"), ("Temperature", "temperature_c")]
)
def test_a_plot_shows_every_bench(fleet: tuple[Influx1, list[OneBench]], title: str, channel: str) -> None:
    influx, benches = fleet
    found = by_tags(ask(influx, panel(title)))
    assert set(found) == {(bench.name, "load-1") for bench in benches}
    for bench in benches:
        assert found[bench.name, "load-1"][channel] == pytest.approx(bench.mean("load-1", channel), rel=1e-9)
    if channel == "current_a":  # each bench was given a current of its own; means over a trip may be those of another by chance
        held = [bench.name for bench in benches if not bench.active_alarms()]
        assert len({found[name, "load-1"][channel] for name in held}) == len(held) == BENCHES - BENCHES // 4


def test_alarms_are_counted_for_each_bench(fleet: tuple[Influx1, list[OneBench]]) -> None:
    influx, benches = fleet
    found = {name: row["active"] for (name,), row in by_tags(ask(influx, panel("Active alarms"))).items()}
    expected = {bench.name: bench.active_alarms() for bench in benches}
    assert {name: found.get(name, 0) for name in expected} == expected
    assert sum(count > 0 for count in expected.values()) >= BENCHES // 4


def test_the_last_heartbeat_and_readings_of_each_bench(fleet: tuple[Influx1, list[OneBench]]) -> None:
    influx, benches = fleet
    beats = by_tags(ask(influx, panel("Last heartbeat"), heartbeats=True))
    assert {name: row["polls"] for (name,), row in beats.items()} == {bench.name: bench.polls for bench in benches}
    readings = by_tags(ask(influx, panel("Last readings")))
    for bench in benches:
        latest = [s for s in bench.record.samples if s.device == "load-1"][-1]
        assert readings[bench.name, "load-1"]["voltage_v"] == latest.values["voltage_v"]
        assert readings[bench.name, "load-1"]["quality"] == int(latest.quality)
    temperatures = by_tags(ask(influx, panel("Last temperatures")))
    assert set(temperatures) == {(bench.name, "case") for bench in benches}


def test_one_bench_is_picked_among_names_that_begin_alike(fleet: tuple[Influx1, list[OneBench]]) -> None:
    influx, _ = fleet
    assert set(by_tags(ask(influx, panel("Voltage"), "bench-1"))) == {("bench-1", "load-1")}
    assert {bench for bench, _ in by_tags(ask(influx, panel("Voltage"), "(bench-1|bench-11)"))} == {"bench-1", "bench-11"}


def test_every_device_answered_last_when_it_did(fleet: tuple[Influx1, list[OneBench]]) -> None:
    influx, benches = fleet
    found = {key: row["time"] for key, row in by_tags(ask(influx, panel("Last answers"))).items()}
    expected = {}
    for bench in benches:
        for one in bench.record.samples:
            if one.failure is None:
                expected[bench.name, one.device] = one.stamp.t_utc_ns
    assert set(found) == set(expected)
    assert all(abs(found[key] - t_ns) < 1000 for key, t_ns in expected.items())  # ns; stamps are kept apart by less than 1 µs
