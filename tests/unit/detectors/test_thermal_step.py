"""Power that steps between two readings of it: what is not known of the instant, alone and in a climb."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from loadlog.detectors.thermal_forecast import forecast
from loadlog.detectors.thermal_step import SHAPES_S, StepTime
from loadlog.detectors.thermal_watch import Watch
from loadlog.model.sample import Quality, Sample, Stamp
from loadlog.sim.thermal import Heatsink, HeatsinkForm
from tests.checklists.traces import T0_NS, fresh_random, load_spec

AIR_C, NOISE_K, PERIOD_S = 23.0, 0.04, 2.0


def test_doubt_is_that_of_errors_which_hang_together() -> None:
    """Against normal equations with the whole covariance of the readings."""
    rnd = fresh_random()
    variance, within_s, weight = 0.01, 1.5, 2.0
    step, rows, shapes = StepTime(4), [], []
    step.stepped(within_s)
    rates = [0.0, 0.0, 0.0]
    for n in range(30):
        t_s, risen_k = 2.0 * n + 1.0, 6.0 * (1.0 - math.exp(-(2.0 * n + 1.0) / 5.0))
        step.advance(1.0 if n == 0 else 2.0)
        rows.append([1.0, rnd.gauss(0.0, 1.0), rnd.gauss(0.0, 1.0), rnd.gauss(0.0, 5.0)])
        shapes.append([math.exp(-t_s / tau_s) for tau_s in SHAPES_S])
        rates = [risen_k / tau_s if n == 0 or t_s <= tau_s else rate for rate, tau_s in zip(rates, SHAPES_S, strict=True)]
        step.observe(rows[-1], weight, risen_k)
    f, s = np.array(rows), np.array(shapes)
    own = np.diag([(rate * within_s) ** 2 / 12.0 for rate in rates])
    expected = variance * f.T @ np.linalg.inv(variance / weight * np.eye(30) + s @ own @ s.T) @ f
    lost = step.lost(variance)
    assert weight * f.T @ f - sum(np.outer(v, v) for v in lost) == pytest.approx(expected, rel=0.02, abs=0.02 * weight * 30)
    assert len(lost) == len(SHAPES_S)


def test_step_that_was_seen_as_it_came_leaves_no_doubt() -> None:
    step = StepTime(2)
    step.stepped(0.0)
    step.observe([1.0, 3.0], 1.0, 3.0)
    assert step.lost(0.001) == []


def overrated(rnd: random.Random) -> float:
    """A body is warmed a little, then more, at an instant between two polls: by how many deviations where it settles is overrated at most
    in the first fifth of the climb."""
    form = HeatsinkForm(rnd.uniform(0.03, 0.06), rnd.uniform(3.0, 15.0), rnd.uniform(0.1, 0.3), rnd.uniform(100.0, 400.0))
    device, sink = load_spec(period_s=PERIOD_S, slow=1), Heatsink(form)
    full_w = rnd.uniform(20.0, 45.0) / (form.fast_k_per_w + form.slow_k_per_w)
    step_s = rnd.uniform(100.0, 500.0)
    channel = next(c for c in device.channels if c.name == "temperature_c")
    watch = Watch(channel, device, {"high": 60.0}, 400.0)
    final_c, worst = AIR_C + full_w * (form.fast_k_per_w + form.slow_k_per_w), -math.inf
    for n in range(int((step_s + 0.2 * form.slow_tau_s) / PERIOD_S)):
        t_s = n * PERIOD_S
        after_s = min(max(t_s - step_s, 0.0), PERIOD_S)
        sink.step(0.3 * full_w, PERIOD_S - after_s)
        sink.step(full_w, after_s)
        reading_c = round((AIR_C + sink.rise_k + rnd.gauss(0.0, NOISE_K)) / 0.1) * 0.1
        sample = Sample(n, device.name, Stamp(T0_NS + round(t_s * 1e9), 1_000_000), Quality.GOOD, {}, {}, {})
        if watch.take(sample, reading_c, full_w if after_s else 0.3 * full_w) and watch.is_due():
            watch.solve()
            seen = forecast(watch.bank, 60.0) if watch.focused and after_s else None
            if seen is not None:
                worst = max(worst, (seen.final_c - final_c) / seen.final_deviation_k)
    return worst


def test_climb_after_a_step_between_two_polls_is_not_overrated() -> None:
    rnd = fresh_random()
    found = [overrated(rnd) for _ in range(50)]
    assert max(found) < 5.0, sorted(found)
    assert sum(worst > 3.0 for worst in found) <= 5, sorted(found)


def test_wild_readings_are_survived() -> None:
    step = StepTime(2)
    step.stepped(10.0)
    for reading_k in (1e9, -1e200, 3.0):
        step.advance(0.5)
        step.observe([1.0, reading_k], 20.0, reading_k)
        assert all(math.isfinite(row[0]) for row in step.lost(1e-3))
