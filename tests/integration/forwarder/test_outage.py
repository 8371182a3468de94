"""Hours without a server at 80 samples/s in virtual time, then catch-up while recording goes on; real recordings, real databases.

The default suite plays `LOADLOG_OUTAGE_H` = 0.2 h; ``make test ARGS="-m long"`` twelve (set the variable for another span).
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import psutil
import pytest

from loadlog.config import ForwardConfig
from loadlog.forwarder.facts import State
from loadlog.forwarder.sender import Credentials, Sender
from loadlog.forwarder.service import troubles
from loadlog.model.clock import NS
from loadlog.model.event import Onset
from loadlog.store import Archive
from loadlog.store.verify import verify
from tests.databases import Influx1, Server, Victoria
from tests.integration.forwarder.test_real_servers import to_influx, to_v2
from tests.unit.forwarder.desk import Desk
from tests.unit.store.recorded import DAY_NS, T0, OpenJournal, event, sample

pytestmark = [pytest.mark.server, pytest.mark.timeout(1800)]
HOURS = os.environ.get("LOADLOG_OUTAGE_H", "")
DEVICES = ("load-1", "load-2", "case")
PER_S, PERIOD_S = 80, 20
RATE_PER_S = 2000.0
Totals = tuple[dict[str, int], dict[str, int]]  # device -> points, sum of their voltages in counts


class Target(NamedTuple):
    """``settings``: of its ``[[forward]]``. ``start_ns``: of the samples. ``events``: how many points of events it holds; ``totals``: what
    it holds of the samples before an instant, s."""

    make: Callable[[Path], Server]
    config: Callable[[str], ForwardConfig]
    settings: dict[str, Any]
    start_ns: int
    events: Callable[[Any], int]
    totals: Callable[[Any, int], Totals]


def influx_events(server: Influx1) -> int:
    found = server.query("SELECT count(id) FROM bench_event", "bench")
    return int(found[0]["values"][0][1])


def influx_totals(server: Influx1, end_s: int) -> Totals:
    counts, sums = {}, {}
    for series in server.query('SELECT count("voltage_v"), sum("voltage_v") FROM "load" GROUP BY "device"', "bench"):
        _, counts[series["tags"]["device"]], total = series["values"][0]
        sums[series["tags"]["device"]] = round(total * 1000)  # exact to a part in 10¹², far below one count
    return counts, sums


def victoria_events(server: Victoria) -> int:
    return sum(len(series) for series in server.points("bench_event").values())


def victoria_totals(server: Victoria, end_s: int) -> Totals:
    server.get("/internal/force_flush")
    found = []
    for fold in ("count", "sum"):
        query = f"sum(round({fold}_over_time(load_voltage_v[10d]), 1e-6)) by (device)"
        answer = json.loads(server.get("/api/v1/query", query=query, time=str(end_s), nocache="1"))["data"]["result"]
        found.append({one["metric"]["device"]: float(one["value"][1]) for one in answer})
    return {d: round(n) for d, n in found[0].items()}, {d: round(total * 1000) for d, total in found[1].items()}


TARGETS = {
    "influxdb": Target(Influx1, to_influx, {}, T0, influx_events, influx_totals),
    # what lies in the future is dropped there, and acknowledged
    "victoriametrics": Target(
        Victoria, to_v2, {"stamps": "ms", "rewind_s": 30.0}, T0 - 1000 * DAY_NS, victoria_events, victoria_totals
    ),
}  # fmt: skip


class Bench:
    """Records 80 samples a second of virtual time, and an event every ten minutes; adds up what was recorded."""

    def __init__(self, opened: OpenJournal, start_ns: int) -> None:
        self._opened, self._start_ns = opened, start_ns
        self.seq, self.now_s, self.sums, self.events = 0, 0, dict.fromkeys(DEVICES, 0), 0

    def go_on(self) -> None:
        """`PERIOD_S` of it, durable."""
        for n in range(PER_S * PERIOD_S):
            self.seq += 1
            device, count = DEVICES[self.seq % 3], 24_000 + self.seq * 7919 % 1000
            self.sums[device] += count
            t_ns = self._start_ns + self.now_s * NS + n * NS // PER_S
            self._opened.journal.put_sample(sample(self.seq, device, t_ns, {"voltage_v": count, "current_a": 50_000}))
        if self.now_s % 600 == 0:
            self.seq, self.events = self.seq + 1, self.events + 1
            t_ns = self._start_ns + self.now_s * NS
            self._opened.journal.put_events([event(self.events, self.seq, onset=Onset(t_ns - NS, t_ns), detected_utc_ns=t_ns)])
        self._opened.flush()
        self.now_s += PERIOD_S


@pytest.mark.parametrize("name", TARGETS)
@pytest.mark.parametrize(
    "hours", [pytest.param(float(HOURS or 0.2), id="short"), pytest.param(float(HOURS or 12), id="long", marks=pytest.mark.long)]
)
def test_hours_without_a_server_are_caught_up_while_recording_goes_on(tmp_path: Path, hours: float, name: str) -> None:
    target = TARGETS[name]
    server = target.make(tmp_path / "server")
    sender: Any = Sender(target.config(server.url), Credentials())
    with OpenJournal(tmp_path / "data", queue_samples=100_000) as opened:
        bench = Bench(opened, target.start_ns)
        desk = Desk(tmp_path / "data", sender, catch_up_lines_per_s=RATE_PER_S, **target.settings)
        begun_s = desk.now_s

        def pass_time() -> None:
            """The bench and the courier by the same virtual clock."""
            bench.go_on()
            while desk.now_s - begun_s < bench.now_s:
                desk.step()

        while bench.now_s < hours * 3600:
            pass_time()
        facts = desk.courier.facts
        assert facts.state is State.WAITING
        assert facts.backlog_samples == pytest.approx(bench.seq, rel=0.05)
        assert troubles(facts, 60.0)["forward_backlog", "lab"]
        memory_mb = psutil.Process().memory_info().rss / 1e6

        with server:
            if isinstance(server, Influx1):
                server.create("bench")
            remaining = []
            limit_s = bench.now_s + bench.seq / (RATE_PER_S - PER_S) + 180
            while desk.courier.facts.state is not State.UP_TO_DATE or desk.courier.facts.backlog_samples:
                pass_time()
                remaining.append(desk.courier.facts.remaining_s)
                assert bench.now_s <= limit_s, desk.courier.facts
                if len(remaining) == 4:
                    assert target.events(server) == bench.events, "events come before the samples of hours"
            grown_mb = psutil.Process().memory_info().rss / 1e6 - memory_mb
            shown = [r for r in remaining if r is not None]
            assert shown, "no progress was shown"
            assert shown[-1] < shown[0] or len(shown) < 5
            counts, sums = target.totals(server, target.start_ns // NS + bench.now_s)
            assert target.events(server) == bench.events
        assert bench.now_s > hours * 3600 + bench.seq / RATE_PER_S * 0.5, "slower than allowed, not faster"
    print(f"{bench.seq} numbers, {bench.events} events, caught up within {bench.now_s - hours * 3600:.0f} s; memory {grown_mb:+.0f} MB")
    assert sums == bench.sums
    assert counts == {r: Archive(tmp_path / "data").polls(r)[0] for r in DEVICES}
    assert sum(counts.values()) + bench.events == bench.seq
    assert grown_mb < 60
    assert desk.courier.facts.set_aside == 0
    found = verify(tmp_path / "data")
    assert found.sound, found.findings
    assert found.missing == []
