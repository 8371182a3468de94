"""In CV another voltage steps the current as a fallen sense lead does; whether the voltage moved must tell the one from the other."""

from __future__ import annotations

import math
import random

import pytest

from loadlog.detectors import Context
from loadlog.detectors.base import Order
from loadlog.detectors.sense import SenseFallback
from loadlog.detectors.sense_causes import (
    HAND,
    PRIOR_HAND,
    SOURCE_LOG_DEVIATION,
    UNKNOWN_SOURCE_OHM,
    odds_of_hand,
    source_resistances,
)
from loadlog.model.event import Finding
from loadlog.model.sample import Quality, Sample, Stamp
from tests.checklists.traces import T0_NS, fresh_random, load_spec

NOISE_A, SLOW_V, KEEPS = 0.0006, 0.001, math.exp(-1.0 / 8.0)
FALLS = 320  # samples


def play(rnd: random.Random, step_a: float, step_v: float, ordered: bool = False) -> list[Finding]:
    """6 A in CV at 23.4 V; from a sample on the current is another one, and the voltage. The noise of the voltage is mostly slow."""
    device = load_spec(path_resistance_ohm=None)
    sense, context = SenseFallback(device), Context(device)
    found: list[Finding] = []
    slow_v = 0.0
    for n in range(FALLS + 20):
        slow_v = KEEPS * slow_v + SLOW_V * math.sqrt(1.0 - KEEPS**2) * rnd.gauss(0.0, 1.0)
        is_after = n >= FALLS
        values = {
            "voltage_v": round(23.4 + is_after * step_v + slow_v + rnd.gauss(0.0, 0.0003), 3),
            "current_a": round(6.0 + is_after * step_a + rnd.gauss(0.0, NOISE_A), 3),
        }
        if ordered and n == FALLS:
            context.orders.append(Order("setpoint", 23.4 + step_v, T0_NS + n * 10**8 - 5 * 10**7))
        sample = Sample(n + 1, "load-1", Stamp(T0_NS + n * 10**8, 10**6), Quality.GOOD, {}, values, {"input_on": 1, "mode": 1})
        found += sense.update(sample, context)
    return found


def test_a_lead_that_falls_off_in_cv_is_told_though_the_voltage_wanders_by_a_count() -> None:
    """One in seven was dropped in silence while any move of the voltage explained it."""
    rnd = fresh_random()
    assert sum(bool(play(rnd, -0.15, 0.0)) for _ in range(60)) >= 56


@pytest.mark.parametrize("ohm", [0.02, 0.1, 0.3])
def test_a_voltage_that_was_set_anew_by_hand_is_no_fallen_lead(ohm: float) -> None:
    """By six deviations of the voltage and more; either way."""
    rnd = fresh_random()
    for _ in range(6):
        step_v = rnd.uniform(0.007, 0.03)
        assert play(rnd, -step_v / ohm, step_v) == []
        assert play(rnd, step_v / ohm, -step_v) == []


def test_a_voltage_that_was_ordered_explains_a_step_though_noise_hides_how_far_it_moved() -> None:
    rnd = fresh_random()
    said = [play(rnd, -0.02, 0.001, ordered=True) for _ in range(20)]
    assert sum(map(bool, said)) <= 1


@pytest.mark.parametrize("source_ohm", [None, 0.1])
@pytest.mark.parametrize("step_a", [0.01, 0.05, 0.3])
def test_the_stated_odds_of_a_hand_are_its_share(step_a: float, source_ohm: float | None) -> None:
    """Hands among all that steps the current as often as they are expected."""
    rnd, spread_v = fresh_random(), 0.001
    said: dict[int, list[tuple[float, bool]]] = {}
    resistances = source_resistances(source_ohm, 0.02 * (source_ohm or 0.0))
    for _ in range(20_000):
        is_hand = rnd.random() < PRIOR_HAND / (1.0 + PRIOR_HAND)
        ohm = UNKNOWN_SOURCE_OHM * math.exp(rnd.gauss(0.0, SOURCE_LOG_DEVIATION)) if source_ohm is None else source_ohm
        moved_v = is_hand * max(ohm * step_a, 0.001) + rnd.gauss(0.0, spread_v)
        odds = odds_of_hand(moved_v, spread_v, -step_a, 0.001, resistances, PRIOR_HAND)
        assert odds == pytest.approx(odds_of_hand(-moved_v, spread_v, step_a, 0.001, resistances, PRIOR_HAND))
        p = odds / (1.0 + odds)
        said.setdefault(min(int(5 * p), 4), []).append((p, is_hand))
    for items in (items for items in said.values() if len(items) >= 1000):
        assert sum(p for p, _ in items) == pytest.approx(sum(is_so for _, is_so in items), abs=0.05 * len(items))


def test_a_hand_that_is_left_is_named_with_its_probability() -> None:
    rnd = fresh_random()
    told = [found[0] for found in (play(rnd, -0.15, 0.0) for _ in range(10)) if found]
    assert told
    for finding in told:
        assert 0.0 < finding.alternatives[HAND] < 0.5
        assert finding.confidence + math.fsum(finding.alternatives.values()) == pytest.approx(1.0, abs=1e-3)
