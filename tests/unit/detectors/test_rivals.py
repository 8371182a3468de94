"""What a step is weighed against, held against its definition by general least squares."""

from __future__ import annotations

import math

import numpy as np
import pytest

from loadlog.detectors.rivals import ENDED_SHARE, RAMP_LENGTHS, Residuals, burst, ramp
from tests.checklists.traces import fresh_random


def by_definition(near: list[float], since: list[float], samples: int, level: float) -> float:
    """Ramps summed over their beginnings, over edges summed likewise: each the likelihood of its best height in noise of one deviation
    beside a level that all samples share."""

    def likelihood(values: list[float], shape: list[float]) -> float:
        r, u = np.array(values), np.array(shape)
        inverse = np.linalg.inv(np.eye(len(r)) + level)
        height = (u @ inverse @ r) / (u @ inverse @ u)
        rest = r - height * u
        return float(np.exp(-0.5 * rest @ inverse @ rest))

    whole = [*near, *since]
    n = len(whole)
    kinks = sum(likelihood(whole, [max(k - begin, 0.0) for k in range(n)]) for begin in range(-1, n - 2))
    ended = sum(
        likelihood(whole, [min(max((k - end) / length + 1.0, 0.0), 1.0) for k in range(n)])
        for length in RAMP_LENGTHS
        for end in range(length, n)
    )
    told = [*near, *since[-samples:]]
    edges = likelihood(told, [float(k >= len(near)) for k in range(len(told))])
    edges += sum(likelihood(whole, [float(k >= n - size) for k in range(n)]) for size in range(2, n + 1) if size != samples)
    return ((1.0 - ENDED_SHARE) * kinks + ENDED_SHARE * ended / len(RAMP_LENGTHS)) / edges


@pytest.mark.parametrize("level", [1e-9, 0.06, 0.4])
def test_ramps_and_edges_are_summed_over_their_beginnings(level: float) -> None:
    rnd = fresh_random()
    for samples in range(2, 13):
        size = rnd.uniform(2.0, 8.0)
        near, after = [rnd.gauss(0.0, 1.0) for _ in range(14)], [rnd.gauss(size, 1.0) for _ in range(samples)]
        since = [*([rnd.uniform(0.0, size)] if rnd.random() < 0.5 else []), *after]
        seen = Residuals(near, since, after, 1.0, 0.4, level)
        assert ramp(near, seen, 1.0) == pytest.approx(by_definition(near, since, samples, level), rel=1e-6, abs=1e-12)


def test_a_level_that_is_off_is_no_beginning_of_a_ramp() -> None:
    """Half a deviation low before the step already, which is what a line through 30 samples may be off."""
    before, after = [-0.5] * 14, [-5.5] * 8
    wide, narrow = (ramp(before, Residuals(before, after, after, 1.0, 0.4, level), 1.0) for level in (0.4, 0.0))
    assert wide < 0.7 * narrow


def test_a_level_that_wanders_is_no_burst_and_scatter_is() -> None:
    """Before a step of 60 counts the level wandered by seven, less than one from sample to sample: it was told as a burst and the step
    was missed. Scatter of the same size is a burst."""
    rnd = fresh_random()
    wander = [7.0 * math.sin(0.25 * k) + rnd.gauss(0.0, 0.5) for k in range(14)]
    after = [60.0 + rnd.gauss(0.0, 0.5) for _ in range(3)]
    assert burst(Residuals(wander, after, after, 0.5, 1.2, 0.06), 60.0) < 1e-4
    before, after = [rnd.gauss(0.0, 8.0) for _ in range(14)], [25.0, 4.0, 16.0]
    assert burst(Residuals(before, after, after, 0.5, 1.2, 0.06), 15.0) > 1e4
