"""`loadlog serve` as real processes on the simulated workshop: starts, stops, crashes, reloads, and what each costs.

Kill and restart follow what a bench lives through: a viewer that dies, a recorder that dies in mid-run, a second service by mistake.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import psutil
import pytest

from loadlog.control.client import ControlClient
from loadlog.model.errors import LoadlogError, RefusedError, UsageError
from loadlog.process.priority import NICE, OWN
from loadlog.store import Archive

PATIENCE_S = 30.0  # how long a test waits for what must happen; not how long it may take


def wait_for(what: str, condition: Callable[[], Any]) -> Any:
    """The first true value of ``condition``; fails when it does not come."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        with contextlib.suppress(LoadlogError, psutil.Error):
            if value := condition():
                return value
        time.sleep(0.05)
    pytest.fail(f"{what} did not come")


class Bench:
    """A simulator and the files of a service in one directory."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.processes: list[subprocess.Popen[str]] = []
        simulator = self.start("simulate", "workshop", "--json", "--links", str(folder / "ports"), stdout=subprocess.PIPE)
        assert simulator.stdout is not None
        ports = {p["bus"]: p["address"] for p in (json.loads(simulator.stdout.readline()) for _ in range(2))}
        host, _, port = ports["meter"].rpartition(":")
        template = resources.files("loadlog.demo").joinpath("bench.toml").read_text(encoding="utf-8")
        self.config = folder / "bench.toml"
        self.config.write_text(template.format(rack=ports["rack"], meter_host=host, meter_port=port, data_dir=folder, tcp_port=0))
        self.client = ControlClient(folder)
        self.archive = Archive(folder)

    def start(self, *arguments: str, **more: Any) -> subprocess.Popen[str]:
        process = subprocess.Popen([sys.executable, "-m", "loadlog", *arguments], text=True, **more)
        self.processes.append(process)
        return process

    def serve(self, *more: str, **options: Any) -> subprocess.Popen[str]:
        service = self.start("serve", "--config", str(self.config), *more, **options)
        wait_for("the first samples", lambda: self.client.call("status")["samples"] > 20)
        return service

    def part(self, service: subprocess.Popen[str], name: str) -> psutil.Process:
        """The child process that is the recorder or the viewer."""
        return wait_for(name, lambda: next((c for c in psutil.Process(service.pid).children() if name in c.cmdline()), None))

    def run_cli(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "loadlog", *arguments, "--config", str(self.config)]
        return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)

    def stop(self) -> None:
        for process in reversed(self.processes):
            if process.poll() is None:
                process.terminate()
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            if process.stdout is not None:
                process.stdout.close()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.stop()


def test_a_clean_stop_loses_nothing_and_exits_0(bench: Bench) -> None:
    service = bench.serve()
    run_id = bench.client.call("run_start", name="soak")["run"]
    wait_for("samples of the run", lambda: bench.client.call("status")["samples"] > 60)
    taken = bench.client.call("status")["samples"]
    service.send_signal(signal.SIGTERM)
    assert service.wait(30) == 0
    stored = sum(1 for device in bench.archive.devices() for _ in bench.archive.samples(device))
    assert stored >= taken
    assert bench.run_cli("store", "verify").returncode == 0
    # The run was not stopped by anybody: it goes on at the next start.
    assert bench.archive.run(run_id).ended_utc_ns is None
    bench.serve()
    assert [r["id"] for r in bench.client.call("status")["runs"]] == [run_id]


def test_a_dead_viewer_costs_no_sample_and_comes_back(bench: Bench) -> None:
    service = bench.serve()
    recorder, viewer = bench.part(service, "recorder"), bench.part(service, "viewer")
    viewer.kill()
    second = wait_for("a new viewer", lambda: (v := bench.part(service, "viewer")).pid != viewer.pid and v)
    assert second.is_running()
    assert recorder.is_running()
    assert bench.client.call("status")["store"]["lost"] == 0
    assert bench.part(service, "recorder").pid == recorder.pid


def test_the_viewer_gives_way_to_the_recorder(bench: Bench) -> None:
    service = bench.serve()
    recorder, viewer = bench.part(service, "recorder"), bench.part(service, "viewer")
    wait_for("a viewer that is nice", lambda: viewer.nice() >= max(recorder.nice(), NICE))


def threads_of(process: psutil.Process) -> list[tuple[set[int], int]]:
    """Of each thread the processors that it may use, and how many bytes it has written; who has written most comes last."""
    found = []
    for thread in Path(f"/proc/{process.pid}/task").iterdir():
        try:
            lines = ((thread / "status").read_text() + (thread / "io").read_text()).splitlines()
        except (FileNotFoundError, ProcessLookupError):  # it has ended
            continue
        says = dict(line.split(":", 1) for line in lines)
        spans = [span.partition("-") for span in says["Cpus_allowed_list"].strip().split(",")]
        found.append(({cpu for low, _, high in spans for cpu in range(int(low), int(high or low) + 1)}, int(says["wchar"])))
    return sorted(found, key=lambda one: one[1])


EVERYWHERE = os.sched_getaffinity(0)


@pytest.mark.skipif(len(EVERYWHERE) < 2 or OWN not in EVERYWHERE, reason="one processor")
def test_the_writing_thread_keeps_to_its_processor_and_the_viewer_leaves_it(bench: Bench) -> None:
    """As the kernel has it; the writing thread is known by its writing."""
    service = bench.serve()
    recorder, viewer = bench.part(service, "recorder"), bench.part(service, "viewer")
    wait_for("commits", lambda: bench.client.call("status")["store"]["committed_seq"] > 100)
    *others, writing = threads_of(recorder)
    assert writing[0] == {OWN}
    assert others
    assert all(processors == EVERYWHERE for processors, _ in others), others
    wait_for("a viewer with threads", lambda: viewer.num_threads() > 1 and viewer.nice() >= NICE)
    for process in (viewer, *viewer.children(recursive=True)):
        assert all(processors == EVERYWHERE - {OWN} for processors, _ in threads_of(process)), threads_of(process)


def test_a_service_on_one_processor_records_as_well(bench: Bench) -> None:
    one = {max(EVERYWHERE)}
    os.sched_setaffinity(0, one)  # inherited by what is started
    try:
        service = bench.serve()
    finally:
        os.sched_setaffinity(0, EVERYWHERE)
    wait_for("commits", lambda: bench.client.call("status")["store"]["committed_seq"] > 100)
    for part in ("recorder", "viewer"):
        assert {cpu for processors, _ in threads_of(bench.part(service, part)) for cpu in processors} == one


def test_a_recorder_killed_in_mid_run_goes_on_with_the_run_and_states_the_gap(bench: Bench) -> None:
    service = bench.serve()
    run_id = bench.client.call("run_start", name="soak", devices=["load-1", "load-2"])["run"]
    committed = wait_for("commits in the run", lambda: (s := bench.client.call("status"))["samples"] > 60 and s["store"]["committed_seq"])
    dead = bench.part(service, "recorder")
    dead.kill()
    wait_for("a new recorder", lambda: bench.client.call("status")["samples"] > 20 and bench.part(service, "recorder").pid != dead.pid)
    assert [r["id"] for r in bench.client.call("status")["runs"]] == [run_id]
    bench.client.call("run_stop", run=run_id)
    seqs = [r.seq for device in bench.archive.devices() for r in bench.archive.samples(device)]
    assert len(seqs) == len(set(seqs))  # no number twice
    assert max(seqs) > committed
    shown = json.loads(bench.run_cli("run", "show", run_id, "--json").stdout)
    assert shown["gaps"], "the time without a recorder is not stated"
    gaps = [e for e in shown["events"] if e["kind"] == "sample_gap"]
    assert {e["device"] for e in gaps} == {"load-1", "load-2"}
    assert len(gaps) == 2  # told once each, and over as it is told
    for event in gaps:
        assert event["cleared"] == event["detected"]
        assert re.fullmatch(rf"{event['device']}: no samples for \d+ s: the recorder was not running", event["message"])
        assert event["evidence"]["gap_from"] == event["onset"]["earliest"]
    assert {f["name"] for f in shown["learned"]["load-1"]["facts"]} >= {"noise_voltage_v", "noise_current_a"}
    assert bench.run_cli("store", "verify").returncode == 0


def test_the_configuration_is_not_read_again_during_a_run(bench: Bench) -> None:
    service = bench.serve()
    before = bench.part(service, "recorder").pid
    bench.client.call("run_start", name="soak")
    refused = bench.run_cli("serve", "--reload")
    assert refused.returncode == 1
    assert "not read again while a run is on (soak-" in refused.stderr
    bench.client.call("run_stop")
    bench.config.write_text(bench.config.read_text().replace('name = "case"', 'name = "cabinet"'))
    assert bench.run_cli("serve", "--reload").returncode == 0
    wait_for("the new name", lambda: "cabinet" in bench.client.call("status")["devices"])
    assert bench.part(service, "recorder").pid == before  # started afresh in place


def test_a_wrong_configuration_is_refused_and_the_recording_goes_on(bench: Bench) -> None:
    bench.serve()
    good = bench.config.read_text()
    bench.config.write_text(good.replace("rate_hz = 10", "rate_hz = 150"))
    with pytest.raises(UsageError, match="rate"):
        bench.client.call("reload")
    taken = bench.client.call("status")["samples"]
    wait_for("more samples", lambda: bench.client.call("status")["samples"] > taken)


def test_readiness_watchdog_and_stop_are_told_to_systemd(bench: Bench, tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(PATIENCE_S)
        environ = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "10000000"}
        recorder = bench.serve("--part", "recorder", env=environ)
        assert manager.recv(4096).startswith(b"READY=1")
        assert manager.recv(4096) == b"WATCHDOG=1"
        recorder.terminate()
        while (told := manager.recv(4096)) == b"WATCHDOG=1":
            pass
        assert told == b"STOPPING=1"
        assert recorder.wait(20) == 0


def test_a_reload_is_told_to_systemd_as_one_and_not_as_a_stop(bench: Bench, tmp_path: Path) -> None:
    """After STOPPING=1 systemd takes no READY=1 any more: it waits for the end, and kills the recorder that had started afresh."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(PATIENCE_S)
        bench.serve("--part", "recorder", env={**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify")})
        assert manager.recv(4096).startswith(b"READY=1")
        bench.client.call("reload")
        told = [b""]
        while not told[-1].startswith(b"READY=1"):
            told.append(manager.recv(4096))
        states = [text for text in told if text and text != b"WATCHDOG=1"]
        assert [text.partition(b"=")[0] for text in states] == [b"RELOADING", b"READY"], states
        since_us = int(states[0].rpartition(b"MONOTONIC_USEC=")[2])
        assert 0 < since_us <= time.monotonic_ns() // 1000


def test_a_second_service_on_the_same_data_is_refused(bench: Bench) -> None:
    bench.serve()
    second = bench.run_cli("serve", "--part", "recorder")
    assert second.returncode == 4
    assert len(second.stderr.strip().splitlines()) == 1, second.stderr
    bench.client.call("status")


def test_a_missing_port_costs_only_its_own_devices(bench: Bench) -> None:
    text = bench.config.read_text()
    rack = str(bench.folder / "ports" / "rack")
    bench.config.write_text(text.replace(rack, str(bench.folder / "ports" / "absent")))
    bench.serve()
    good = wait_for("a reading of the meter", lambda: (r := bench.archive.latest("meter")) and r.sample.failure is None and r)
    assert good.sample.values["voltage_v"] > 20
    lost = wait_for("a failure of load-1", lambda: bench.archive.latest("load-1"))
    assert lost.sample.failure == "port_lost"
    assert "absent" in lost.sample.detail


def test_orders_from_the_command_line(bench: Bench) -> None:
    bench.serve()
    started = json.loads(bench.run_cli("run", "start", "soak", "--device", "load-1", "--duration", "1h", "--json").stdout)
    assert started["devices"] == ["load-1"]
    assert bench.run_cli("run", "start", "other", "--device", "load-1").returncode == 1
    assert bench.run_cli("run", "note", "swapped the lead", "--author", "mk").returncode == 0
    unknown = bench.run_cli("run", "start", "other", "--device", "lod-1")
    assert unknown.returncode == 2
    assert "nearest known: load-1" in unknown.stderr
    listed = json.loads(bench.run_cli("run", "list", "--json").stdout)
    assert 0 <= listed["progress"]["received"] <= listed["progress"]["expected"] + 20
    (row,) = (line for line in bench.run_cli("run", "list").stdout.splitlines() if "soak-0001" in line)
    assert " of 1:00:00 " in row
    assert bench.run_cli("run", "stop").returncode == 0
    assert json.loads(bench.run_cli("run", "list", "--json").stdout)["progress"] is None
    shown = json.loads(bench.run_cli("run", "show", "last", "--json").stdout)
    assert [n["text"] for n in shown["notes"]] == ["swapped the lead"]
    assert shown["end_reason"] == "stopped by order"
    with pytest.raises(RefusedError, match="no run is on"):
        bench.client.call("run_stop")


def test_a_protective_action_switches_the_input_off_and_reads_it_back(bench: Bench) -> None:
    """On trial at start: the load's input goes off on the wire, and no hand is blamed for it."""
    action = '\n[[protective_action]]\non = ["over_temperature"]\ndevice = "load-2"\naction = "input_off"\ntry_at_start = true\n'
    bench.config.write_text(bench.config.read_text() + action)
    bench.serve()
    wait_for("the action", lambda: any(e.kind == "action_taken" for e in bench.archive.events()))
    off = wait_for(
        "a sample with the input off", lambda: (r := bench.archive.latest("load-2")) and r.sample.status.get("input_on") == 0 and r
    )
    assert off.sample.values["current_a"] == pytest.approx(0, abs=0.02)
    kinds = {(e.kind, e.device) for e in bench.archive.events()}
    assert ("action_failed", "load-2") not in kinds
    assert ("input_switched", "load-2") not in kinds
