"""`loadlog simulate`: a scenario file served until it is told to stop."""

from __future__ import annotations

import contextlib
import json
import os
import threading
import time
from collections.abc import Callable
from dataclasses import asdict
from importlib import resources
from pathlib import Path

from loadlog.config import nearest
from loadlog.model.clock import format_utc
from loadlog.model.errors import ConfigError
from loadlog.sim.scenario import Scenario, parse_scenario
from loadlog.sim.server import Port, SimulatedBench

__all__ = ["Port", "SimulatedBench", "load_scenario", "shipped_scenarios", "simulate"]


def shipped_scenarios() -> list[str]:
    """Names of the scenarios that come with the package."""
    folder = resources.files("loadlog.sim").joinpath("scenarios")
    return sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))


def load_scenario(path: Path | str) -> Scenario:
    """The scenario in a file, or the shipped one of that name.

    Raises:
        ConfigError: there is none, or it is wrong.
    """
    name, file = str(path), Path(path)
    if not file.exists() and name in shipped_scenarios():
        text = resources.files("loadlog.sim").joinpath("scenarios", f"{name}.toml").read_text(encoding="utf-8")
        return parse_scenario(text, f"shipped:{name}")
    try:
        return parse_scenario(file.read_text(encoding="utf-8"), name)
    except FileNotFoundError as exc:
        known = shipped_scenarios()
        hint = f"the package brings {', '.join(known)}{nearest(name, known)}"
        raise ConfigError("there is no such scenario file", where=name, hint=hint) from exc
    except UnicodeDecodeError as exc:
        raise ConfigError(f"the scenario file is not UTF-8 text (byte {exc.start})", where=name) from exc
    except OSError as exc:
        raise ConfigError(f"cannot read the scenario file: {exc.strerror}", where=name) from exc


def simulate(
    path: Path | str,
    *,
    seed: int = 1,
    speed: float = 1.0,
    paced: bool = False,
    link_dir: Path | None = None,
    out: Callable[[list[Port]], None],
    stop: threading.Event,
    duration_s: float | None = None,
    truth_path: Path | None = None,
) -> None:
    """Serve the scenario at ``path`` until ``stop`` is set or ``duration_s`` is over; ``out`` is told the ports once they answer.

    ``truth_path``: what truly happens is appended there as one JSON object a line, while it happens.

    Raises:
        ConfigError: the scenario is wrong.
        BusError: a port cannot be opened.
    """
    scenario = load_scenario(path)
    end_s = None if duration_s is None else time.monotonic() + duration_s
    written = 0
    with SimulatedBench.start(scenario, seed=seed, speed=speed, paced=paced, link_dir=link_dir) as bench:
        out(list(bench.ports.values()))
        while not stop.wait(0.1 if end_s is None else max(0.0, min(0.1, end_s - time.monotonic()))):
            if truth_path is not None:
                written = _append_truth(bench, truth_path, written)
            if end_s is not None and time.monotonic() >= end_s:
                break
        if truth_path is not None:
            _append_truth(bench, truth_path, written)


def _append_truth(bench: SimulatedBench, path: Path, written: int) -> int:
    """Returns how many events stand there now. A full disk is no reason to leave the bench: what it refuses comes with the next ones."""
    events = bench.truth()
    if len(events) <= written:
        return written
    lines = "".join(json.dumps({**asdict(event), "t": format_utc(event.t_utc_ns)}) + "\n" for event in events[written:])
    size = path.stat().st_size if path.exists() else 0
    try:
        with path.open("ab", buffering=0) as file:
            whole = file.write(data := lines.encode()) == len(data)
    except OSError:
        whole = False
    if not whole:
        with contextlib.suppress(OSError):  # no half line stays
            os.truncate(path, size)
    return len(events) if whole else written
