"""The recorder alone: its own time after the system clock was set back (that of the samples, which go on), and what it logs."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from loadlog.loading import load_bench
from loadlog.model.clock import NS
from loadlog.process.systemd import Notifier
from loadlog.recorder.process import Recorder
from tests.one_load import one_load
from tests.unit.acquisition.test_acquisition_stamps import HandClock

HOUR_NS = 3600 * NS


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def recorder(tmp_path: Path, clock: HandClock) -> Iterator[Recorder]:
    with socket.socket() as taken:  # nobody listens there, and nobody is asked
        taken.bind(("127.0.0.1", 0))
        (tmp_path / "bench.toml").write_text(one_load(data_dir=tmp_path, tcp_port=taken.getsockname()[1]))
        made = Recorder(load_bench(tmp_path / "bench.toml"), clock, Notifier({}))
        yield made
        made._journal.close()


def test_a_run_ends_after_its_duration_though_the_clock_was_set_back(recorder: Recorder, clock: HandClock) -> None:
    run = recorder.start_run("soak", ("load-1",), 60.0, False)
    clock.offset_ns -= HOUR_NS
    assert recorder._anchor.check() is not None
    clock.mono_ns += 59 * NS
    recorder._tick()
    assert [r.id for r in recorder.running()] == [run.id]
    clock.mono_ns += 2 * NS  # and 500 ppm of slewing
    recorder._tick()
    assert recorder.running() == []


def test_its_time_never_runs_back_and_follows_forward_at_once(recorder: Recorder, clock: HandClock) -> None:
    before_ns = recorder._now()
    clock.offset_ns -= HOUR_NS
    recorder._anchor.check()
    clock.mono_ns += 10 * NS
    assert 9 * NS < recorder._now() - before_ns <= 10 * NS
    clock.offset_ns += 2 * HOUR_NS
    recorder._anchor.check()
    assert recorder._now() == clock.utc_ns()


def test_what_needs_somebody_stands_out_in_the_log(recorder: Recorder, caplog: pytest.LogCaptureFixture) -> None:
    """``journalctl --priority warning`` shows it, and not that it is over."""
    with caplog.at_level("INFO"):
        recorder.report("forward_refused", "lab", "lab refuses", True)
        recorder.report("forward_refused", "lab", "lab takes it again", False)
    assert [(r.levelname, r.getMessage().split(":")[0]) for r in caplog.records if "event" in r.message] == [
        ("WARNING", "event forward_refused active"), ("INFO", "event forward_refused cleared"),
    ]  # fmt: skip
