"""`noise_changed` of one device, with the physics of the tests' bench. Seeds are fresh and printed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from loadlog.detectors.blocks import Block, condense
from loadlog.detectors.noise_chart import NoiseChart
from loadlog.model.device import DeviceSpec
from loadlog.model.sample import Reading
from loadlog.pipeline import Pipeline
from tests.checklists.traces import Bench, Load, Source, at_s, covers, fresh_random, load_spec, record
from tests.unit.detectors.minutes import MINUTE_S, bench, raised


def delay_of_grown_noise(period_s: float) -> float:
    """One bench whose noise grows, told once, with its factor and onset; the delay in blocks."""
    rnd = fresh_random()
    usual, grown = rnd.uniform(0.8, 2.0), rnd.uniform(2.2, 5.0)
    at, end_s = 80 * period_s * 16, 170 * period_s * 16 + 1200.0
    line = bench(rnd, period_s=period_s, noise=usual)
    at = max(at, 700.0)
    line.at(at, lambda: setattr(line.loads[0], "noise", usual * grown))
    out = record(line, max(end_s, at + 400.0))
    (event,) = [e for e in raised(out) if e.key == "voltage_v"]
    assert (event.kind, event.device) == ("noise_changed", "load-1")
    assert event.evidence["ratio"] == pytest.approx(grown, rel=0.35)
    assert covers(event, at)
    return (at_s(event.detected_utc_ns) - at) / max(10.0, 16 * period_s)


@pytest.mark.parametrize("period_s", [0.1, 0.5, 2.0])
def test_grown_noise_is_found_and_measured(period_s: float) -> None:
    """Always within two rows of blocks, and within one row as a rule: of a noise that barely doubled, two of thirteen blocks of sixteen
    samples fall short of the bound once in some fifty times, and the row begins anew."""
    delays = sorted(delay_of_grown_noise(period_s) for _ in range(5))
    assert delays[-1] < 28
    assert delays[-2] < 14


def test_slow_noise_that_grows_is_noise_too() -> None:
    rnd = fresh_random()
    line = bench(rnd, period_s=0.5, noise=0.3)
    line.source.slow_v, line.source.slow_s = 0.0004, 3.0
    line.at(900.0, lambda: setattr(line.source, "slow_v", 0.006))
    assert "noise_changed" in {e.kind for e in raised(record(line, 1500.0)) if e.key == "voltage_v"}


def test_noise_comes_back_to_the_usual() -> None:
    rnd = fresh_random()
    line = bench(rnd, noise=1.0)
    line.at(900.0, lambda: setattr(line.loads[0], "noise", 6.0))
    line.at(1500.0, lambda: setattr(line.loads[0], "noise", 1.0))
    out = record(line, 2400.0)
    assert {e.kind for e in raised(out)} == {"noise_changed"}
    assert str(out.last("noise_changed").state) == "cleared"


def test_bursts_are_no_change_of_the_noise() -> None:
    rnd = fresh_random()
    line, t_s = bench(rnd, period_s=0.5, noise=1.0), 400.0
    while (t_s := t_s + rnd.uniform(150.0, 400.0)) < 9000.0:
        line.at(t_s, lambda: setattr(line.loads[0], "noise", rnd.uniform(2.0, 8.0)))
        line.at(t_s + rnd.uniform(3.0, 60.0), lambda: setattr(line.loads[0], "noise", 1.0))
    assert raised(record(line, 9000.0)) == []


@pytest.mark.parametrize("step", ["0.001", "0.01"])
def test_a_level_that_creeps_through_its_counts_changes_no_noise(step: str) -> None:
    """Small noise on coarse counts shows or hides as the level lies: three counts an hour."""
    rnd = fresh_random()
    for _ in range(3):
        noise, per_h = rnd.uniform(0.02, 0.25), 3.0 * float(step) * rnd.choice([-1, 1])
        line = bench(rnd, sag=lambda t, r=per_h: r * t / 3600.0, noise=noise, step=step)  # type: ignore[misc]
        line.loads[0].level = rnd.uniform(0.05, 0.3)
        line.source.slow_v = 0.0
        assert raised(record(line, 90 * MINUTE_S)) == []


@pytest.mark.parametrize("counts", [5, 12])
def test_a_converter_coarser_than_its_digits_changes_no_noise(counts: int) -> None:
    """It shows every fifth or twelfth count only: the level creeps through three of its steps an hour."""
    rnd = fresh_random()
    for _ in range(3):
        noise, per_h = counts * rnd.uniform(0.02, 0.25), 0.003 * counts * rnd.choice([-1, 1])
        line = bench(rnd, sag=lambda t, r=per_h: r * t / 3600.0, noise=noise)  # type: ignore[misc]
        line.source.slow_v = 0.0
        pipeline = Pipeline(line.specs, next_seq=1, next_event_id=1)
        told = []
        for item in line.run(90 * MINUTE_S):
            assert isinstance(item, Reading)
            coarse = {name: counts * round((item.counts[name] or 0) / counts) for name in ("voltage_v", "current_a")}
            told += pipeline.feed(replace(item, counts=item.counts | coarse))[1]
        assert [e for e in told if e.kind == "noise_changed"] == []


def test_noise_that_shows_smaller_steps_after_a_while_has_not_shrunk() -> None:
    """At first the reading changed by five counts at least, by chance; then by one."""
    chart = NoiseChart(1e-6, 0.001, None)
    deviates = []
    for n in range(120):
        chart.update(Block(24.0, 0.0, 24.0, 24.0, 1e-7, 0.0, 0.005 if n < 40 else 0.001, 16, 0.015), n)
        deviates.append(chart.deviates)
    assert set(deviates) == {0}
    assert chart.ready


def test_a_level_that_creeps_to_a_narrow_code_changes_no_noise() -> None:
    """Of a code that is a tenth as wide as the others little is seen, and readings go to and fro between those beside it."""
    rnd = fresh_random()

    def code(x: float) -> int:
        return round(x) if abs(x - 2.0) > 1.0 else 2 if abs(x - 2.0) < 0.05 else 1 if x < 2.0 else 3

    chart = NoiseChart(1e-6, 0.001, None)
    for n in range(120):
        level = 6.0 if n < 60 else 2.0
        chart.update(condense([0.001 * code(level + rnd.gauss(0, 0.35)) for _ in range(20)]), n)
        assert abs(chart.deviates) < 12


def test_a_level_that_goes_two_counts_a_reading_hides_no_noise() -> None:
    """Nothing then changes by less, as about a code that the converter lacks; but the level does not stand there."""
    chart = NoiseChart(1e-6, 0.001, None)
    for n in range(60):
        slope = 0.002 * 12 if n >= 45 else 0.0
        chart.update(Block(24.0, slope, 24.0, 24.0 + slope, 0.0009**2, 0.0, 0.002 if slope else 0.001, 16, 0.004 + slope), n)
    assert (chart.ready, chart.deviates) == (True, 0)


@pytest.mark.parametrize(("level_a", "deviates"), [(1.0, -12), (0.01, 0)])
def test_noise_that_an_instrument_cuts_at_zero_has_not_shrunk(level_a: float, deviates: int) -> None:
    """A current goes to nothing in noise of 30 mA, and nothing below zero is shown; elsewhere the same noise has shrunk."""
    rnd = fresh_random()
    chart = NoiseChart(1e-6, 0.01, None)
    for n in range(60):
        mean = 1.0 if n < 45 else level_a
        values = [round(max(mean + rnd.gauss(0, 0.03), 0.0), 2) for _ in range(20)]
        block = condense(values)
        chart.update(block if n < 45 else replace(block, variance=0.012**2), n)
    assert chart.deviates == deviates


def test_fixed_noise_is_not_learned() -> None:
    rnd = fresh_random()
    spec: DeviceSpec = load_spec(period_s=1.0, fixed={"noise_voltage_v": 0.0006})
    line = Bench(rnd, Source(slow_v=0.0), [Load(spec, noise=3.0)])
    pipeline = Pipeline(line.specs, next_seq=1, next_event_id=1)
    out = record(line, 260.0, pipeline)
    (event,) = [e for e in raised(out) if e.key == "voltage_v"]
    assert event.evidence["noise_before"] == 0.0006
    facts = {f.name: f for f in pipeline.learned("load-1").facts}
    assert (facts["noise_voltage_v"].state, facts["noise_voltage_v"].value) == ("fixed", 0.0006)
