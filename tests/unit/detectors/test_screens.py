"""Cheap screens before costly work: they must never change what comes out."""

from __future__ import annotations

import math
import random

import pytest

from loadlog.detectors import COMPILED
from loadlog.detectors.rivals import RAMP_LENGTHS, ended_ramps
from loadlog.detectors.statistics import StepChart
from loadlog.detectors.steps import HELD_AT, WINDOWS
from tests.checklists.traces import fresh_random


class Unscreened(StepChart):
    """Counts every ratio."""

    CALM = 0.0


def test_a_ratio_that_holds_the_noise_is_always_told() -> None:
    assert StepChart.CALM < HELD_AT


@pytest.mark.skipif(COMPILED, reason="a compiled class has no subclass in Python to compare it with")
@pytest.mark.parametrize("quantum", [0.0, 0.3, 3.0])
def test_calm_samples_are_those_whose_ratios_are_small(quantum: float) -> None:
    """Levels that were started again, steps of all sizes, noise that rises and falls: each ratio from `CALM` on is the same, and what was
    learned too."""
    rnd = fresh_random()
    screened, plain = StepChart(WINDOWS, 1e-9, quantum), Unscreened(WINDOWS, 1e-9, quantum)
    residuals, sigma, shift, told, calm = [0.0] * 12, 1.0, 0.0, 0, 0
    for k in range(6000):
        if k % 170 == 0:
            sigma = rnd.choice((0.01, 1.0, 1.0, 4.0))
        if k % 60 == 0:
            shift = rnd.choice((0.0, 0.0, sigma * 10.0 ** rnd.uniform(0.0, 2.0)))
        if rnd.random() < 0.001:
            screened.learn_again(sigma)
            plain.learn_again(sigma)
        extra = max(0.0, 0.5 - 0.01 * (k % 80)) if k % 400 < 300 else 0.0
        reading = rnd.gauss(shift if k % 60 < 8 else 0.0, sigma)
        residuals = [*residuals[1:], round(reading / quantum) * quantum if quantum else reading]
        learn = rnd.random() < 0.9
        ratio, expected = screened.update(residuals, learn, extra), plain.update(residuals, learn, extra)
        assert ratio == expected or (ratio == 0.0 and expected < StepChart.CALM)
        told += ratio >= 1.0
        calm += ratio < expected
    assert told > 50  # the drawn signal says something
    assert calm > 500  # and so does the screen
    assert [screened.scale(k) for k in range(len(WINDOWS))] == [plain.scale(k) for k in range(len(WINDOWS))]


def every_ended_ramp(residuals: list[float], excess: float, sigma: float, level: float) -> float:
    """As the definition has it."""
    total = 0.0
    for length in RAMP_LENGTHS:
        shape = [k / length for k in range(1, length)]
        for constant in range(1, len(residuals) - length + 1):
            begin = len(residuals) - constant - len(shape)
            whole = [*[0.0] * begin, *shape, *[1.0] * constant]
            product = math.fsum(s * r for s, r in zip(whole, residuals, strict=True)) - level * math.fsum(whole) * math.fsum(residuals)
            gain = excess + product * product / (math.fsum(s * s for s in whole) - level * math.fsum(whole) ** 2)
            total += math.exp(min(gain / (2.0 * sigma * sigma), 300.0))
    return total / len(RAMP_LENGTHS)


def drawn_step(rnd: random.Random, size: float, samples: int) -> list[float]:
    """Noise of one, then a step that takes one sample in transition or none."""
    middle = [rnd.uniform(0.0, size)] if rnd.random() < 0.5 else []
    return [*(rnd.gauss(0.0, 1.0) for _ in range(14)), *middle, *(rnd.gauss(size, 1.0) for _ in range(samples))]


@pytest.mark.parametrize("size", [3.0, 8.0, 20.0, 40.0, 100.0, 1e4])
def test_ramps_that_are_passed_over_have_no_likelihood(size: float) -> None:
    rnd = fresh_random()
    for samples in range(2, 13):
        residuals = drawn_step(rnd, size, samples)
        mean = math.fsum(residuals[-samples:]) / samples
        step_square = math.fsum(r * r for r in residuals[:-samples]) + math.fsum((r - mean) ** 2 for r in residuals[-samples:])
        excess = step_square - math.fsum(r * r for r in residuals)
        for level in (0.0, 0.025):
            expected = every_ended_ramp(residuals, excess, 1.0, level)
            assert ended_ramps(residuals, excess, 1.0, level) == pytest.approx(expected, rel=1e-9, abs=1e-300)
