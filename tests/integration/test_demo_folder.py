"""One demo a folder: a second one says so and harms nothing; one that was killed leaves a folder in which the next can run."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from loadlog.demo.folder import alone
from loadlog.model.errors import RefusedError
from loadlog.store.disk import DirectoryLock

DEMO = [sys.executable, "-m", "loadlog", "demo", "--tcp-port", "0"]


def test_a_folder_is_let_go_with_the_block(tmp_path: Path) -> None:
    with (
        alone(tmp_path),
        pytest.raises(RefusedError, match=r"a demo runs here already \(process \d+\) \(end it, or .*--data DIR"),
        alone(tmp_path),
    ):
        pass
    with alone(tmp_path):
        pass


def test_a_recorder_without_a_demo_has_its_folder_too(tmp_path: Path) -> None:
    held = DirectoryLock(tmp_path)
    with pytest.raises(RefusedError, match=r"another recorder \(process \d+\) is writing here \(end it, or .*--data DIR"), alone(tmp_path):
        pass
    held.release()
    with alone(tmp_path):
        pass


@contextlib.contextmanager
def demo(data: Path) -> Iterator[psutil.Process]:
    """One whose run is on; whatever is left of it is ended."""
    process = psutil.Popen([*DEMO, "--data", str(data)], stdout=subprocess.PIPE, text=True)
    started: list[psutil.Process] = []
    try:
        line = process.stdout.readline()
        started = process.children(recursive=True)
        assert line.startswith("run demo-"), line
        yield process
    finally:
        if process.is_running():
            process.terminate()
        psutil.wait_procs([process], 30)
        for one in started:
            with contextlib.suppress(psutil.NoSuchProcess):
                one.kill()
        psutil.wait_procs(started, 30)
        process.stdout.close()


def second(data: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*DEMO, "--data", str(data), *more], capture_output=True, text=True, timeout=60, check=False)


def refused(data: Path) -> str:
    """The one line that a second demo says."""
    done = second(data)
    assert (done.returncode, done.stdout) == (1, "")
    (line,) = done.stderr.splitlines()
    return line


def test_a_second_demo_says_that_one_runs_there_and_touches_nothing(tmp_path: Path) -> None:
    def made() -> dict[str, int]:
        return {path.name: path.lstat().st_ino for path in (tmp_path / "bench.toml", *(tmp_path / "ports").iterdir())}

    with demo(tmp_path) as first:
        before = made()
        line = refused(tmp_path)
        assert f"a demo runs here already (process {first.pid})" in line
        assert "--data DIR" in line
        assert made() == before
        assert first.is_running()


def test_what_a_killed_demo_left_running_keeps_its_folder_and_its_run_is_ended_by_the_next(tmp_path: Path) -> None:
    with demo(tmp_path) as first:
        parts = first.children(recursive=True)
        first.kill()
        psutil.wait_procs([first])
        assert "a demo runs here already" in refused(tmp_path)
        for part in parts:
            part.kill()
        psutil.wait_procs(parts, 30)
        done = second(tmp_path, "--duration", "3s")
        assert done.returncode == 0, done.stderr
    listed = [sys.executable, "-m", "loadlog", "run", "list", "--json", "--config", str(tmp_path / "bench.toml")]
    runs = subprocess.run(listed, capture_output=True, text=True, timeout=60, check=True).stdout
    reasons = {run["id"]: run["end_reason"] for run in map(json.loads, runs.splitlines())}
    assert reasons["demo-0001"] == "its demo ended without it"
    assert set(reasons) == {"demo-0001", "demo-0002"}
