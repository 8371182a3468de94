"""A courier with everything around it, in virtual time: a recording, a server that a test speaks for, the viewer's database."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from loadlog.config import ForwardConfig
from loadlog.forwarder.answers import Answer, Verdict
from loadlog.forwarder.courier import Around, Courier
from loadlog.forwarder.facts import State
from loadlog.forwarder.lines import SampleLines
from loadlog.forwarder.stamps import Stamps
from loadlog.model.clock import NS
from loadlog.store import Archive
from loadlog.store.forward_state import ForwardState
from loadlog.store.viewer_state import ViewerState
from tests.unit.forwarder.rows import Server
from tests.unit.restarts import Restarted
from tests.unit.store.recorded import T0, OpenJournal, run_info, sample, snapshot

DOWN = Answer(Verdict.UNREACHABLE, "http://h: nobody listens there")
BAD = Answer(Verdict.LINES_REFUSED, "field type conflict")


class Desk(Restarted):
    """A courier with everything around it."""

    def __init__(self, folder: Path, server: Server | None = None, **settings: Any) -> None:
        super().__init__(folder, 1000.0)
        self.server = server or Server()
        settings = {"bucket": "b", "catch_up_lines_per_s": 1e7, **settings}
        self.config = ForwardConfig(name="lab", kind="influxdb2", url="http://h", **settings)
        self.health: dict[str, Any] | None = None
        self.again()

    def begin(self, viewer: ViewerState) -> None:
        around = Around("bench-a", Archive(self.folder), lambda: self.health, lambda: self.now_s, self.utc_ns)
        self.kept = ForwardState(viewer, "lab", round(self.config.rewind_s * NS))
        self.courier = Courier(self.config, around, self.kept, self.server)

    def step(self) -> float:
        """One step, and as much time as the courier wants to wait after it."""
        wait_s = self.courier.step()
        self.now_s += wait_s
        return wait_s

    def run(self, until: Callable[[], bool], steps: int = 5000) -> None:
        for _ in range(steps):
            self.step()
            if until():
                return
        raise AssertionError(f"never: {self.courier.facts}")

    def drain(self) -> None:
        """Until nothing waits."""
        self.run(lambda: self.courier.facts.state is State.UP_TO_DATE)


def expected(folder: Path) -> dict[str, str]:
    """Every stored sample as the point it must become."""
    server, lines = Server(), SampleLines("bench-a", Stamps("ns"))
    rows = Archive(folder).follow(0).poll_rows(10**6)
    server("\n".join(lines.line(row) for row in rows).encode())
    assert len(server.points) == len(rows)
    return server.points


def record(folder: Path, count: int, first: int = 1, later_ns: int = 0) -> None:
    """Samples of three devices, one of them in a run for the middle third."""
    with OpenJournal(folder) as opened:
        for seq in range(first, first + count):
            if seq == first + count // 3:
                opened.journal.start_run(run_info(), snapshot())
            if seq == first + 2 * count // 3:
                opened.journal.stop_run("soak-0001", T0, "done")
            opened.journal.put_sample(sample(seq, ("load-1", "load-2", "case")[seq % 3], T0 + seq * NS // 10 + later_ns))
            if seq % 1000 == 0:
                opened.flush()
        opened.flush()
