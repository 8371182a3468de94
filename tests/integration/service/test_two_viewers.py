"""Two viewers by mistake on one data directory, as real processes, with plans: one run a start; the other goes on when one is killed."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from loadlog.model.clock import NS, format_utc
from tests.integration.service.test_service import Bench, wait_for

pytestmark = pytest.mark.timeout(240)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    try:
        yield made
    finally:
        made.stop()


def plan(name: str, in_s: float) -> str:
    """A run of a second: a second start of it would not be refused for a run that is on."""
    at = format_utc(time.time_ns() + round(in_s * NS))[:23] + "+00:00"
    return f'\n[[plan]]\nname = "{name}"\ndevices = ["load-1"]\nduration = "1s"\nat = "{at}"\nmissed = "start"\n'


def test_one_run_a_start_and_the_other_takes_over(bench: Bench) -> None:
    text = bench.config.read_text()
    bench.config.write_text(text + plan("first", 10) + plan("second", 30))
    recorder = bench.start("serve", "--part", "recorder", "--config", str(bench.config))
    wait_for("the first samples", lambda: bench.client.call("status")["samples"] > 20)
    viewers = [bench.start("serve", "--part", "viewer", "--config", str(bench.config)) for _ in range(2)]
    wait_for("the first plan's run", lambda: [r for r in bench.archive.runs() if r.name == "first" and r.ended_utc_ns is not None])
    owner, other = sorted(viewers, key=lambda v: not holds_state(v.pid))
    assert holds_state(owner.pid)
    assert not holds_state(other.pid)
    owner.kill()
    owner.wait(10)
    assert [r.name for r in bench.archive.runs()] == ["first"], "too slow a machine to tell who starts the second"
    wait_for("the second plan's run", lambda: [r for r in bench.archive.runs() if r.name == "second"])
    time.sleep(3)  # for a start too many
    assert sorted(r.name for r in bench.archive.runs()) == ["first", "second"]
    assert recorder.poll() is None


def holds_state(pid: int) -> bool:
    """Whether the process has the viewer's database open."""
    return any(p.resolve().name == "viewer.sqlite" for p in Path(f"/proc/{pid}/fd").iterdir())
