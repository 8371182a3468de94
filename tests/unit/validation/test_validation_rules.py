"""Validation: every reason on a reading that deserves it, and silence on readings that do not."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.quantity import Accuracy, Scale, standard_uncertainty
from loadlog.model.sample import FailureCause, PollFailure, Quality, Reading, Sample, Stamp
from loadlog.validation import REASONS, Validator
from loadlog.validation.rules import FrozenRule
from tests.checklists.traces import T0_NS, Bench, Load, fresh_random, load_spec, number, record, thermometer_spec

PERIOD_NS = 100_000_000


def stamp(n: float) -> Stamp:
    """The n-th poll."""
    return Stamp(T0_NS + round(n * PERIOD_NS), 4_000_000)


class Feed:
    """Feeds one validator poll by poll."""

    def __init__(self, device: DeviceSpec) -> None:
        self.validator = Validator(device)
        self.device = device
        self.n = 0

    def __call__(self, **counts: int | None) -> Sample:
        reasons = counts.pop("reasons", {})
        texts = counts.pop("texts", {})
        self.n += 1
        return self.validator.update(Reading(self.device.name, stamp(self.n), counts, reasons, texts), self.n)  # type: ignore[arg-type]


def quiet(feed: Feed, polls: int, rnd: random.Random, v: float = 24.0, i: float = 5.0, noise: float = 0.6) -> list[Sample]:
    """Steady readings with noise in counts."""
    out = []
    for _ in range(polls):
        volt, amp = round(v * 1000 + rnd.gauss(0, noise)), round(i * 1000 + rnd.gauss(0, noise))
        out.append(
            feed(
                voltage_v=volt, current_a=amp, power_w=round(volt * amp * 1e-4), input_on=1, mode=0, protection=0, setpoint=round(i * 1000)
            )
        )
    return out


def test_standard_uncertainty_from_specification() -> None:
    """±(0.05 % + 5 counts of 1 mV) at 12 V is 11 mV, /√3 = 6.351 mV; the resolution alone is 0.2887 counts (JCGM 100, 4.3.7 and
    F.2.2.1)."""
    spec = number("voltage_v", "V", "0.001", Accuracy(0.05, 0.005))
    assert spec.accuracy is not None
    assert spec.accuracy.half_width(12.0) == pytest.approx(0.011)
    assert spec.accuracy.half_width(12.0) / math.sqrt(3) * 1e3 == pytest.approx(6.351, abs=5e-4)
    assert standard_uncertainty(12.0, None, 0.001) * 1e3 == pytest.approx(0.2887, abs=5e-5)
    sample = Feed(DeviceSpec("m", "meter", "b", 0.1, (spec,)))(voltage_v=12_000)
    assert sample.uncertainty["voltage_v"] == pytest.approx(math.hypot(6.351e-3, 0.2887e-3), rel=1e-4)


def test_good_reading_is_good() -> None:
    sample = quiet(Feed(load_spec(slow=1)), 50, fresh_random())[-1]
    assert sample.quality is Quality.GOOD
    assert set(sample.uncertain) <= {"temperature_c"}
    assert sample.good("voltage_v") == pytest.approx(24.0, abs=0.01)
    assert sample.status["input_on"] == 1


def test_failure_gives_a_sample_with_nothing_in_it() -> None:
    feed = Feed(load_spec())
    quiet(feed, 3, fresh_random())
    failure = PollFailure("load-1", stamp(9), FailureCause.CRC, "bad CRC")
    sample = feed.validator.update(failure, 77)
    assert (sample.seq, sample.quality, sample.failure, sample.detail) == (77, Quality.BAD, FailureCause.CRC, "bad CRC")
    assert not sample.values
    assert not sample.counts
    assert sample.good("voltage_v") is None


@pytest.mark.parametrize(
    ("given", "expected"), [("not_a_number", "not_a_number"), ("sentinel", "sentinel"), ("gibberish", "undecodable"), ("", "undecodable")]
)
def test_no_value_keeps_its_reason(given: str, expected: str) -> None:
    feed = Feed(load_spec())
    sample = feed(voltage_v=None, current_a=5000, reasons={"voltage_v": given} if given else {})  # type: ignore[arg-type]
    assert sample.values["voltage_v"] is None
    assert sample.uncertain["voltage_v"] == expected
    assert "voltage_v" in sample.bad
    assert sample.quality is Quality.BAD
    assert sample.counts["voltage_v"] is None


def test_sentinel_count_is_kept_and_has_no_value() -> None:
    sample = Feed(thermometer_spec())(temperature_1_c=251, temperature_2_c=0x7FFF)
    assert sample.values == {"temperature_1_c": 25.1, "temperature_2_c": None}
    assert sample.uncertain == {"temperature_2_c": "sentinel"}
    assert sample.counts["temperature_2_c"] == 0x7FFF


def test_impossible_is_bad_and_kept() -> None:
    sample = Feed(load_spec())(voltage_v=250_000, current_a=1000)
    assert sample.values["voltage_v"] == 250.0
    assert sample.uncertain["voltage_v"] == "impossible"
    assert "voltage_v" in sample.bad


def test_beyond_rating_by_more_than_the_accuracy() -> None:
    """The rating is 40 A, ±(0.1 % + 10 mA) = 50 mA there: 40.04 A may be 40 A, 40.07 A may not."""
    feed = Feed(load_spec())
    assert "current_a" not in feed(voltage_v=5000, current_a=40_040).uncertain
    sample = feed(voltage_v=5000, current_a=40_070)
    assert sample.uncertain["current_a"] == "beyond_rating"
    assert "current_a" not in sample.bad


def test_power_against_voltage_times_current() -> None:
    rnd = fresh_random()
    feed = Feed(load_spec())
    quiet(feed, 30, rnd)
    # 24 V · 5 A = 120 W; bounds: P 0.34 W, V 22 mV · 5 A, I 15 mA · 24 V: 0.81 W and rounding
    near = [feed(voltage_v=24_000, current_a=5000, power_w=12_070) for _ in range(4)][-1]
    far = [feed(voltage_v=24_000, current_a=5000, power_w=12_100) for _ in range(4)][-1]
    assert "power_w" not in near.uncertain
    assert far.uncertain["power_w"] == "power_mismatch"
    assert far.quality is Quality.UNCERTAIN


def test_power_is_not_judged_in_a_step() -> None:
    """During a step V, I and P may come from different averaging windows."""
    feed = Feed(load_spec())
    quiet(feed, 40, fresh_random())
    moving = feed(voltage_v=23_500, current_a=9000, power_w=12_000)
    assert "power_w" not in moving.uncertain


def test_spike_is_marked_once_and_a_step_is_believed_from_its_second_sample() -> None:
    rnd = fresh_random()
    feed = Feed(load_spec())
    quiet(feed, 60, rnd)
    spike = quiet(feed, 1, rnd, v=24.6)[0]
    back = quiet(feed, 1, rnd)[0]
    assert spike.uncertain["voltage_v"] == "possible_spike"
    assert spike.values["voltage_v"] == pytest.approx(24.6, abs=0.01)
    assert "voltage_v" not in back.uncertain
    first, second = quiet(feed, 2, rnd, v=24.6)
    assert first.uncertain["voltage_v"] == "possible_spike"
    assert "voltage_v" not in second.uncertain


def test_step_that_the_current_explains_is_no_spike() -> None:
    rnd = fresh_random()
    feed = Feed(load_spec())
    quiet(feed, 60, rnd)
    sample = quiet(feed, 1, rnd, v=23.6, i=9.0)[0]
    assert not {"voltage_v", "current_a"} & sample.uncertain.keys()


def test_status_explains_a_step_too() -> None:
    rnd = fresh_random()
    feed = Feed(load_spec())
    quiet(feed, 60, rnd)
    sample = feed(voltage_v=24_600, current_a=5000, power_w=12_300, input_on=1, mode=1, protection=0)
    assert "voltage_v" not in sample.uncertain


def test_held_then_stale() -> None:
    """A slow channel due every tenth poll: held in between, stale when older than twice that (and half a due time of slack)."""
    feed = Feed(load_spec(slow=10))
    feed(voltage_v=24_000, current_a=5000, temperature_c=400)
    held = [feed(voltage_v=24_000, current_a=5000) for _ in range(40)]
    assert all("temperature_c" in s.held and s.values["temperature_c"] == 40.0 for s in held)
    assert all("temperature_c" not in s.counts for s in held)
    assert "temperature_c" not in held[18].uncertain
    assert held[-1].uncertain["temperature_c"] == "stale"
    assert "temperature_c" not in feed(voltage_v=24_000, current_a=5000, temperature_c=401).uncertain


def test_channel_never_read_says_so() -> None:
    sample = Feed(load_spec())(voltage_v=24_000, current_a=5000, power_w=12_000)
    assert sample.uncertain["temperature_c"] == "no_value_yet"
    assert sample.values["temperature_c"] is None
    assert sample.quality is Quality.GOOD


def test_off_setpoint_marks_the_setpoint_not_the_reading() -> None:
    feed = Feed(load_spec(slow=1))
    quiet(feed, 5, fresh_random())
    sample = feed(voltage_v=10_000, current_a=4000, power_w=4000, input_on=1, mode=0, protection=0, setpoint=5000)
    assert sample.uncertain["setpoint"] == "off_setpoint"
    assert "current_a" not in sample.uncertain
    within = feed(voltage_v=10_000, current_a=4980, power_w=4980, input_on=1, mode=0, protection=0, setpoint=5000)
    assert "setpoint" not in within.uncertain


def test_identity_against_expected_and_first_seen() -> None:
    expected = Feed(load_spec(identity={"serial": "4711"}))
    assert not expected(voltage_v=1, current_a=1, texts={"serial": "4711"}).bad  # type: ignore[arg-type]
    wrong = expected(voltage_v=1, current_a=1, texts={"serial": "4712"})  # type: ignore[arg-type]
    assert wrong.uncertain["voltage_v"] == "identity_changed"
    assert wrong.quality is Quality.BAD
    assert "4712" in wrong.detail
    assert "voltage_v" in expected(voltage_v=1, current_a=1).bad  # no identity in this poll: the verdict stands
    assert not expected(voltage_v=1, current_a=1, texts={"serial": "4711"}).bad  # type: ignore[arg-type]
    first_seen = Feed(load_spec())
    assert not first_seen(voltage_v=1, current_a=1, texts={"model": "A"}).bad  # type: ignore[arg-type]
    assert first_seen(voltage_v=1, current_a=1, texts={"model": "B"}).bad  # type: ignore[arg-type]


def test_temperature_faster_than_a_sensor_can() -> None:
    """At most 20 K/s: 8 K in 0.1 s is not the measurand, 1.5 K is."""
    feed = Feed(load_spec(slow=1))
    assert "temperature_c" not in feed(temperature_c=400).uncertain
    assert "temperature_c" not in feed(temperature_c=415).uncertain
    assert feed(temperature_c=495).uncertain["temperature_c"] == "too_fast"


def test_charge_counter_may_fall_but_not_race() -> None:
    """At 40 A the counter grows by 1.1 mAh in 0.1 s."""
    spec = load_spec()
    spec = replace(spec, channels=(*spec.channels, number("charge_ah", "A·h", "0.001")))
    feed = Feed(spec)
    assert "charge_ah" not in feed(charge_ah=1000).uncertain
    assert "charge_ah" not in feed(charge_ah=1001).uncertain
    assert "charge_ah" not in feed(charge_ah=0).uncertain
    assert feed(charge_ah=50).uncertain["charge_ah"] == "too_fast"


def test_unknown_mode_number() -> None:
    sample = Feed(load_spec())(mode=9)
    assert sample.uncertain["mode"] == "unknown_code"
    assert sample.status["mode"] == 9


def test_numbers_outside_the_profile_are_ignored() -> None:
    sample = Feed(load_spec())(voltage_v=1, nonsense=4)
    assert "nonsense" not in sample.counts


def test_frozen_after_a_run_that_the_noise_does_not_allow() -> None:
    rnd = fresh_random()
    feed = Feed(load_spec())
    samples = quiet(feed, 6600, rnd, noise=1.0)
    assert not any("frozen" in s.uncertain.values() for s in samples)
    for _ in range(200):
        last = feed(voltage_v=24_001, current_a=round(5000 + rnd.gauss(0, 1)), power_w=12_000)
    assert last.uncertain["voltage_v"] == "frozen"
    assert last.quality is Quality.UNCERTAIN
    assert "voltage_v" not in feed(voltage_v=24_002, current_a=5000, power_w=12_000).uncertain


def test_slow_polls_learn_the_noise_within_half_an_hour() -> None:
    """At 0.5 Hz a block of 200 readings lasts 400 s; ten of them were more than the ten minutes of noise they stand for."""
    rnd = fresh_random()
    rule = FrozenRule(2.0)
    assert not any(rule.update(round(2400.0 + rnd.gauss(0, 1.0))) for _ in range(900))
    assert any(rule.update(2400) for _ in range(100))


@pytest.mark.parametrize(("slope", "expected"), [(-0.7, False), (0.7, False), (-0.002, True), (0.0, True)])
def test_noise_of_another_level_says_nothing_where_the_level_has_moved(slope: float, expected: bool) -> None:
    """In a few polls it goes to a quiet place, a wide code; a level that hardly moved, or drifts slowly, is frozen when it stands."""
    for _ in range(10):
        rnd = fresh_random()
        rule, level, is_fast = FrozenRule(2.0), 540.0, abs(slope) > 0.1
        for _ in range(1000):
            level += 0.0 if is_fast else slope
            assert not rule.update(round(level + rnd.gauss(0, 0.7)))
        for _ in range(15 if is_fast else 0):
            level += slope
            rule.update(round(level + rnd.gauss(0, 0.1)))
        assert any([rule.update(round(level)) for _ in range(150)]) is expected


@pytest.mark.parametrize("noise", [0.0, 0.02, 0.1, 0.2, 0.3, 0.5])
def test_quiet_coarse_channel_is_never_frozen(noise: float) -> None:
    """Levels that wander slowly past the edges of counts, noise below half a count: long runs of equal codes are its nature."""
    rnd = fresh_random()
    rule = FrozenRule(0.1)
    level = 2400.0
    for n in range(60_000):
        level += rnd.gauss(0, 0.003) + (0.001 if n % 20_000 < 10_000 else -0.001)
        assert not rule.update(round(level + rnd.gauss(0, noise)))


def test_noise_that_comes_and_goes_with_the_beat_of_mains_hum_is_not_frozen() -> None:
    """Polls that jitter see hum as noise, but at its crests, where they may stand for seconds. A reading that stops for much longer than it
    ever did is frozen."""
    rnd = fresh_random()
    rule = FrozenRule(0.1)
    for _ in range(300):
        for deviation, seconds in ((3.0, rnd.uniform(6.0, 9.0)), (0.05, rnd.choice([1.0, 1.0, 2.0, 9.0]))):
            level = 2400 + rnd.randint(-3, 3)
            assert not any([rule.update(round(level + rnd.gauss(0, deviation))) for _ in range(round(10 * seconds))])
    assert any(rule.update(2399) for _ in range(400))


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.3])
@pytest.mark.parametrize("counts", [5, 12])
def test_a_quiet_converter_coarser_than_its_digits_is_never_frozen(counts: int, noise: float) -> None:
    """It shows every fifth or twelfth count: what flickers between two of these says nothing of the noise, as between two counts. The level
    stands at the edge of two for a while, and moves on."""
    rnd = fresh_random()
    rule = FrozenRule(1.0)
    for level in (200.5, 200.1, 199.5, 199.0):
        for _ in range(3000):
            assert not rule.update(counts * round(level + rnd.gauss(0, noise)))


def test_current_of_zero_with_the_input_off_is_not_frozen() -> None:
    rnd = fresh_random()
    feed = Feed(load_spec())
    quiet(feed, 6600, rnd, noise=1.0)
    for _ in range(500):
        sample = feed(voltage_v=round(24_100 + rnd.gauss(0, 1)), current_a=0, power_w=0, input_on=0)
        assert "current_a" not in sample.uncertain


def test_noise_is_learned_anew_after_a_step() -> None:
    """A noisy operating point, then one that is quiet by nature: not frozen."""
    rnd = fresh_random()
    feed = Feed(load_spec())
    quiet(feed, 6600, rnd, noise=2.0)
    assert not any("frozen" in s.uncertain.values() for s in quiet(feed, 3000, rnd, v=12.0, i=1.0, noise=0.05))


def test_every_reason_is_documented_and_bad_means_bad() -> None:
    assert all(reason.text and reason.quality in (Quality.UNCERTAIN, Quality.BAD) for reason in REASONS.values())
    rnd = fresh_random()
    bench = Bench(rnd, loads=[Load(load_spec())])
    for sample in record(bench, 20.0).samples:
        assert set(sample.uncertain.values()) <= REASONS.keys()
        assert sample.bad == {c for c, r in sample.uncertain.items() if REASONS[r].quality is Quality.BAD}


def test_same_readings_same_samples_and_the_reading_is_untouched() -> None:
    rnd = fresh_random()
    items = list(Bench(rnd, loads=[Load(load_spec())]).run(30.0))
    before = repr(items)
    first, second = Validator(load_spec()), Validator(load_spec())
    assert [first.update(item, n) for n, item in enumerate(items)] == [second.update(item, n) for n, item in enumerate(items)]
    assert repr(items) == before


def test_numbers_of_absurd_size_do_not_raise() -> None:
    spec = ChannelSpec("voltage_v", "V", "number", Scale.of("0.001"), 0.001, Accuracy(0.05, 0.01))
    feed = Feed(DeviceSpec("m", "meter", "b", 0.1, (spec,)))
    for count in (0, -(1 << 63), 1 << 63, (1 << 200), None, -1):
        feed(voltage_v=count)
