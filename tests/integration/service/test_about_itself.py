"""What the service says about itself, through the whole recorder on the simulated workshop: each trouble made by real means, told once, its
end told, with a message that says what is wrong, where, and what to do. (`sample_gap` of a recorder that was killed: `test_service`.)
"""

from __future__ import annotations

import contextlib
import http.server
import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from loadlog.model.clock import NS, parse_utc
from loadlog.model.event import Event, EventState
from loadlog.store import Archive
from loadlog.store.verify import verify
from tests.databases import free_port
from tests.integration.service.test_service import Bench, wait_for
from tests.small_disk import mounted

pytestmark = pytest.mark.timeout(240)
MIB = 1 << 20


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.stop()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with mounted(tmp_path / "disk", 24) as place:
        yield place


def told(bench: Bench, kind: str) -> list[Event]:
    """Last state of every event of the kind."""
    return [event for event in bench.archive.events() if event.kind == kind]


def over(bench: Bench, kind: str, count: int = 1) -> list[Event]:
    """So many of the kind, all of them over."""

    def are_over() -> list[Event]:
        events = told(bench, kind)
        return events if len(events) >= count and all(e.state is EventState.CLEARED for e in events) else []

    events: list[Event] = wait_for(f"the end of {kind}", are_over)
    return events


def active(bench: Bench, kind: str) -> dict[str, str]:
    """Message of the one that is on, as the recorder has it: a full disk keeps none."""
    events = wait_for(kind, lambda: [e for e in bench.client.call("status")["active_events"] if e["kind"] == kind])
    assert len(events) == 1
    return dict(events[0])


def test_a_clock_that_is_set_is_told_once_each_time(bench: Bench, tmp_path: Path) -> None:
    shift = tmp_path / "shift"
    shift.write_text("0")
    recorder = subprocess.Popen([sys.executable, "-m", "tests.integration.service.shifted_clock", str(bench.config), str(shift)])
    bench.processes.append(recorder)  # type: ignore[arg-type]
    wait_for("the first samples", lambda: bench.client.call("status")["samples"] > 20)
    for count, shift_s in enumerate((3600, -7200), 1):
        shift.write_text(str(shift_s * NS))
        wait_for("the step", lambda n=count: len(told(bench, "clock_step")) == n)  # type: ignore[misc]
    taken = bench.client.call("status")["samples"]
    wait_for("more samples", lambda: bench.client.call("status")["samples"] > taken + 60)
    events = over(bench, "clock_step", 2)
    assert [round(e.evidence["step_s"]) for e in events] == [3600, -10800]
    for event, text in zip(events, ("+3600.", "-10800."), strict=True):
        assert (event.device, event.cleared_utc_ns) == (None, event.detected_utc_ns)
        assert re.match(rf"the system clock stepped by \{text}\d+ s; samples keep their order \(check the time service", event.message)
    stamps = [row.stamp.t_utc_ns for row in bench.archive.samples("load-1")]
    assert stamps == sorted(stamps)
    assert not {e.kind for e in bench.archive.events()} & {"sample_gap", "communication_lost", "late_polls"}


class SmallDisk:
    """The recorder's data on a disk of its own, of which all but ``left`` can be taken."""

    def __init__(self, bench: Bench, disk: Path, settings: str) -> None:
        self.bench, self.ballast = bench, disk / "ballast"
        self.disk, text = disk, bench.config.read_text()
        text = text.replace(f'data_dir = "{bench.folder}"', f'data_dir = "{disk}"').replace("rate_hz = 2\ngroup", "rate_hz = 20\ngroup")
        bench.config.write_text(f"{text}\n[store]\n{settings}\n")
        bench.client = type(bench.client)(disk)
        bench.archive = Archive(disk)

    def serve(self) -> subprocess.Popen[str]:
        """The recorder alone: the viewer has nothing to do with it."""
        return self.bench.serve("--part", "recorder")

    def fill(self, left: int) -> None:
        """Take all the room but so many bytes."""
        room = os.statvfs(self.disk)
        with self.ballast.open("ab") as file:
            file.write(b"\0" * max(0, room.f_bavail * room.f_frsize - left))


def test_a_disk_that_fills_up_is_told_once_from_the_last_room_to_the_lost_samples(bench: Bench, small_disk: Path) -> None:
    disk = SmallDisk(bench, small_disk, "low_mib = 8\nreserve_mib = 2\nqueue_samples = 1000")
    disk.serve()
    disk.fill(6 * MIB)
    low = active(bench, "disk_low")
    assert re.search(r"disk/recordings: \d MiB left, 8 MiB are wanted \(make room: loadlog store prune", low["message"])
    disk.fill(0)
    full = active(bench, "store_trouble")
    assert "no room left on the disk (free some space; recording resumes by itself)" in full["message"]

    def fill_to_the_brim() -> bool:
        with contextlib.suppress(OSError):
            disk.fill(0)
        return bool(bench.client.call("status")["store"]["waiting"] >= 1000)

    wait_for("a full queue", fill_to_the_brim)
    assert "samples wait in memory" in active(bench, "store_trouble")["message"]
    assert active(bench, "store_trouble")["id"] == full["id"]
    time.sleep(3.0)  # some samples are lost
    disk.ballast.unlink()
    assert len(over(bench, "store_trouble")) == 1
    assert len(over(bench, "disk_low")) == 1
    lost = over(bench, "sample_gap")
    assert len({e.device for e in lost}) == len(lost) >= 3
    for event in lost:
        assert re.fullmatch(rf"{event.device}: \d+ samples within .+ were lost: the queue was full while the disk refused", event.message)
        assert event.evidence["lost_samples"] > 0
        assert parse_utc(event.evidence["gap_from"]) == event.onset.earliest_utc_ns <= parse_utc(event.evidence["gap_to"])
    assert {e.kind for e in bench.archive.events() if e.device is None} == {"store_trouble", "disk_low"}


def test_a_disk_that_was_low_before_a_stop_is_not_low_for_ever(bench: Bench, small_disk: Path) -> None:
    """The recorder that told it is not the one that sees its end; one that sees that it goes on does not tell it again."""
    disk = SmallDisk(bench, small_disk, "low_mib = 8\nreserve_mib = 0")
    first = disk.serve()
    disk.fill(6 * MIB)
    low = active(bench, "disk_low")
    first.terminate()
    assert first.wait(20) == 0
    second = disk.serve()
    time.sleep(1.0)
    assert active(bench, "disk_low")["id"] == low["id"]
    second.terminate()
    assert second.wait(20) == 0
    disk.ballast.unlink()
    disk.serve()
    (event,) = over(bench, "disk_low")
    assert event.id == low["id"]
    assert verify(small_disk).sound


def test_polls_that_come_late_as_a_habit_are_told_once_a_device(bench: Bench) -> None:
    """The machine has other things to do: the recorder gets on only now and then, later than polls are due, sooner than they time out."""
    recorder, ended = psutil.Process(bench.serve("--part", "recorder").pid), threading.Event()

    def hold_up() -> None:
        while not ended.is_set():
            recorder.suspend()
            time.sleep(0.15)
            recorder.resume()
            time.sleep(0.03)

    busy = threading.Thread(target=hold_up)
    busy.start()
    try:
        wait_for("late polls", lambda: any(e.device == "load-1" for e in told(bench, "late_polls")))
    finally:
        ended.set()
        busy.join()
    events = over(bench, "late_polls")
    assert len({e.device for e in events}) == len(events)
    for event in events:
        assert re.match(rf"{event.device}: \d+% of polls start more than [\d.]+ s late, .*\(poll more slowly, or see what", event.message)


class Database:
    """A server of the write API that answers as the test says."""

    def __init__(self) -> None:
        self.status = 204

    @contextlib.contextmanager
    def serving(self, port: int) -> Iterator[None]:
        """On that port."""
        database = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                self.rfile.read(int(self.headers.get("Content-Length", 0)))
                self.send_response(database.status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Nobody reads it."""

        with http.server.ThreadingHTTPServer(("127.0.0.1", port), Handler) as server:
            thread = threading.Thread(target=server.serve_forever)
            thread.start()
            try:
                yield
            finally:
                server.shutdown()
                thread.join()


def test_what_is_not_forwarded_is_told_once_and_so_is_its_end(bench: Bench) -> None:
    port, database = free_port(), Database()
    target = f'kind = "influxdb2"\nurl = "http://127.0.0.1:{port}"\nbucket = "b"\nheartbeat_s = 1\nalarm_after_s = 2'
    bench.config.write_text(f'{bench.config.read_text()}\n[[forward]]\nname = "lab"\n{target}\n')
    bench.serve()
    backlog = active(bench, "forward_backlog")
    assert re.match(r"about \d+ samples wait to be forwarded to lab: .*nobody listens there", backlog["message"])
    with database.serving(port):
        bench.run_cli("forward", "retry", "lab")
        over(bench, "forward_backlog")
        database.status = 401
        refused = active(bench, "forward_refused")
        assert re.match(r"nothing gets through to lab: .*does not accept the credentials: check ", refused["message"])
        database.status = 204
        bench.run_cli("forward", "retry", "lab")
        (event,) = over(bench, "forward_refused")
        assert event.id == refused["id"]
