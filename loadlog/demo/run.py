"""`loadlog demo`: a simulated bench and the service on it, as three real processes that speak real protocols, and one run with review.

The demo is a client of the product like any other: it writes a configuration file, starts `loadlog simulate` and `loadlog serve`, gives
its orders over the control socket, and prints what `loadlog run show` would print. Everything it makes stays in its data directory.
"""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from types import FrameType
from typing import Any

import click

from loadlog.control.client import ControlClient
from loadlog.demo.folder import alone
from loadlog.model.errors import BusError, LoadlogError, RefusedError
from loadlog.review import first_answer, verdict_text
from loadlog.store import Archive

NAME = "demo"  # of the run
START_S = 20.0
STOP_S = 25.0


class Children:
    """The processes that the demo started; ended in reverse order, whatever happens. They inherit ``lock``, a descriptor."""

    def __init__(self, lock: int) -> None:
        self._lock = lock
        self._started: list[subprocess.Popen[str]] = []

    def start(self, arguments: Sequence[str], *, read_output: bool) -> subprocess.Popen[str]:
        """``python -m loadlog ARGUMENTS`` in a session of its own, so that Ctrl-C reaches it through us and in order."""
        process = subprocess.Popen(
            [sys.executable, "-m", "loadlog", *arguments],
            stdout=subprocess.PIPE if read_output else None,
            text=True,
            start_new_session=True,
            pass_fds=(self._lock,),
        )
        self._started.append(process)
        return process

    def dead(self) -> subprocess.Popen[str] | None:
        """One that ended by itself, or None."""
        return next((p for p in self._started if p.poll() is not None), None)

    def stop(self) -> int:
        """End all, last started first; the worst exit status."""
        worst = 0
        for process in reversed(self._started):
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
            try:
                worst = max(worst, abs(process.wait(STOP_S)))
            except subprocess.TimeoutExpired:
                process.kill()
                worst = max(worst, process.wait() or 1)
        return worst


def run_demo(data: Path, *, duration_s: float | None, tcp_port: int, seed: int, verbose: bool) -> int:
    """Blocks until the duration is over or a signal comes; returns the exit status.

    Raises:
        LoadlogError: a demo runs in that folder already, or a part did not start; its own line stands above.
    """
    with alone(data) as lock:
        return _run(data, Children(lock), duration_s=duration_s, tcp_port=tcp_port or _free_port(), seed=seed, verbose=verbose)


def _run(data: Path, children: Children, *, duration_s: float | None, tcp_port: int, seed: int, verbose: bool) -> int:
    stop = _Stop()
    more = ["-v"] if verbose else []
    status = 1
    try:
        config = _simulated_bench(children, data, tcp_port, seed, more)
        children.start(["serve", "--config", str(config), *more], read_output=False)
        client = ControlClient(data)
        run_id = _start_run(client, children, stop, duration_s)
        _say(f"run {run_id} is on; live page: http://127.0.0.1:{tcp_port}/; commands: loadlog events --config {config}")
        _wait(children, stop, duration_s)
        _finish(client, run_id)
        status = 0
    finally:
        status = max(status, children.stop())
    click.echo(verdict_text(*first_answer(Archive(data), run_id)))
    return status


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as found:
        port: int = found.getsockname()[1]
    return port


class _Stop:
    """Set by SIGINT or SIGTERM: the demo ends in order, with its review."""

    def __init__(self) -> None:
        self.asked = False
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._on_signal)

    def _on_signal(self, _number: int, _frame: FrameType | None) -> None:
        self.asked = True


def _simulated_bench(children: Children, data: Path, tcp_port: int, seed: int, more: Sequence[str]) -> Path:
    """Start the simulator, read its ports, and write the configuration that goes with them."""
    links = data / "ports"
    arguments = ["simulate", "workshop", "--json", "--paced", "--seed", str(seed), "--links", str(links), *more]
    arguments += ["--truth", str(data / "truth.jsonl")]
    simulator = children.start(arguments, read_output=True)
    assert simulator.stdout is not None
    template = resources.files("loadlog.demo").joinpath("bench.toml").read_text(encoding="utf-8")
    wanted = template.count("[[bus]]")
    addresses: dict[str, str] = {}
    while len(addresses) < wanted:
        line = simulator.stdout.readline()
        if not line:
            raise BusError("the simulated bench did not start", hint="see its message above")
        port = json.loads(line)
        addresses[port["bus"]] = port["address"]
    meter_host, _, meter_port = addresses["meter"].rpartition(":")
    text = template.format(rack=addresses["rack"], meter_host=meter_host, meter_port=meter_port, data_dir=data, tcp_port=tcp_port)
    config = data / "bench.toml"
    config.write_text(text, encoding="utf-8")
    return config


def _start_run(client: ControlClient, children: Children, stop: _Stop, duration_s: float | None) -> str:
    """Wait for the recorder, end the run that a demo which was killed has left on, and start one."""
    deadline_s = time.monotonic() + START_S
    left: list[dict[str, Any]] = []
    while not stop.asked:
        _check(children)
        try:
            left = client.call("status")["runs"]
            break
        except RefusedError:
            if time.monotonic() > deadline_s:
                raise
            time.sleep(0.1)
    for run in (run for run in left if run["name"] == NAME):
        client.call("run_stop", run=run["id"], reason="its demo ended without it")
    return str(client.call("run_start", name=NAME, duration_s=duration_s or 0)["run"])


def _wait(children: Children, stop: _Stop, duration_s: float | None) -> None:
    end_s = time.monotonic() + duration_s if duration_s is not None else float("inf")
    while not stop.asked and time.monotonic() < end_s:
        _check(children)
        time.sleep(0.1)


def _check(children: Children) -> None:
    dead = children.dead()
    if dead is not None:
        raise LoadlogError(f"a part of the demo ended with status {dead.returncode}", hint="see its message above")


def _finish(client: ControlClient, run_id: str) -> None:
    """End the run, unless it ended by itself as planned, which it may do between our asking and our order."""
    try:
        client.call("run_stop", run=run_id, reason="end of the demo")
    except RefusedError:
        if any(run["id"] == run_id for run in client.call("status")["runs"]):
            raise


def _say(text: str) -> None:
    click.echo(text)
    sys.stdout.flush()
