"""The C programs of the bench: compiled when needed, run as children, their JSON read back."""

from __future__ import annotations

import contextlib
import json
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
BITS = 10  # 8N1


class BenchError(Exception):
    """The bench itself cannot run; one line."""


def build(into: Path) -> None:
    """Compile device and master into ``into``.

    Raises:
        BenchError: there is no C compiler, or it refuses.
    """
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        raise BenchError(
            "the bench needs a C compiler (cc) for its paced device and the ideal master; on Debian: apt-get install gcc libc6-dev"
        )
    for name in ("c_device", "c_master"):
        command = [compiler, "-O2", "-std=gnu11", "-Wall", "-o", str(into / name), str(HERE / f"{name}.c")]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        if done.returncode:
            raise BenchError(f"{compiler} refuses {name}.c: {done.stderr.strip().splitlines()[0]}")


@dataclass(frozen=True)
class Seen:
    """What the device counted over a span: requests, those sent before the silence, the shortest silence in characters of the line."""

    requests: int
    too_early: int
    bad: int
    least_silence_us: float
    span_s: float

    @property
    def per_s(self) -> float:
        """Transactions a second."""
        return self.requests / self.span_s if self.span_s else 0.0


class Device:
    """The paced device; ``port`` is its terminal."""

    def __init__(self, process: subprocess.Popen[str], port: str) -> None:
        self._process = process
        self.port = port

    def report(self) -> dict[str, Any]:
        """Its counts of now."""
        assert self._process.stdout is not None
        self._process.send_signal(signal.SIGUSR1)
        line = self._process.stdout.readline()
        if not line:
            raise BenchError("the paced device ended by itself")
        return dict(json.loads(line))

    def between(self, before: dict[str, Any], after: dict[str, Any]) -> Seen:
        """What it saw from one report to the next (the shortest silence is that since it began)."""
        return Seen(
            after["requests"] - before["requests"],
            after["too_early"] - before["too_early"],
            after["bad"] - before["bad"],
            after["least_silence_us"],
            after["t_s"] - before["t_s"],
        )


@contextlib.contextmanager
def device(programs: Path, baud: int, processing_us: int = 0) -> Iterator[Device]:
    """A paced device while the block runs."""
    command = [str(programs / "c_device"), str(baud), str(BITS), str(processing_us)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield Device(process, process.stdout.readline().strip())
    finally:
        process.terminate()
        process.communicate(timeout=10)


def master(programs: Path, port: str, baud: int, units: int, seconds: float, period_s: float = 0.0) -> dict[str, Any]:
    """The ideal master's result."""
    command = [str(programs / "c_master"), port, str(baud), str(BITS), str(units), str(seconds)]
    return child([*command, str(round(period_s * 1e6))] if period_s else command, seconds)


def python(module: str, *arguments: object, seconds: float, environment: dict[str, str] | None = None) -> dict[str, Any]:
    """The result of a module of the bench in a process of its own."""
    return child([sys.executable, "-m", f"tests.bench.{module}", *map(str, arguments)], seconds, environment)


def child(command: list[str], seconds: float, environment: dict[str, str] | None = None) -> dict[str, Any]:
    """Run ``command``, whose last line of output is JSON; ``environment``: another one than ours.

    Raises:
        BenchError: it failed.
    """
    done = subprocess.run(command, capture_output=True, text=True, timeout=seconds + 60, env=environment, check=False)
    if done.returncode:
        raise BenchError(f"{' '.join(command[:4])}: {(done.stderr.strip() or 'no message').splitlines()[-1]}")
    return dict(json.loads(done.stdout.strip().splitlines()[-1]))
