"""`temperature_rising` on heatsinks of two poles with drawn parameters and fresh seeds. Physics: `loadlog.sim.thermal.Heatsink`, held
against the closed form of the first-order step response in tests of the simulator."""

from __future__ import annotations

import itertools
import math
import random
import statistics
from collections.abc import Callable
from dataclasses import replace

import pytest

from loadlog.detectors import Context
from loadlog.detectors.heating import TemperatureRising
from loadlog.detectors.thermal_bank import Bank
from loadlog.detectors.thermal_forecast import Forecast, forecast
from loadlog.model.device import DeviceSpec, LimitSpec
from loadlog.model.event import Finding
from loadlog.model.learned import fact
from loadlog.model.sample import Quality, Sample, Stamp
from loadlog.sim.thermal import Heatsink, HeatsinkForm
from tests.checklists.traces import T0_NS, fresh_random, load_spec


def spec(limit_c: float, period_s: float = 0.5, count_k: float = 0.1) -> DeviceSpec:
    """A load of 400 W whose heatsink is read at every poll."""
    made = load_spec(period_s=period_s, slow=1)
    channels = tuple(replace(c, resolution=count_k, high=None) if c.name == "temperature_c" else c for c in made.channels)
    return replace(made, channels=channels, limits={"temperature_c": LimitSpec(high=limit_c)})


def heatsink(rnd: random.Random, rise_k: float, power_w: float) -> tuple[Heatsink, float]:
    """Two poles that settle ``rise_k`` above the air, and the slow time constant."""
    slow_s, share = math.exp(rnd.uniform(math.log(40), math.log(300))), rnd.uniform(0.1, 0.35)
    form = HeatsinkForm(share * rise_k / power_w, slow_s / rnd.uniform(8, 25), (1 - share) * rise_k / power_w, slow_s)
    return Heatsink(form), slow_s


def run(
    rnd: random.Random, device: DeviceSpec, sink: Heatsink, power_w: float, until_s: float, *, count_k: float = 0.1, idle_s: float = 60.0,
    one: TemperatureRising | None = None, act: Callable[[float], None] = lambda t_s: None,
) -> list[tuple[float, Finding]]:  # fmt: skip
    """What is found, with the time since the power came. ``act``: called with that time before each poll."""
    one, context = one or TemperatureRising(device), Context(device)
    found = []
    for n in range(int((idle_s + until_s) / device.period_s)):
        t_s = n * device.period_s - idle_s
        act(t_s)
        now_w = power_w if t_s > 0 else 0.0
        sink.step(now_w, device.period_s)
        reading = round((25.0 + sink.rise_k + rnd.gauss(0, 0.05)) / count_k) * count_k
        stamp = Stamp(T0_NS + round(n * device.period_s * 1e9), 1_000_000)
        sample = Sample(n + 1, device.name, stamp, Quality.GOOD, {}, {"temperature_c": reading, "power_w": now_w}, {})
        found += [(t_s, f) for f in one.update(sample, context)]
    return found


def crossing_s(sink: Heatsink, power_w: float, limit_c: float) -> float:
    """When a fresh heatsink truly reaches the limit, by the physics itself."""
    t_s = 0.0
    while 25.0 + sink.rise_k < limit_c:
        sink.step(power_w, 0.1)
        t_s += 0.1
    return t_s


def excess(rnd: random.Random, least_k: float) -> tuple[Heatsink, float, float, float]:
    """A drawn heatsink, its power, W, a limit that it will exceed by ``least_k`` to 8 K, °C, and when it reaches that, s."""
    power_w, rise_k = rnd.uniform(100, 350), rnd.uniform(30, 60)
    sink, _ = heatsink(rnd, rise_k, power_w)
    limit_c = 25.0 + rise_k - rnd.uniform(least_k, 8.0)
    return sink, power_w, limit_c, crossing_s(Heatsink(sink._form), power_w, limit_c)


def test_excess_is_told_ahead_with_its_time() -> None:
    rnd = fresh_random()
    told, errors, covered = 0, [], []
    for _ in range(8):
        sink, power_w, limit_c, true_s = excess(rnd, 4.0)
        raised = [(t, f) for t, f in run(rnd, spec(limit_c), sink, power_w, true_s) if not f.clear]
        if raised:
            t_s, finding = raised[0]
            told += 1
            left_s = true_s - t_s
            assert left_s > 0
            errors.append(abs(finding.evidence["time_to_limit_s"] - left_s) / left_s)
            covered.append(finding.evidence["earliest_s"] <= left_s <= finding.evidence["latest_s"])
    print(f"told {told} of 8, errors {[round(e, 2) for e in errors]}, covered {sum(covered)}")
    assert told >= 6
    assert statistics.median(errors) < 0.35


def test_first_climb_that_power_explains_is_told_with_most_of_the_time_left() -> None:
    """Of a body of which nothing is known; the stated probability is that of the limit, not of coming near it."""
    rnd = fresh_random()
    early = 0
    for _ in range(16):
        power_w, rise_k = rnd.uniform(100, 350), rnd.uniform(30, 45)
        sink, _ = heatsink(rnd, rise_k, power_w)
        limit_c = 25.0 + rise_k - rnd.uniform(4, 12)
        true_s = crossing_s(Heatsink(sink._form), power_w, limit_c)
        raised = [(t, f) for t, f in run(rnd, spec(limit_c), sink, power_w, 0.5 * true_s, idle_s=0.0) if not f.clear]
        early += bool(raised) and raised[0][0] <= 0.25 * true_s
        for _, finding in raised:
            assert 0.25 <= finding.confidence <= 0.99
            assert ("probably" in finding.message) == (0.5 < finding.confidence < 0.95)
            assert ("possibly" in finding.message) == (finding.confidence <= 0.5)
    assert early >= 8


def test_warm_up_that_settles_well_below_is_quiet() -> None:
    rnd = fresh_random()
    false = 0
    for _ in range(6):
        power_w, rise_k = rnd.uniform(100, 350), rnd.uniform(30, 60)
        sink, slow_s = heatsink(rnd, rise_k, power_w)
        false += bool(run(rnd, spec(25.0 + rise_k + 8.0), sink, power_w, 6 * slow_s))
    assert false <= 1


@pytest.mark.parametrize("count_k", [0.1, 1.0])
def test_settled_temperature_is_quiet_whatever_its_rounding(count_k: float) -> None:
    rnd = fresh_random()
    sink, _ = heatsink(rnd, 30.0, 200.0)
    for _ in range(3000):
        sink.step(200.0, 1.0)
    assert run(rnd, spec(56.5, 0.5, count_k), sink, 200.0, 1200.0, count_k=count_k, idle_s=0.0) == []


def test_a_fan_that_stops_for_good_is_told_with_most_of_the_time_left_and_one_that_stood_for_a_moment_never() -> None:
    """Without its fan the heatsink would settle at 88 to 110 °C, far above the limit of 80 °C; with it far below. A moment is up to a fifth
    of its time constant; after three tenths of it the same forecast has nearly held long enough, and is seldom told then."""
    rnd = fresh_random()
    early = late = 0
    for _ in range(6):
        power_w, rise_k = rnd.uniform(100.0, 350.0), rnd.uniform(23.0, 28.0)
        for share in (0.1, 0.2, 0.3, math.inf):
            sink, slow_s = heatsink(rnd, rise_k, power_w)
            begin_s, lasts_s = 0.5 * slow_s, share * slow_s  # while it still warms up
            reached: list[float] = []

            def act(t_s: float, sink: Heatsink = sink, begin_s: float = begin_s, lasts_s: float = lasts_s) -> None:
                sink.fan_runs = not begin_s <= t_s < begin_s + lasts_s
                if sink.rise_k > 55.0:
                    reached.append(t_s)  # noqa: B023 - called before the next one is made

            until_s = begin_s + (3.0 if share < math.inf else 12.0) * slow_s
            told = [t_s for t_s, f in run(rnd, spec(80.0, period_s=0.2), sink, power_w, until_s, act=act) if not f.clear]
            if lasts_s < math.inf:
                assert not reached
                assert told == [] or share > 0.2, f"slow time constant {slow_s:.0f} s, stood for {share:g} of it"
                late += bool(told)
            else:
                assert reached
                early += bool(told) and begin_s < told[0] < begin_s + 0.35 * (reached[0] - begin_s)
    assert early >= 5
    assert late <= 1


@pytest.mark.parametrize(("probabilities", "told"), [((0.1, 0.98, 0.98), 2), ((0.1, 0.98, 0.1, 0.98, 0.98), 4), ((0.5, 0.98, 0.98), 1)])
def test_a_forecast_that_makes_an_unlikely_limit_a_likely_one_waits_for_the_next(
    monkeypatch: pytest.MonkeyPatch, probabilities: tuple[float, ...], told: int
) -> None:  # fmt: skip
    """The readings of a few seconds do so while a fan stands for a moment."""
    said = itertools.count()

    def scripted(*_: object) -> Forecast:
        n = next(said)
        probability = probabilities[min(n, len(probabilities) - 1)]
        return Forecast(probability, probability, 10.0 + n, 5.0, 100.0, 90.0, 1.0)

    monkeypatch.setattr("loadlog.detectors.heating.forecast", scripted)
    sink = Heatsink(HeatsinkForm(0.03, 5.0, 0.15, 100.0))
    first = next(f for _, f in run(fresh_random(), spec(60.0), sink, 250.0, 40.0) if not f.clear)
    assert first.evidence["time_to_limit_s"] == 10.0 + told


def test_bank_follows_the_step_response() -> None:
    """Noise-free step response of two known poles: settled temperature and slow time constant come out of it."""
    bank = Bank(200.0, 0.03)
    bank.restart(20.0, 0.0)
    for _ in range(30):
        bank.advance(1.0, 0.0)
        bank.observe(20.0)
    for t in range(1, 301):
        bank.advance(1.0, 200.0)
        bank.observe(20.0 + 15 * (1 - math.exp(-t / 20)) + 35 * (1 - math.exp(-t / 140)))
    assert bank.solve()
    taus = bank.time_constants()
    assert taus is not None
    assert taus[1].tau_s == pytest.approx(140, rel=0.05)
    seen = forecast(bank, 68.0)
    assert seen is not None
    true_s = next(t for t in range(300, 2000) if 15 * (1 - math.exp(-t / 20)) + 35 * (1 - math.exp(-t / 140)) >= 48.0) - 300
    assert seen.time_s == pytest.approx(true_s, rel=0.15)
    assert seen.final_c == pytest.approx(70.0, abs=0.5)


def test_second_climb_is_told_with_what_the_first_has_taught() -> None:
    """Facts pass from one detector to the next as after a restart; told in time, near the truth, and nothing 3 K below the limit."""
    rnd = fresh_random()
    power_w, rise_k = 250.0, 40.0
    form = HeatsinkForm(0.2 * rise_k / power_w, 8.0, 0.8 * rise_k / power_w, rnd.uniform(100, 250))
    first = TemperatureRising(spec(75.0))
    run(rnd, spec(75.0), Heatsink(form), power_w, 4 * form.slow_tau_s, one=first)
    facts = {f.name: f for f in first.learned()}
    assert facts["thermal_time_constant_slow_s"].value == pytest.approx(form.slow_tau_s, rel=0.1)
    limit_c = 25.0 + rise_k - 4.0
    true_s = crossing_s(Heatsink(form), power_w, limit_c)
    second = TemperatureRising(spec(limit_c))
    second.recall(facts)
    told = [(t, f) for t, f in run(rnd, spec(limit_c), Heatsink(form), power_w, true_s, idle_s=0.0, one=second) if not f.clear]
    assert told
    t_s, finding = told[0]
    assert t_s <= 0.25 * true_s
    assert finding.evidence["time_to_limit_s"] == pytest.approx(true_s - t_s, rel=0.5)
    quiet = TemperatureRising(spec(25.0 + rise_k + 3.0))
    quiet.recall(facts)
    assert run(rnd, spec(25.0 + rise_k + 3.0), Heatsink(form), power_w, 5 * form.slow_tau_s, idle_s=0.0, one=quiet) == []


def test_climb_of_a_known_body_is_told_after_a_few_seconds() -> None:
    """Its time constants are given; only amplitudes are asked of the readings, and the limit comes within half a minute."""
    rnd = fresh_random()
    early = 0
    for _ in range(6):
        form = HeatsinkForm(0.03, rnd.uniform(3.0, 6.0), 0.15, rnd.uniform(60.0, 120.0))
        power_w = 350.0
        limit_c = 25.0 + rnd.uniform(0.3, 0.4) * 0.18 * power_w
        given = {"thermal_time_constant_fast_s": form.fast_tau_s, "thermal_time_constant_slow_s": form.slow_tau_s}
        true_s = crossing_s(Heatsink(form), power_w, limit_c)
        device = replace(spec(limit_c, period_s=1.0), fixed=given)
        told = [t for t, f in run(rnd, device, Heatsink(form), power_w, true_s, idle_s=0.0) if not f.clear]
        early += bool(told) and told[0] <= max(0.25 * true_s, 4.5)
    assert early >= 5


def test_time_constants_known_less_well_are_recalled_with_their_own_deviation() -> None:
    """40 % is more than nothing: the bank takes them as its prior, as wide as they are, and no forecast comes of fewer readings."""
    one = TemperatureRising(spec(80.0))
    known = {
        name: fact(name, "s", tau_s, 0.4 * tau_s, 100, 6, ())
        for name, tau_s in (("thermal_time_constant_fast_s", 9.0), ("thermal_time_constant_slow_s", 250.0))
    }
    one.recall(known)
    bank = one._watches[0].bank
    assert bank._prior_slow.tau_s == pytest.approx(250.0)
    assert bank._prior_slow.deviation == pytest.approx(math.hypot(0.4, 0.05))
    assert not bank.is_known


def test_forecast_is_told_again_only_when_it_leaves_the_interval_told_last_or_that_has_halved() -> None:
    """A forecast that drifts within what was told is no news: each state of the event says something that the one before did not."""
    rnd = fresh_random()
    for _ in range(6):
        sink, power_w, limit_c, true_s = excess(rnd, 3.0)
        told = [(t, f) for t, f in run(rnd, spec(limit_c), sink, power_w, true_s) if not f.clear]
        for (before_s, before), (now_s, now) in itertools.pairwise(told):
            passed_s, was, seen = now_s - before_s, before.evidence, now.evidence
            reached_s = passed_s + seen["time_to_limit_s"]
            moved = reached_s < was["earliest_s"] or reached_s > was["latest_s"]
            narrower = seen["latest_s"] - seen["earliest_s"] <= 0.5 * (was["latest_s"] - was["earliest_s"]) + 0.2
            certain = now.confidence >= 0.95 > before.confidence
            assert moved or narrower or certain, (was, seen)
        assert len(told) <= 12


def test_forecast_is_told_again_when_the_limit_will_be_reached_sooner() -> None:
    """The fan stops in the midst of a climb that is told already."""
    rnd = fresh_random()
    for _ in range(4):
        power_w, rise_k = rnd.uniform(100.0, 350.0), rnd.uniform(40.0, 50.0)
        sink, slow_s = heatsink(rnd, rise_k, power_w)
        stops_s = 0.8 * slow_s

        def act(t_s: float, sink: Heatsink = sink, stops_s: float = stops_s) -> None:
            sink.fan_runs = t_s < stops_s

        found = run(rnd, spec(25.0 + rise_k - 2.5), sink, power_w, 4.0 * slow_s, act=act)
        told = [(t + f.evidence["time_to_limit_s"], t, f.evidence) for t, f in found if not f.clear]
        if told and told[0][1] < stops_s:
            _, before_s, before = [one for one in told if one[1] < stops_s][-1]
            sooner_s = min(at_s for at_s, t_s, _ in told if t_s >= stops_s)
            assert sooner_s < before_s + before["earliest_s"]
