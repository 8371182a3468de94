"""An instrument that renews its readings more slowly than it is polled repeats them: what is read again is no further evidence."""

from __future__ import annotations

import pytest

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
