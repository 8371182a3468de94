"""The bounded suite: some scenarios of each class with a fresh seed; whole with `make events`.

What is judged here must hold for every single scenario; rates that need many are judged by `make events`.
"""

from __future__ import annotations

import random

import pytest

from tests.checklists.traces import fresh_random
from tests.events.benign import BENIGN
from tests.events.faulty import FAULTY
from tests.events.optimum import optimum, run_length
from tests.events.play import SCENARIOS, play
from tests.events.score import poisson_bounds

CERTAIN = [
    "latch-off, remote", "latch-off, local, group of two", "load trip, protection bits", "power lead off, group of two", "input by hand",
    "mode by hand", "no reply",
]  # fmt: skip


def test_there_are_sixty_scenarios_and_a_third_is_benign() -> None:
    benign = len(SCENARIOS) - len(FAULTY)
    assert len(SCENARIOS) >= 60
    assert benign * 3 >= len(SCENARIOS)


def test_every_scenario_can_be_drawn() -> None:
    """Faults and parameters are those that the simulator knows."""
    rnd = fresh_random()
    for make in SCENARIOS.values():
        assert make(rnd).until_s > 0.0


@pytest.mark.parametrize("name", CERTAIN)
def test_what_is_certain_is_found_with_its_cause(name: str) -> None:
    outcome = play(name, fresh_random().randrange(10**9), rivals=False)
    assert outcome.at_fault == []


@pytest.mark.parametrize("name", BENIGN)
def test_nothing_is_told_where_all_is_in_order(name: str) -> None:
    """A thousand samples of each; rates are for `make events`."""
    outcome = play(name, fresh_random().randrange(10**9), rivals=False, part=0.05)
    assert outcome.at_fault == []


def test_a_seed_repeats_its_scenario() -> None:
    seed = fresh_random().randrange(10**9)
    name = random.Random(seed).choice(CERTAIN)
    first, again = play(name, seed, rivals=False), play(name, seed, rivals=False)
    assert (first.samples, first.verdict) == (again.samples, again.verdict)


def test_run_lengths_of_the_optimum_are_the_published_ones() -> None:
    """One-sided CUSUM, k 0.5: h 4 gives 335.4 without and 8.38 at a step of 1 sigma, h 5 gives 930.9 and 10.38 (twice the two-sided run
    length; J. M. Lucas, R. B. Crosier, Technometrics 24 (1982) 199; D. C. Montgomery, Introduction to Statistical Quality Control)."""
    assert run_length(0.5, 4.0, 0.0) == pytest.approx(335.37, rel=0.005)
    assert run_length(0.5, 4.0, 1.0) == pytest.approx(8.38, rel=0.005)
    assert run_length(0.5, 5.0, 0.0) == pytest.approx(930.9, rel=0.005)
    assert run_length(0.5, 5.0, 1.0) == pytest.approx(10.38, rel=0.005)


def test_a_bigger_step_needs_fewer_samples() -> None:
    means = [optimum(shift, 1e7)[0] for shift in (3.0, 5.0, 8.0)]
    assert means == sorted(means, reverse=True)
    assert 1.0 <= means[-1] < 2.0


def test_limits_of_a_poisson_count() -> None:
    """0 in 3,000 h: at most 1.23 per 1,000 h (ln(40)/3); 3.69 expected is the upper limit of none (Garwood 1936)."""
    low, high = poisson_bounds(0, 1000.0)
    assert low == 0.0
    assert high == pytest.approx(3.689, abs=0.001)
