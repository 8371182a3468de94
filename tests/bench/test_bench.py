"""The bench's own tools: the paced device answers right and sees a hasty master, figures are judged, a missing compiler is one line."""

from __future__ import annotations

import math
import os
import random
import statistics
import time
from pathlib import Path

import pytest

from tests.bench.figures import Figure, table
from tests.bench.page import each_sample
from tests.bench.programs import BenchError, build, device, master
from tests.bench.turns import compare
from tests.traps import frames

pytestmark = pytest.mark.server


def ask(port: int, request: bytes, size: int) -> bytes:
    os.write(port, request)
    heard = b""
    end_s = time.monotonic() + 5
    while len(heard) < size and time.monotonic() < end_s:
        try:
            heard += os.read(port, 256)
        except BlockingIOError:
            time.sleep(0.001)
    return heard


@pytest.fixture(scope="module")
def programs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("programs")
    build(folder)
    return folder


def test_the_device_answers_as_a_modbus_unit(programs: Path) -> None:
    with device(programs, 115200) as paced:
        port = os.open(paced.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        words = [7 * 256 + 3, 7 * 256 + 4]
        assert ask(port, frames.seal(bytes([7, 3, 0, 3, 0, 2])), 9) == frames.registers(7, 3, words)
        time.sleep(0.01)
        assert ask(port, frames.seal(bytes([7, 4, 0, 3, 0, 2])), 5) == frames.exception(7, 4, 1)
        os.close(port)


def test_the_device_sees_a_request_that_comes_too_early(programs: Path) -> None:
    with device(programs, 9600) as paced:
        port = os.open(paced.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        request = frames.seal(bytes([1, 3, 0, 0, 0, 2]))
        for _ in range(2):
            time.sleep(0.02)
            assert len(ask(port, request, 9)) == 9
        assert paced.report()["too_early"] == 0
        deadline = time.monotonic() + 20
        while not paced.report()["too_early"] and time.monotonic() < deadline:  # a busy machine keeps a silence by being late
            assert len(ask(port, request, 9)) == 9
            assert len(ask(port, request, 9)) == 9
        assert paced.report()["too_early"] > 0
        os.close(port)


def test_the_ideal_master_keeps_the_silence_and_cannot_beat_the_wire(programs: Path) -> None:
    with device(programs, 38400) as paced:
        result = master(programs, paced.port, 38400, 3, 1.0)
        assert paced.report()["too_early"] == 0
    assert result["wrong"] == 0
    assert 0 < result["per_s"] <= 1 / (33 * 10 / 38400 + 2 * 0.00175) * 1.001


def test_a_sample_between_two_drawn_ones_waited_for_the_later() -> None:
    drawn = [
        10.0,
        10.2,
        10.1,
        10.3,
        10.4,
        10.6,
    ]  # stamps of sample and screen in turns, at 10 Hz: 10.2 and 10.3 were never drawn by themselves
    assert each_sample(drawn) == pytest.approx([0.2, 0.2, 0.3, 0.4])


def test_a_turn_is_held_against_both_its_neighbours() -> None:
    drifting = [100.0 * 1.1**n for n in range(41)]  # by a tenth each turn, with nothing beside: no difference
    assert compare(drifting).value == pytest.approx(1.0)
    with_something = [late * (1.2 if n % 2 else 1.0) for n, late in enumerate(drifting)]
    assert compare(with_something).value == pytest.approx(1.2)


def test_the_error_of_a_ratio_is_that_of_its_median() -> None:
    chance = random.Random(3)
    found = [compare([math.exp(chance.gauss(0.0, 0.1)) for _ in range(61)]) for _ in range(300)]
    spread = statistics.stdev(math.log(one.value) for one in found)
    assert statistics.median(one.off for one in found) == pytest.approx(
        spread, rel=0.35
    )  # neighbours share a turn, ratios are not independent


def test_figures_are_judged_and_shown() -> None:
    met, missed = Figure("pace", 0.98, least=0.97), Figure("late", 0.2, "s", most=0.1)
    plain = Figure("beside", 3.0)
    assert (met.is_met, missed.is_met, plain.is_met) == (True, False, True)
    lines = table([met, missed, plain]).splitlines()
    assert "ok" in lines[2]
    assert "MISSED" in lines[3]


def test_a_missing_compiler_is_one_line(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(BenchError, match="C compiler"):
        build(tmp_path)
