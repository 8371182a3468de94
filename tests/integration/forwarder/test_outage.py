"""Hours without a server at 80 samples/s in virtual time, then catch-up while recording goes on; a real recording, a real InfluxDB.

The default suite plays `LOADLOG_OUTAGE_H` = 0.2 h; ``make test ARGS="-m long"`` twelve (set the variable for another span).
"""

from __future__ import annotations

import math
import os
from pathlib import Path

import psutil
import pytest

from loadlog.forwarder.facts import State
from loadlog.forwarder.sender import Credentials, Sender
from loadlog.forwarder.service import troubles
from loadlog.model.clock import NS
from loadlog.store import Archive
from tests.databases import Influx1
from tests.integration.forwarder.test_real_servers import to_influx
from tests.unit.forwarder.desk import Desk
from tests.unit.store.recorded import T0, OpenJournal, event, sample

pytestmark = [pytest.mark.server, pytest.mark.timeout(900)]
HOURS = os.environ.get("LOADLOG_OUTAGE_H", "")
DEVICES = ("load-1", "load-2", "case")
PER_S, PERIOD_S = 80, 20
RATE_PER_S = 2000.0


class Bench:
    """Records 80 samples a second of virtual time, and an event every ten minutes; adds up what was recorded."""

    def __init__(self, opened: OpenJournal) -> None:
        self._opened, self.seq, self.now_s, self.sums, self.events = opened, 0, 0, dict.fromkeys(DEVICES, 0), 0

    def go_on(self) -> None:
        """`PERIOD_S` of it, durable."""
        for n in range(PER_S * PERIOD_S):
            self.seq += 1
            device, count = DEVICES[self.seq % 3], 24_000 + self.seq * 7919 % 1000
            self.sums[device] += count
            t_ns = T0 + self.now_s * NS + n * NS // PER_S
            self._opened.journal.put_sample(sample(self.seq, device, t_ns, {"voltage_v": count, "current_a": 50_000}))
        if self.now_s % 600 == 0:
            self.seq, self.events = self.seq + 1, self.events + 1
            self._opened.journal.put_events([event(self.events, self.seq)])
        self._opened.flush()
        self.now_s += PERIOD_S


@pytest.mark.parametrize(
    "hours", [pytest.param(float(HOURS or 0.2), id="short"), pytest.param(float(HOURS or 12), id="long", marks=pytest.mark.long)]
)
def test_hours_without_a_server_are_caught_up_while_recording_goes_on(tmp_path: Path, hours: float) -> None:
    server = Influx1(tmp_path / "influx")
    config = to_influx(server.url)
    with OpenJournal(tmp_path / "data", queue_samples=100_000) as opened:
        bench = Bench(opened)
        desk = Desk(tmp_path / "data", Sender(config, Credentials()), catch_up_lines_per_s=RATE_PER_S)  # type: ignore[arg-type]
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
            server.create("bench")
            remaining = []
            limit_s = bench.now_s + bench.seq / (RATE_PER_S - PER_S) + 180
            while desk.courier.facts.state is not State.UP_TO_DATE or desk.courier.facts.backlog_samples:
                pass_time()
                remaining.append(desk.courier.facts.remaining_s)
                assert bench.now_s <= limit_s, desk.courier.facts
                if len(remaining) == 4:
                    found = server.query("SELECT count(id) FROM bench_event", "bench")
                    assert found[0]["values"][0][1] == bench.events, "events come before the samples of hours"
            grown_mb = psutil.Process().memory_info().rss / 1e6 - memory_mb
            shown = [r for r in remaining if r is not None]
            assert shown, "no progress was shown"
            assert shown[-1] < shown[0] or len(shown) < 5
            counts, sums = totals(server)
        assert bench.now_s > hours * 3600 + bench.seq / RATE_PER_S * 0.5, "slower than allowed, not faster"
    print(f"{bench.seq} numbers, {bench.events} events, caught up within {bench.now_s - hours * 3600:.0f} s; memory {grown_mb:+.0f} MB")
    stored = {r: Archive(tmp_path / "data").polls(r)[0] for r in DEVICES}
    assert counts == stored
    assert {device: round(total * 1000) for device, total in sums.items()} == bench.sums
    assert grown_mb < 60
    assert desk.courier.facts.set_aside == 0


def totals(server: Influx1) -> tuple[dict[str, int], dict[str, float]]:
    """Per device: how many points, and the sum of their voltages (exact to a part in 10¹², far below one count)."""
    counts, sums = {}, {}
    for series in server.query('SELECT count("voltage_v"), sum("voltage_v") FROM "load" GROUP BY "device"', "bench"):
        _, counts[series["tags"]["device"]], sums[series["tags"]["device"]] = series["values"][0]
    assert all(math.isfinite(total) for total in sums.values())
    return counts, sums
