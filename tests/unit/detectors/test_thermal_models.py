"""The parts of the thermal forecast: small normal equations against numpy, interpolated features against explicit ones, and the grid of
models on bodies that once led it astray."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from loadlog.detectors.normal_equations import own_square, solved, whitened
from loadlog.detectors.thermal_bank import Bank, Known
from loadlog.detectors.thermal_forecast import forecast
from loadlog.detectors.thermal_gram import Gram
from tests.checklists.traces import fresh_random


def test_normal_equations_are_those_of_numpy() -> None:
    rnd = fresh_random()
    rows = np.array([[rnd.gauss(0, 1) for _ in range(5)] for _ in range(9)])
    y = np.array([rnd.gauss(0, 3) for _ in range(9)])
    matrix = rows.T @ rows
    found = solved([list(matrix[i, : i + 1]) for i in range(5)], list(rows.T @ y))
    assert found is not None
    theta, factor, explained, log_root = found
    expected, rest, _, _ = np.linalg.lstsq(rows, y, rcond=None)
    assert list(theta) == pytest.approx(list(expected), rel=1e-6)
    assert explained == pytest.approx(float(y @ y - rest[0]), rel=1e-6)
    assert log_root == pytest.approx(0.5 * float(np.linalg.slogdet(matrix)[1]), rel=1e-6)
    inverse = np.linalg.inv(matrix)
    assert [own_square(factor, k) for k in range(5)] == pytest.approx(list(np.diag(inverse)), rel=1e-6)
    sums = [inverse[k, k] + 0.8 * inverse[k, k + 1] + 0.16 * inverse[k + 1, k + 1] for k in range(4)]
    assert [own_square(factor, k, 0.4) for k in range(4)] == pytest.approx(sums, rel=1e-6)
    gradient = [rnd.gauss(0, 1) for _ in range(5)]
    assert sum(z * z for z in whitened(factor, gradient)) == pytest.approx(float(gradient @ inverse @ gradient), rel=1e-6)


def test_matrix_that_is_not_positive_definite_has_no_solution() -> None:
    assert solved([[1.0], [2.0, 1.0]], [1.0, 1.0]) is None


def test_any_pair_of_time_constants_follows_from_the_gram_matrix() -> None:
    """Against features stepped for this very pair, over idle, full and half power."""
    rnd = fresh_random()
    fast_s, slow_s = rnd.uniform(3, 12), rnd.uniform(60, 500)
    gram = Gram()
    gram.settle(0.2)
    x = [0.2, 0.2]
    rows, readings = [], []
    for n in range(300):
        power = 0.2 if n < 20 else 1.0 if n < 160 else 0.5
        gram.advance(1.0, power)
        x = [power + (v - power) * math.exp(-1.0 / tau_s) for v, tau_s in zip(x, (fast_s, slow_s), strict=True)]
        rows.append([1.0, *x, math.exp(-(n + 1) / fast_s), math.exp(-(n + 1) / slow_s)])
        readings.append(rnd.uniform(20, 60))
        gram.observe(readings[-1], 2.0)
    gram.open(0.01)
    matrix, right = gram.system(fast_s, slow_s)
    explicit = 2.0 * np.array(rows).T @ np.array(rows)
    for i in range(5):
        assert matrix[i] == pytest.approx(list(explicit[i, : i + 1]), rel=0.01, abs=0.05)
    assert right == pytest.approx(list(2.0 * np.array(rows).T @ np.array(readings)), rel=0.01, abs=3.0)
    assert gram.features(fast_s, slow_s) == pytest.approx(rows[-1], abs=0.003)


def climbing(bank: Bank, fast_s: float, slow_s: float, rise_k: float, share: float, until_s: int) -> None:
    """A first climb at constant power, judged as often as a detector would, readings free of noise but rounded to 0.1 K."""
    bank.restart(23.0, 200.0)
    for t in range(1, until_s):
        true_c = 23.0 + rise_k * (1 - share * math.exp(-t / fast_s) - (1 - share) * math.exp(-t / slow_s))
        bank.advance(1.0, 200.0)
        bank.observe(round(true_c, 1))
        if t >= 5 and (t < 20 or t % 10 == 0):
            bank.solve()


@pytest.mark.parametrize(("fast_s", "slow_s", "share"), [(3.0, 324.0, 0.28), (3.0, 370.0, 0.08), (5.0, 395.0, 0.12)])
def test_fast_pole_that_is_seen_first_is_not_taken_for_the_body(fast_s: float, slow_s: float, share: float) -> None:
    """For the first seconds a fast pole alone explains what is seen; the grid of models must leave it when more is seen."""
    bank = Bank(400.0, 0.04)
    climbing(bank, fast_s, slow_s, 40.0, share, 120)
    seen = forecast(bank, 55.0)
    assert seen is not None
    assert seen.final_c == pytest.approx(63.0, abs=8.0)
    assert seen.probability > 0.5


def test_known_time_constants_make_a_climb_certain_early() -> None:
    blank, taught = Bank(400.0, 0.04), Bank(400.0, 0.04)
    taught.expect(Known(8.0, 0.06), Known(200.0, 0.06))
    for bank in (blank, taught):
        climbing(bank, 8.0, 200.0, 30.0, 0.2, 40)
    told, guessed = forecast(taught, 50.0), forecast(blank, 50.0)
    assert told is not None
    assert guessed is not None
    assert told.final_deviation_k < 0.5 * guessed.final_deviation_k
    assert told.final_c == pytest.approx(53.0, abs=3.0)


def far_sensor(rnd: random.Random) -> float:
    """A fin whose sensor is far from the source of the heat, read every 10 s: the deviation of the fit at the end, K."""
    source_j_per_k, fin_j_per_k = rnd.uniform(40.0, 120.0), rnd.uniform(300.0, 900.0)
    between_k_per_w, air_k_per_w = rnd.uniform(0.05, 0.1), rnd.uniform(0.2, 0.35)
    power_w, bank = rnd.uniform(20.0, 40.0) / air_k_per_w, Bank(400.0, 0.04)
    bank.restart(23.0, power_w)
    source_k = fin_k = 0.0
    for t in range(1, int(2.5 * (fin_j_per_k + source_j_per_k) * air_k_per_w)):
        for _ in range(4):
            flow_w = (source_k - fin_k) / between_k_per_w
            source_k += 0.25 * (power_w - flow_w) / source_j_per_k
            fin_k += 0.25 * (flow_w - fin_k / air_k_per_w) / fin_j_per_k
        bank.advance(1.0, power_w)
        if t % 10 == 0:
            bank.observe(round(23.0 + fin_k + rnd.gauss(0.0, 0.04), 1))
            if t >= 60:
                bank.solve()
    return math.sqrt(bank.variance)


def test_sensor_far_from_the_source_of_the_heat_is_no_other_body() -> None:
    """What it reads rises with a delay, so the fast pole has the other sign: taken for one of the same sign, it was the slow pole of a body
    that settles far higher."""
    rnd = fresh_random()
    found = [far_sensor(rnd) for _ in range(12)]
    assert sum(deviation_k > 0.08 for deviation_k in found) <= 1, found
