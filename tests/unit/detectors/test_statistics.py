"""The statistics that the detectors use, against published values and against their own stated rates."""

from __future__ import annotations

import csv
import math
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from loadlog.detectors.sense_causes import PathPrior
from loadlog.detectors.statistics import Moments, StepChart, Trend, alarm_probability, student_quantile, two_sided_quantile
from loadlog.detectors.steps import MEMORY, MOST_DOUBT, MOST_KEPT, WINDOWS, StepWatch
from loadlog.model.sample import Quality, Sample, Stamp
from tests.checklists.traces import fresh_random
from tests.events.optimum import optimum

DATA = Path(__file__).parents[2] / "data"
MISSED = 99


def strd(name: str) -> list[float]:
    """A univariate set of the NIST Statistical Reference Datasets."""
    made = {
        "NumAcc1": [10000001.0, 10000003.0, 10000002.0],
        "NumAcc2": [1.2, *[1.1, 1.3] * 500],
        "NumAcc3": [1000000.2, *[1000000.1, 1000000.3] * 500],
        "NumAcc4": [10000000.2, *[10000000.1, 10000000.3] * 500],
    }
    if name in made:
        return made[name]
    with (DATA / "nist_strd_univariate.csv").open() as file:
        return [float(row["value"]) for row in csv.DictReader(file) if row["dataset"] == name]


def certified(name: str, quantity: str) -> float:
    """Certified value of NIST."""
    with (DATA / "nist_strd_certified.csv").open() as file:
        return next(float(row["certified"]) for row in csv.DictReader(file) if (row["dataset"], row["quantity"]) == (name, quantity))


def correct_digits(value: float, reference: float) -> float:
    """Log relative error, the usual measure for these sets."""
    return 15.0 if value == reference else -math.log10(abs(value - reference) / abs(reference))


@pytest.mark.parametrize("name", ["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4", "Michelso", "Mavro"])
def test_recursive_moments_on_nist_strd(name: str) -> None:
    """NIST StRD, univariate: at least 8 correct digits; a sum of squares gets 1.1 on NumAcc3 and a negative variance on NumAcc4."""
    moments = Moments()
    for value in strd(name):
        moments.update(value)
    assert correct_digits(moments.mean, certified(name, "mean")) >= 8
    assert correct_digits(math.sqrt(moments.variance), certified(name, "standard_deviation")) >= 8


def test_moments_forget() -> None:
    moments = Moments(memory=50)
    for value in [0.0] * 1000 + [10.0] * 1000:
        moments.update(value)
    assert moments.mean == pytest.approx(10.0, abs=1e-6)
    assert moments.variance == pytest.approx(0.0, abs=1e-3)


def test_trend_is_the_least_squares_line_while_nothing_fades() -> None:
    """Against the closed formula of a straight-line fit, evaluated at the newest point."""
    rnd = fresh_random()
    values = [24.0 - 0.01 * n + rnd.gauss(0, 0.1) for n in range(60)]
    trend = Trend(1000)
    for value in values:
        trend.update(value)
    n = len(values)
    mean_x, mean_y = (n - 1) / 2, sum(values) / n
    slope = sum((x - mean_x) * (y - mean_y) for x, y in enumerate(values)) / sum((x - mean_x) ** 2 for x in range(n))
    assert trend.slope == pytest.approx(slope, rel=1e-9)
    assert trend.level == pytest.approx(mean_y + slope * (n - 1 - mean_x), rel=1e-9)


@pytest.mark.parametrize(
    ("freedom", "two_sided", "expected"), [(10, 0.01, 3.169), (30, 0.01, 2.750), (30, 0.001, 3.646), (120, 0.001, 3.373)]
)
def test_student_quantile(freedom: float, two_sided: float, expected: float) -> None:
    """Tables of Student's t (as printed in statistics texts; values from memory, scipy agrees)."""
    assert student_quantile(two_sided_quantile(two_sided), freedom) == pytest.approx(expected, rel=0.01)


def test_alarm_probability() -> None:
    """1,000 h at 10 Hz are 36 million polls."""
    assert 1.0 / alarm_probability(1.0, 0.1) == pytest.approx(36e6)
    assert two_sided_quantile(0.0026998) == pytest.approx(3.0, abs=1e-4)


def run_lengths(chart: str) -> list[tuple[str, float, float]]:
    """(design, shift in sigma, average run length) in arl.csv (Lucas and Saccucci 1990; Montgomery)."""
    with (DATA / "arl.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["chart"] == chart]
    return [(row["design"], float(row["shift_sigma"]), float(row["arl"])) for row in rows]


def design(text: str) -> tuple[float, float]:
    """Both numbers of "name=number name=number"."""
    first, second = (float(part.partition("=")[2]) for part in text.split())
    return first, second


@pytest.mark.parametrize(("text", "shift", "expected"), run_lengths("ewma two-sided"))
def test_run_length_of_means_that_fade(text: str, shift: float, expected: float) -> None:
    """The detectors' recursive mean, once older than its memory, *is* the EWMA of weight 1/memory; limits as in the tables, from the target
    and for an old chart."""
    rnd = fresh_random()
    weight, width = design(text)
    limit = width * math.sqrt(weight / (2.0 - weight))
    total, runs = 0, int(min(2000, 120_000 / expected))
    for _ in range(runs):
        moments = Moments(memory=1.0 / weight)
        for _ in range(math.ceil(1.0 / weight)):
            moments.update(0.0)
        while abs(moments.mean) <= limit:
            moments.update(rnd.gauss(shift, 1.0))
            total += 1
    deviation = expected / math.sqrt(runs)  # run lengths scatter at most as geometric ones
    assert abs(total / runs - expected) < 4.5 * deviation


@pytest.mark.parametrize(("text", "shift", "expected"), run_lengths("shewhart"))
def test_run_length_of_the_chart_with_one_window(text: str, shift: float, expected: float) -> None:
    """The detectors' chart with a single window of one sample and known noise *is* a Shewhart chart; three sigma is P = 0.0027."""
    rnd = fresh_random()
    assert text == "3 sigma"
    chart = StepChart((1,), 0.0026998, 0.0)
    chart.fix(1.0)
    runs = int(min(2000, 400_000 / expected))
    total = 0
    for _ in range(runs):
        length = 1
        while chart.update((rnd.gauss(shift, 1.0),), learn=False) < 1.0:
            length += 1
        total += length
    deviation = expected / math.sqrt(runs)  # run lengths are geometric
    assert abs(total / runs - expected) < 4.5 * deviation


def test_false_alarm_rate_of_the_windows_is_below_what_is_stated() -> None:
    """Bonferroni is conservative: never above, and not idle either."""
    rnd = fresh_random()
    chart = StepChart(WINDOWS, 0.01, 0.0)
    chart.fix(1.0)
    alarms, polls = 0, 120_000
    residuals = [0.0] * 12
    for _ in range(polls):
        residuals = [*residuals[1:], rnd.gauss(0, 1)]
        alarms += chart.update(residuals, learn=False) >= 1.0
    assert 0.2 * 0.01 * polls < alarms < 1.1 * 0.01 * polls


@pytest.mark.parametrize("still", [40, 400, 2000])
def test_noise_that_comes_after_readings_that_stood_still_is_learned(still: int) -> None:
    """A level in the middle of a count shows none: all readings are equal, and then it moves on, or the source is another one."""
    rnd, quantum, sigma = fresh_random(), 0.001, 0.004
    chart, residuals, ratio = StepChart(WINDOWS, 1e-9, quantum), [0.0] * 12, 0.0
    for n in range(still + 6000):
        residuals = [*residuals[1:], 0.0 if n < still else round(rnd.gauss(0.0, sigma) / quantum) * quantum]
        ratio = chart.update(residuals, learn=True)
    assert ratio < 1.0
    for index, window in enumerate(WINDOWS):
        assert chart.scale(index) == pytest.approx(sigma / window**0.5, rel=0.25)


@pytest.mark.parametrize("resolution", [1e-4, 1e-3])
@pytest.mark.parametrize("delta", [5.0, 6.0, 8.0, 12.0, 25.0])
def test_delay_of_the_chart_against_the_optimum(delta: float, resolution: float) -> None:
    """Beyond the shortest delay of any rule at the same false-alarm rate (Lorden 1971, Moustakides 1986, solved by `optimum`): at most two
    samples in the median, and little more in the mean. The optimum knows size and noise; here the size is expected within 15 %, as with a
    known path, and baseline and noise are learned."""
    rnd = fresh_random()
    probability = alarm_probability(0.05, 0.1)
    best_mean, best_median = optimum(delta, 1.0 / probability)
    delays = sorted(_delay(rnd, delta, probability, resolution, is_expected=True) for _ in range(101))
    found = [d for d in delays if d < MISSED]
    assert delays[50] - best_median <= 2
    assert sum(found) / len(found) - best_mean <= 2.5  # 1.6 to 2.1 in 300 each; a mean of 101 scatters by 0.1
    assert len(found) >= 97  # five misses have P < 0.004 at a true share of 1 %


def test_steps_of_any_size_are_found_later_but_found() -> None:
    """Nothing is known of the size: 8 sigma in at least 95 % (nine misses in 101 have P < 0.06 at 5 %, none was seen in 600)."""
    rnd = fresh_random()
    probability = alarm_probability(0.05, 0.1)
    delays = sorted(_delay(rnd, 8.0, probability, 1e-3, is_expected=False) for _ in range(101))
    assert delays[93] <= 12
    assert delays[50] <= 6


def _delay(rnd: random.Random, delta: float, probability: float, resolution: float, *, is_expected: bool) -> int:
    """Samples from the step's first one on until it is named; `MISSED` when it never is."""
    watch, size = StepWatch(0.1, resolution, probability), delta * 1e-3
    offset = rnd.random() * resolution
    for n in range(450):
        value = 24.0 + offset + rnd.gauss(0, 1e-3) - (size if n >= 400 else 0.0)
        watch.update(round(value / resolution) * resolution, _sample(n), 1.0)
        step = watch.step() if watch.ratio >= 1.0 else None
        if step is None:
            continue
        density = PathPrior(size, 0.15, 0.02).density(abs(step.size), step.uncertainty, 1.0) if is_expected else step.broad_density()
        if step.doubt(density) <= MOST_DOUBT:
            assert n >= 400
            return n - 399
    return MISSED


@pytest.mark.parametrize("factor", [2.0, 4.0, 8.0, 16.0])
def test_bursts_of_noise_seldom_pass_for_steps(factor: float) -> None:
    """Each burst lasts 3 s, and each is this watch's first. Imitations of a step of any size: at most 1 % of bursts."""
    rnd = fresh_random()
    found, bursts = 0, 0
    while bursts < 150:
        watch = StepWatch(0.1, 1e-3, alarm_probability(0.05, 0.1))
        for n in range(600):
            noise = factor if n > 300 and n % 100 >= 70 else 1.0
            watch.update(round(24.0 + rnd.gauss(0, 1e-3 * noise), 3), _sample(n), 1.0)
            if watch.ratio >= 1.0 and watch.clear_step() is not None:
                found += 1
                watch.restart()
        bursts += 3
    assert found <= 5


def _sample(n: int) -> Sample:
    return Sample(n, "x", Stamp(n * 100_000_000, 1_000_000), Quality.GOOD, {}, {}, {})


def _false_steps(values: Iterator[float], resolution: float, period_s: float = 0.1) -> int:
    watch = StepWatch(period_s, resolution, alarm_probability(0.05, period_s))
    found = 0
    for n, value in enumerate(values):
        watch.update(round(value / resolution) * resolution, _sample(n), 1.0)
        if watch.ratio >= 1.0 and watch.clear_step() is not None:
            found += 1
            watch.restart()
    return found


@pytest.mark.parametrize(("resolution", "white", "slow", "keep"), [
    (0.001, 0.0006, 0.0006, 0.95), (0.001, 0.0003, 0.002, 0.995), (0.01, 0.0006, 0.003, 0.999),
    (0.01, 0.004, 0.004, 0.9), (0.001, 0.0, 0.0006, 0.9),
])  # fmt: skip
def test_correlated_and_coarse_noise_makes_no_steps(resolution: float, white: float, slow: float, keep: float) -> None:
    rnd = fresh_random()

    def noise() -> Iterator[float]:
        state = 0.0
        for _ in range(60_000):
            state = keep * state + math.sqrt(1 - keep * keep) * rnd.gauss(0, slow)
            yield 24.0 + state + rnd.gauss(0, white)

    assert _false_steps(noise(), resolution) == 0


@pytest.mark.parametrize("slope_v", [1e-5, 1e-4, 1e-3, -5e-3])
def test_ramps_are_no_steps(slope_v: float) -> None:
    """Rest, a ramp, rest: kinks, but no steps."""
    rnd = fresh_random()

    def ramp() -> Iterator[float]:
        level = 24.0
        for n in range(6000):
            level += slope_v if n % 2000 > 1000 else 0.0
            yield level + rnd.gauss(0, 0.0006)

    assert _false_steps(ramp(), 0.001) == 0


@pytest.mark.parametrize("samples", [5, 7, 9])
def test_ramps_that_end_are_no_steps(samples: int) -> None:
    """A supply that follows the mains down within some polls and stays there: five to ten deviations in all. A few may pass: one in two
    hundred is allowed, and twelve in six hundred have P < 1e-4 then."""
    rnd = fresh_random()

    def droops() -> Iterator[float]:
        for _ in range(300):
            size = rnd.uniform(0.0035, 0.007)
            for n in range(200):
                down = min(max((n - 150) / samples, 0.0), 1.0)
                yield 24.0 - size * (down if n < 175 else max(1.0 - (n - 175) / samples, 0.0)) + rnd.gauss(0, 0.0006)

    assert _false_steps(droops(), 0.001) < 12


def test_a_spike_is_no_step() -> None:
    rnd = fresh_random()

    def spikes() -> Iterator[float]:
        for n in range(6000):
            yield 24.0 + rnd.gauss(0, 0.0006) + (rnd.choice((-1, 1)) * rnd.uniform(0.003, 0.5) if n % 300 == 299 else 0.0)

    assert _false_steps(spikes(), 0.001) == 0


def test_onset_interval_holds_the_step() -> None:
    """The step lies between samples 1149 and 1150."""
    rnd = fresh_random()
    hits = 0
    for _ in range(60):
        watch = StepWatch(0.1, 1e-4, alarm_probability(0.05, 0.1))
        for n in range(1200):
            watch.update(24.0 + rnd.gauss(0, 1e-3) - (6e-3 if n >= 1150 else 0.0), _sample(n), 1.0)
            step = watch.clear_step() if watch.ratio >= 1.0 else None
            if step is not None:
                hits += step.onset.earliest_utc_ns <= 114_950_000_000 <= step.onset.latest_utc_ns
                assert step.size == pytest.approx(-6e-3, abs=5 * step.uncertainty)
                break
    assert hits >= 57


def test_no_step_is_so_large_that_it_is_missed() -> None:
    """Of 30 counts and more, on a level that wanders, so that the line that is followed changes now and then: also just before the step."""
    rnd = fresh_random()
    for _ in range(400):
        watch = StepWatch(0.1, 1e-3, alarm_probability(0.05, 0.1))
        begin, size, slow, found = rnd.randrange(120, 300), rnd.choice((-1.0, 1.0)) * 10.0 ** rnd.uniform(1.5, 3.0), 0.0, False
        for n in range(begin + 6):
            slow = 0.95 * slow + rnd.gauss(0.0, 3e-4)
            watch.update(round(5.4 + slow + rnd.gauss(0.0, 4e-4) + (1e-3 * size if n >= begin else 0.0), 3), _sample(n), 1.0)
            found = found or (n >= begin and watch.ratio >= 1.0 and watch.clear_step() is not None)
        assert found, f"{size:.0f} counts after {begin} samples"


def test_memory_of_a_watch_is_bounded() -> None:
    watch = StepWatch(0.1, 0.001, 1e-9)
    for n in range(3 * MEMORY):
        watch.update(24.0, _sample(n), 1.0)
    assert max(len(getattr(watch, name)) for name in ("_values", "_elapsed", "_residuals", "_begins", "_ends")) <= MOST_KEPT
