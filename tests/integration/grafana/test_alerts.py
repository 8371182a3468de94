"""The alert rules as provisioned, on a real InfluxDB, each fires for what it must and for nothing else.

``now()`` is put in as a number, so that the phases of the intervals that the rules count in are tried: just begun, nearly over.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from loadlog.forwarder.lines import SampleLines, event_line, health_lines
from loadlog.forwarder.stamps import Stamps
from loadlog.grafana import EVERY_BENCH, Scope, all_files
from loadlog.model.clock import NS
from loadlog.model.event import Event, EventState, Onset, Severity
from loadlog.model.sample import FailureCause
from loadlog.store.rows import Layout
from tests.databases import Influx1
from tests.integration.grafana.grafana import firing
from tests.integration.grafana.world import bench_of
from tests.unit.forwarder.rows import stored
from tests.unit.store.recorded import event, failed, sample

pytestmark = pytest.mark.server
MINUTE_S, DAY_S = 60, 86_400
EPOCH_S = 1_800_000_000  # a multiple of every interval in use
PHASES_S = (1, 12, 61, 299)


def rules(scope: Scope) -> dict[str, dict[str, Any]]:
    [text] = [text for name, text in all_files(scope).items() if name.startswith("provisioning/alerting/")]
    [group] = yaml.safe_load(text)["groups"]
    return {rule["title"]: rule for rule in group["rules"]}


class Database:
    """Lines are told by how long ago their instant is, s."""

    def __init__(self, server: Influx1, name: str, phase_s: int) -> None:
        self.server, self.name, self.now_ns = server, name, (EPOCH_S + phase_s) * NS
        server.create(name)

    def beats(self, bench: str, since_s: int, until_s: int, backlog: Any = lambda ago_s: 0, bus: str = "rack", every_s: int = 10) -> None:
        lines = []
        for ago_s in range(since_s, until_s, -every_s):
            lines += health_lines(bench, {bus: {"polls": since_s - ago_s}}, round(backlog(ago_s)), self.now_ns - ago_s * NS)
        self.write(lines)

    def write(self, lines: list[str]) -> None:
        self.server.get("/write", "\n".join(lines).encode(), db=self.name)

    def event(self, bench: str, one: Event, ago_s: int, cleared_ago_s: int | None = None) -> None:
        t_ns = self.now_ns - ago_s * NS
        told = event(one.id, 0, one.device, kind=one.kind, severity=one.severity, onset=Onset(t_ns, t_ns))
        self.write([event_line(bench, told, "ns")])
        if cleared_ago_s is not None:
            self.cleared(bench, one, cleared_ago_s)

    def cleared(self, bench: str, one: Event, ago_s: int) -> None:
        t_ns = self.now_ns - ago_s * NS
        over = event(
            one.id,
            0,
            one.device,
            kind=one.kind,
            severity=one.severity,
            state=EventState.CLEARED,
            onset=Onset(t_ns, t_ns),
            cleared_utc_ns=t_ns,
        )
        self.write([event_line(bench, over, "ns")])

    def fires(self, title: str, scope: Scope = EVERY_BENCH) -> Any:
        """The labels' values of what fires, or the state."""
        found = firing(rules(scope)[title], lambda query: self.server.query(query.replace("now()", str(self.now_ns)), self.name))
        return found if isinstance(found, str) else {tuple(value for _, value in labels) for labels in found}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx1]:
    with Influx1(tmp_path_factory.mktemp("influx")) as started:
        yield started


@pytest.fixture(params=PHASES_S)
def database(server: Influx1, request: pytest.FixtureRequest) -> Database:
    return Database(server, request.node.name, request.param)


def alarm(id_: int, device: str = "load-1", kind: str = "limit", severity: Severity = Severity.ALARM) -> Event:
    return event(id_, 0, device, kind=kind, severity=severity)


def test_no_heartbeat(database: Database) -> None:
    assert database.fires("No heartbeat") == "Alerting", "an empty answer is the death of everything"
    database.beats("alive", 3600, 0)
    database.beats("new", 90, 0)
    database.beats("dead", 3600, 10 * MINUTE_S)
    database.beats("dead since yesterday", 20 * 3600, 19 * 3600)
    database.beats("just gone", 3600, 2 * MINUTE_S)
    database.beats("dead", 5 * MINUTE_S, 0, bus="none")  # what the forwarder tries a server with is no heartbeat
    assert database.fires("No heartbeat") == {("dead",), ("dead since yesterday",)}
    assert database.fires("No heartbeat", Scope("dead")) == {("dead",)}
    assert database.fires("No heartbeat", Scope("alive")) == set()


def test_a_slow_heartbeat_is_not_taken_for_none(database: Database) -> None:
    database.beats("slow", 6 * 3600, 0, every_s=600)
    assert database.fires("No heartbeat", Scope("slow", heartbeat_s=600)) == set()
    database.beats("dead", 12 * 3600, 6 * 3600, every_s=600)
    assert database.fires("No heartbeat", Scope("dead", heartbeat_s=600)) == {("dead",)}


def test_active_alarm(database: Database) -> None:
    assert database.fires("Active alarm") == "OK"
    database.event("a", alarm(1), 60 * DAY_S)  # active for two months, and hidden behind:
    database.event("a", alarm(2), 3 * DAY_S, 2 * DAY_S)
    database.event("a", alarm(3, kind="load_trip"), 4 * DAY_S, 60)
    database.event("a", alarm(4, kind="drift", severity=Severity.WARNING), 60)
    database.cleared("a", alarm(5, kind="action_taken"), 30)  # momentary: over as it is told
    database.event("b", alarm(1), 3600, 1800)  # the numbers of two benches have nothing to do with each other
    database.event("b", alarm(2, "load-2"), 3600)
    database.event("b", alarm(2, "load-2"), 3600)  # told again
    assert database.fires("Active alarm") == {("a", "load-1", "limit"), ("b", "load-2", "limit")}
    assert database.fires("Active alarm", Scope("b")) == {("b", "load-2", "limit")}


def test_device_silent(database: Database, tmp_path: Path) -> None:
    """A failed poll is a point too, with quality alone."""
    assert database.fires("Device silent") == "Alerting"
    bench = bench_of(tmp_path, "a")
    lines = SampleLines("a", Stamps("ns"))
    gone = {"load-10": 10 * MINUTE_S, "meter": 2 * MINUTE_S}  # how long ago the last good poll was; the others go on
    for name, spec in bench.devices.items():
        layout = Layout(spec)
        told = []
        for number, ago_s in enumerate(range(1800, 0, -2), 1):
            t_ns = database.now_ns - ago_s * NS
            if ago_s < gone.get(name, 0):
                one = failed(number, name, FailureCause.TIMEOUT, t_ns)
            else:
                counts = dict.fromkeys(layout.names, 1)
                counts |= {channel.name: -1 for channel in spec.channels if name == "case" and channel.unit == "°C"}  # frost is a reading
                one = sample(number, name, t_ns, counts, device_spec=spec)
            told.append(lines.line(stored(one, None, layout)))
        database.write(told)
    assert database.fires("Device silent") == {("a", "load-10")}
    assert database.fires("Device silent", Scope("a", tuple(bench.devices.values()))) == {("a", "load-10")}


def test_rules_are_about_the_present() -> None:
    for rule in rules(EVERY_BENCH).values():
        query = rule["data"][0]["model"]["query"]
        assert query.count("now()") >= 2
        assert "$" not in query  # Grafana would take it for an environment variable


def test_backlog_grows(database: Database) -> None:
    assert database.fires("Backlog grows") == "OK"
    database.beats("grows", 3600, 0, lambda ago_s: 10_000 - ago_s)
    database.beats("grows slowly", 3600, 0, lambda ago_s: 1000 - ago_s / 60)
    database.beats("is caught up", 3600, 0, lambda ago_s: ago_s)
    database.beats("stands", 3600, 0, lambda ago_s: 500)
    database.beats("grew", 3600, 0, lambda ago_s: 10_000 - max(ago_s, 900))
    database.beats("none", 3600, 0, bus="none", backlog=lambda ago_s: 10_000 - ago_s)
    assert database.fires("Backlog grows") == {("grows",), ("grows slowly",)}
    assert database.fires("Backlog grows", Scope("stands")) == set()
