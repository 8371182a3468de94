"""The CUSUM that `sense_fallback` uses, against published run lengths, the handbook's charts, a Markov chain, and the other chart."""

from __future__ import annotations

import csv
import math
import random

import pytest

from loadlog.detectors.cusum import Cusum, KnownStep, decision_interval, overshoot
from loadlog.detectors.sense_causes import PathPrior
from loadlog.detectors.statistics import Moments, alarm_probability
from loadlog.detectors.steps import MOST_DOUBT, StepWatch
from loadlog.model.sample import Quality, Sample, Stamp
from tests.checklists.traces import fresh_random
from tests.events.optimum import run_length
from tests.events.steps_study import trial
from tests.unit.detectors.test_statistics import DATA, design, run_lengths

SIGMA_V = 1e-3
PROBABILITY = alarm_probability(0.05, 0.1)


@pytest.mark.parametrize(("text", "shift", "expected"), run_lengths("cusum two-sided"))
def test_run_length_by_simulation(text: str, shift: float, expected: float) -> None:
    """Two of the detector's charts, of z and of -z."""
    rnd = fresh_random()
    k, h = design(text)
    total, runs = 0, int(min(3000, 150_000 / expected))
    for _ in range(runs):
        up, down = Cusum(k, h), Cusum(k, h)
        is_in_control = True
        while is_in_control:
            z = rnd.gauss(shift, 1.0)
            is_in_control = not (up.update(z) | down.update(-z))
            total += 1
    deviation = expected / math.sqrt(runs)  # run lengths scatter at most as geometric ones
    assert abs(total / runs - expected) < 4.5 * deviation


@pytest.mark.parametrize(("text", "shift", "expected"), run_lengths("cusum two-sided"))
def test_run_length_by_the_markov_chain(text: str, shift: float, expected: float) -> None:
    """The chain beside which delays are held. Two sides: 1/ARL = 1/ARL+ + 1/ARL-."""
    k, h = design(text)
    both = 1.0 / (1.0 / run_length(k, h, shift) + 1.0 / run_length(k, h, -shift))
    assert both == pytest.approx(expected, rel=0.005)


@pytest.mark.parametrize("k", [0.25, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0])
@pytest.mark.parametrize("stated", [1e5, 1e7, 1e9])
def test_decision_interval_gives_the_stated_run_length(k: float, stated: float) -> None:
    """By the Markov chain. Beyond 1/(2 k²) the approximation is asymptotic: far out it is good to a few per cent, and where a threshold of
    hardly one value's size remains (k 3, one in 1e5) it errs towards fewer alarms."""
    exact = run_length(k, decision_interval(k, stated), 0.0)
    assert 0.6 * stated < exact < 2.5 * stated


def test_overshoot_of_small_shifts_is_siegmunds_constant() -> None:
    """v(d) = exp(-0.583 d) for d below 2, so b = h + 1.166."""
    for shift in (0.25, 0.5, 1.0):
        assert -math.log(overshoot(shift)) / shift == pytest.approx(0.583, abs=0.02)


def handbook() -> list[dict[str, str]]:
    with (DATA / "nist_handbook_charts.csv").open() as file:
        return list(csv.DictReader(file))


def test_cusum_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959; the first signal is at point 14."""
    rows = handbook()
    up, down = Cusum(0.3175, 4.1959), Cusum(0.3175, 4.1959)
    signals = []
    for row in rows:
        z = float(row["cusum_x"]) - 325.0
        if up.update(z) | down.update(-z):
            signals.append(int(row["n"]))
        assert up.sum == pytest.approx(float(row["cusum_high"]), abs=6e-3)
        assert down.sum == pytest.approx(float(row["cusum_low"]), abs=6e-3)
    assert signals == [int(row["n"]) for row in rows if row["cusum_signal"] == "1"]
    assert signals[0] == 14


def test_ewma_of_the_handbook() -> None:
    """6.3.2.4: weight 0.3, start 50; every value lies within 52.5884 and 47.4115, which is 50 ± 3·2.0539·sqrt(0.3/1.7)."""
    moments = Moments(memory=1.0 / 0.3)
    for _ in range(4):  # beyond its memory the recursive mean is the EWMA
        moments.update(50.0)
    half = 3.0 * 2.0539 * math.sqrt(0.3 / 1.7)
    assert (50.0 + half, 50.0 - half) == (pytest.approx(52.5884, abs=2e-4), pytest.approx(47.4115, abs=2e-4))
    for row in handbook():
        moments.update(float(row["ewma_x"]))
        assert moments.mean == pytest.approx(float(row["ewma_z"]), abs=6e-3)
        assert abs(moments.mean - 50.0) < half


def sample(n: int) -> Sample:
    return Sample(n, "x", Stamp(n * 100_000_000, 1_000_000), Quality.GOOD, {}, {}, {})


def take(watch: StepWatch, known: KnownStep, n: int, value: float, size: float) -> None:
    """As the detector does."""
    watch.update(value, sample(n), 1.0)
    known.update(watch, lambda: size)


def signalled(rnd: random.Random, deviations: float) -> tuple[int, int]:
    """Samples after a step down of so many deviations until the CUSUM for its size and the chart of any size signal; 13: not in twelve."""
    watch, known = StepWatch(0.1, 1e-4, PROBABILITY), KnownStep(PROBABILITY)
    found = [13, 13]
    for n in range(412):
        take(watch, known, n, 24.0 + rnd.gauss(0.0, SIGMA_V) - (deviations * SIGMA_V if n >= 400 else 0.0), -deviations * SIGMA_V)
        for k, is_told in enumerate((known.signals, watch.ratio >= 1.0)):
            if is_told:
                assert n >= 400
                found[k] = min(found[k], n - 399)
    return found[0], found[1]


@pytest.mark.parametrize("deviations", [3.0, 4.0])
def test_a_step_of_known_size_is_signalled_sooner_than_one_of_any_size(deviations: float) -> None:
    rnd = fresh_random()
    both = [signalled(rnd, deviations) for _ in range(60)]
    assert sum(known for known, _ in both) < 0.95 * sum(anyhow for _, anyhow in both)


@pytest.mark.parametrize("keep", [0.0, 0.5, 0.8, 0.95])
def test_noise_makes_no_step_of_a_known_size(keep: float) -> None:
    """Independent, or correlated over up to 20 samples; a step of three deviations is waited for in 12,000. Noise that is correlated beyond
    the longest window makes signals now and then (in less than 2 % of samples); what the samples look like then is no step."""
    rnd = fresh_random()
    signals = 0
    for _ in range(4):
        watch, known = StepWatch(0.1, 1e-4, PROBABILITY), KnownStep(PROBABILITY)
        slow = 0.0
        for n in range(3000):
            slow = keep * slow + math.sqrt(1.0 - keep * keep) * rnd.gauss(0.0, SIGMA_V)
            take(watch, known, n, 24.0 + slow, -3.0 * SIGMA_V)
            if known.signals:
                signals += 1
                step = watch.step()
                density = 0.0 if step is None else PathPrior(3.0 * SIGMA_V, 0.15, 0.02).density(abs(step.size), step.uncertainty, 1.0)
                assert step is None or step.doubt(density) > MOST_DOUBT
    assert signals <= (0 if keep <= 0.5 else 240)


@pytest.mark.parametrize("size", [None, -1.5 * SIGMA_V])
def test_a_step_of_unknown_size_or_too_small_a_one_is_not_waited_for(size: float | None) -> None:
    rnd = fresh_random()
    watch, known = StepWatch(0.1, 1e-4, PROBABILITY), KnownStep(PROBABILITY)
    for n in range(412):
        watch.update(24.0 + rnd.gauss(0.0, SIGMA_V) - (10.0 * SIGMA_V if n >= 400 else 0.0), sample(n), 1.0)
        known.update(watch, lambda: size)
        assert not known.signals


def test_small_steps_of_a_known_lead_are_told() -> None:
    """Three deviations, by the whole pipeline: 84 to 87 % of some hundred were found, 54 % by the other chart alone; 70 lie between."""
    rnd = fresh_random()
    assert sum(trial(rnd, 3.0, known=True, fault="sense_lead_off").score > 0.0 for _ in range(100)) > 70
