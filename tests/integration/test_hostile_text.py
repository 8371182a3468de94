"""What instruments, notes and servers wrote, in the terminal: no command passes on what a terminal would carry out (ECMA-48)."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

from loadlog.model.event import Severity
from tests.serving import configured
from tests.unit.web.stand_in import recording

HOSTILE = "\x1b]0;owned\x07\x1b[2J\r\x9b31mred\x00\x7f"
COMMANDS = [
    ("events",), ("run", "list"), ("run", "show", "x-0001"), ("review", "x-0001"), ("review", "x-0001", "--against", "x-0001"),
    ("store", "status"), ("store", "verify"), ("ack", "999"), ("events", "--kind", HOSTILE.replace("\0", "")),
    ("run", "show", HOSTILE.replace("\0", "")),
]  # fmt: skip


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    with recording(folder / "data") as bench:
        bench.start_run("x", ("load-1",), 0, keep=False)
        bench.journal.put_identity("load-1", {"model": HOSTILE}, time.time_ns())
        for _ in range(20):
            bench.sample("load-1", {"voltage_v": 24.0}, uncertain={"voltage_v": HOSTILE})
        bench.failure("load-1", detail=HOSTILE)
        bench.event(
            "supply_trip", "load-1", Severity.ALARM, HOSTILE, confidence=0.5, alternatives={HOSTILE: 0.5}, evidence={HOSTILE: HOSTILE}
        )  # fmt: skip
        bench.add_note("x-0001", HOSTILE, HOSTILE)
        bench.flush()
        bench.stop_run("x-0001", HOSTILE)
    (folder / "data" / "recordings" / f"run-{HOSTILE.replace(chr(0), '')}.sqlite").write_bytes(b"no recording")
    return configured(folder)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: " ".join(c)[:20].encode("unicode_escape").decode())
def test_no_command_steers_the_terminal(config: Path, command: tuple[str, ...]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "loadlog", *command, "--config", str(config)], capture_output=True, timeout=60, check=False
    )
    said = done.stdout.decode() + done.stderr.decode()
    assert said
    assert [c for c in said if not c.isprintable() and c != "\n"] == []


@pytest.mark.parametrize("command", [("events",), ("run", "show", "x-0001"), ("review", "x-0001")], ids=" ".join)
def test_json_says_it_exactly_and_harmlessly(config: Path, command: tuple[str, ...]) -> None:
    line = [sys.executable, "-m", "loadlog", *command, "--json", "--config", str(config)]
    done = subprocess.run(line, capture_output=True, text=True, timeout=60, check=True)
    assert [c for c in done.stdout if not c.isprintable() and c != "\n"] == []
    assert HOSTILE in texts(json.loads(done.stdout.splitlines()[0]))


def texts(value: object) -> list[str]:
    """Every text at any depth."""
    if isinstance(value, dict):
        return [text for key, item in value.items() for text in (str(key), *texts(item))]
    if isinstance(value, list):
        return [text for item in value for text in texts(item)]
    return [value] if isinstance(value, str) else []
