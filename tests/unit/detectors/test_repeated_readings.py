"""An instrument that renews its readings more slowly than it is polled repeats them: what is read again is no further evidence."""

from __future__ import annotations

import math

import pytest

from loadlog.detectors.closed_level import ClosedLevel
from loadlog.detectors.statistics import alarm_probability
from loadlog.detectors.steps import StepWatch
from loadlog.model.sample import Quality, Sample, Stamp
from tests.checklists.traces import T0_NS, fresh_random

PERIOD_S = 0.1


def sample_at(poll: int) -> Sample:
    return Sample(poll, "load-1", Stamp(T0_NS + round(poll * PERIOD_S * 1e9), 1_000_000), Quality.GOOD, {}, {}, {})


@pytest.mark.parametrize("deviation", [3.0, 10.0])  # counts
@pytest.mark.parametrize("polls", [10, 20])  # that read the same
def test_repeated_readings_are_no_steps(polls: int, deviation: float) -> None:
    """An hour and more, in which there were 10 to 40 such steps when each reading counted as another one."""
    rnd = fresh_random()
    watch = StepWatch(PERIOD_S, 1.0, alarm_probability(0.05, PERIOD_S))
    value, steps = 0.0, 0
    for poll in range(48_000):
        if poll % polls == 0:
            value = float(round(rnd.gauss(0.0, deviation)))
        if poll % 3000 == 0:
            watch.restart()  # another operating point
        watch.update(value, sample_at(poll), 1.0)
        if watch.ratio >= 1.0 and watch.clear_step() is not None:
            steps += 1
            watch.restart()
    assert steps <= 1


@pytest.mark.parametrize("polls", [1, 5])
def test_a_step_of_repeated_readings_is_found(polls: int) -> None:
    rnd = fresh_random()
    watch = StepWatch(PERIOD_S, 1.0, alarm_probability(0.05, PERIOD_S))
    value, found = 0.0, []
    for poll in range(6000):
        if poll % polls == 0:
            value = float(round(rnd.gauss(0.0, 3.0) + (60.0 if poll >= 5000 else 0.0)))
        watch.update(value, sample_at(poll), 1.0)
        if watch.ratio >= 1.0 and watch.clear_step() is not None:
            found.append(poll)
            watch.restart()
    assert found
    assert 5000 <= found[0] < 5000 + max(3 * polls, 6)  # fewer than three do not tell a step from a burst


@pytest.mark.parametrize(("polls", "keep"), [(1, 0.0), (15, 0.0), (1, 0.9)])  # that read the same; correlation of neighbours
def test_the_noise_of_a_level_is_known_though_neighbours_say_little_of_it(polls: int, keep: float) -> None:
    """Of readings polled again, and of means; and a level that creeps has no more of it. In counts."""
    rnd = fresh_random()
    deviations = []
    for _ in range(20):
        level, noise, value = ClosedLevel(1.0), 0.0, 0.0
        for poll in range(20 * polls if keep == 0.0 else 100):
            if poll % polls == 0:
                noise = keep * noise + math.sqrt(1.0 - keep * keep) * rnd.gauss(0.0, 5.0)
                value = float(round(noise))
            level.update(value + float(poll // 50))
        deviations.append(level.deviation)
    assert math.fsum(deviations) / 20 == pytest.approx(5.0, rel=0.4)
