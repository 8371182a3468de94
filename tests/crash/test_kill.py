"""The recorder's store killed at random moments (SIGKILL): nothing acknowledged is lost, every file opens, numbers go on."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from loadlog.store import Archive
from loadlog.store.verify import verify
from tests.crash.held_numbers import numbers_in

KILLS = int(os.environ.get("LOADLOG_KILLS", "25"))
ROOT = Path(__file__).parents[2]


class Child:
    """The process to be killed, and what it acknowledged."""

    def __init__(self, directory: Path, seed: int) -> None:
        command = [sys.executable, str(Path(__file__).with_name("recorder_child.py")), str(directory), str(seed), "0", "0.0005", "60"]
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT, env=environment)
        assert self.process.stdout is not None
        self._lines = self.process.stdout
        opened = self._lines.readline().split()
        assert opened[:1] == [b"opened"], "the recorder did not start"
        self.last_seq, self.last_event_id = int(opened[1]), int(opened[2])
        self.acknowledged: list[int] = []
        self._enough = threading.Event()
        self._wanted = 0
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        for line in self._lines:
            self.acknowledged.append(int(line))
            if len(self.acknowledged) >= self._wanted:
                self._enough.set()

    def kill_after(self, commits: int, further_s: float) -> int:
        """Kill a moment after so many commits; returns the last number that was acknowledged."""
        self._wanted = commits
        if len(self.acknowledged) < commits:
            self._enough.wait(30.0)
        threading.Event().wait(further_s)
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(30.0)
        self._reader.join(30.0)
        self._lines.close()
        return self.acknowledged[-1] if self.acknowledged else self.last_seq


@pytest.mark.timeout(300)
def test_nothing_acknowledged_is_lost_over_many_kills(tmp_path: Path) -> None:
    chance = random.Random(20)
    acknowledged = event_id = 0
    promised: set[int] = set()
    for kill in range(KILLS):
        child = Child(tmp_path, seed=kill)
        assert child.last_seq >= acknowledged, "numbers would be given twice"
        assert child.last_event_id >= event_id
        acknowledged = child.kill_after(chance.randrange(1, 6), chance.uniform(0.0, 0.06))
        promised.update(range(child.last_seq + 1, acknowledged + 1))
        lost = promised - numbers_in(tmp_path)
        assert not lost, f"kill {kill}: {len(lost)} acknowledged numbers are lost, from {min(lost)}"
        state = verify(tmp_path)
        assert state.sound, [f.message for f in state.findings if not f.sound]
        event_id = max((e.id for e in Archive(tmp_path).events()), default=0)
    assert len(promised) > 1000
    Child(tmp_path, seed=KILLS).kill_after(3, 0.0)
    holes = [(first, last) for first, last in verify(tmp_path).missing if first <= acknowledged]
    assert holes == [], "what was lost unacknowledged is recorded as a gap"


def test_a_run_survives_a_kill_and_goes_on(tmp_path: Path) -> None:
    started = None
    for seed in range(100, 110):
        child = Child(tmp_path, seed)
        child.kill_after(8, 0.01)
        started = next((run for run in Archive(tmp_path).runs() if run.ended_utc_ns is None), None)
        if started is not None:
            break
    assert started is not None
    before = len(list(Archive(tmp_path).samples(started.devices[0], run=started.id)))
    child = Child(tmp_path, seed=1)
    child.kill_after(3, 0.0)
    archive = Archive(tmp_path)
    after = len(list(archive.samples(started.devices[0], run=started.id)))
    assert after > before
    assert any(gap.device == started.devices[0] for gap in archive.gaps(started.id))
