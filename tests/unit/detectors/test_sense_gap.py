"""A sense lead that falls off while nobody looks: told from the level of before, unless the source may have drifted by as much."""

from __future__ import annotations

import random

import pytest

from loadlog.detectors import Context
from loadlog.detectors.past_levels import PastLevels
from loadlog.detectors.sense import SenseFallback
from loadlog.model.event import Finding
from loadlog.model.sample import Quality, Sample, Stamp
from tests.checklists.traces import T0_NS, fresh_random, load_spec

CURRENT_A, OHM = 4.0, 0.006


def play(rnd: random.Random, before: int, gap_s: float, step_v: float, slope_v_per_s: float = 0.0, period_s: float = 0.5) -> list[Finding]:
    """So many samples before a gap in which the voltage steps, beside a drift that goes on all the time."""
    device = load_spec(path_resistance_ohm=OHM, period_s=period_s)
    sense, context = SenseFallback(device), Context(device)
    found: list[Finding] = []
    for n in range(before + 30):
        t_s = n * period_s + (gap_s if n >= before else 0.0)
        voltage_v = 36.0 + (step_v if n >= before else 0.0) + slope_v_per_s * t_s
        values = {"voltage_v": round(voltage_v + rnd.gauss(0.0, 8e-4), 3), "current_a": round(CURRENT_A + rnd.gauss(0.0, 6e-4), 3)}
        sample = Sample(n + 1, "load-1", Stamp(T0_NS + round(t_s * 1e9), 10**6), Quality.GOOD, {}, values, {"input_on": 1, "mode": 0})
        found += sense.update(sample, context)
    return found


@pytest.mark.parametrize("before", [90, 150, 206, 400])
def test_a_step_in_a_gap_is_told_as_soon_as_steps_are(before: int) -> None:
    """Seven times what a source drifts by in 85 s. Until the correlation of the noise showed, at 240 samples and some, any drift passed for
    possible, so nothing was told."""
    rnd = fresh_random()
    assert sum(bool(play(rnd, before, 85.0, -CURRENT_A * OHM)) for _ in range(5)) >= 4


def test_what_some_seconds_do_not_tell_of_a_slope_the_minute_before_does() -> None:
    """Of the five seconds of its line's 100 samples the slope is known to 17 mV in 300 s; of the 40 s before the gap to a tenth of that."""
    rnd = fresh_random()
    assert sum(bool(play(rnd, 800, 300.0, -CURRENT_A * OHM, period_s=0.05)) for _ in range(5)) >= 4


@pytest.mark.parametrize("period_s", [0.05, 0.5])
def test_what_a_source_that_drifts_has_drifted_by_in_a_gap_is_nothing(period_s: float) -> None:
    rnd = fresh_random()
    for before in (90, 206, 400, 1600):
        assert play(rnd, before, 300.0, 0.0, -8e-5, period_s) == []


def test_a_slope_is_taken_over_five_to_fifteen_minutes() -> None:
    past = PastLevels(0.5)
    for n in range(100, 4000, 14):
        past.take(n, 1e-3 * n)
        slope, span = past.slope(n, 1e-3 * n)
        assert span == 0 or slope == pytest.approx(1e-3)
        assert n < 2000 or 600 <= span <= 1820
