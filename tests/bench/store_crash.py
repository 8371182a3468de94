"""Crashes as figures: kills and power cuts, counted; the tests of the same name say what is checked."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from tests.bench.figures import Figure
from tests.bench.programs import BenchError

ROOT = Path(__file__).parents[2]


def crashes(kills: int, say: Callable[[str], None]) -> list[Figure]:
    """So many kills of a recorder at random moments, and power cuts replayed from the logged writes."""
    say(f"store: {kills} kills of the recorder, power cuts in at least 150 states")
    return [
        *_run("tests/crash/test_kill.py", "kills of the recorder without loss or unreadable file", kills, {"LOADLOG_KILLS": str(kills)}),
        *_run("tests/crash/test_power.py", "states after a power cut without loss or unreadable file", 150, {}),
    ]


def _run(module: str, what: str, count: int, settings: dict[str, str]) -> list[Figure]:
    command = [sys.executable, "-m", "pytest", "-q", "-x", "--timeout", "1200", module]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, env={**os.environ, **settings})
    if done.returncode not in (0, 1):
        raise BenchError(f"{module}: {(done.stderr or done.stdout).strip().splitlines()[-1]}")
    found = re.search(r"E +(AssertionError: .*)", done.stdout)
    beside = "all of them" if done.returncode == 0 else found.group(1) if found else "see the test"
    return [Figure(what, count if done.returncode == 0 else 0, least=count, beside=beside)]
