"""One pass over a device, its limits, and the health of its data."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from loadlog.analysis import AcceptanceLimit, Chunk, Column, DeviceAnalysis, Span, check_limit, chunk_of_arrays, chunks_of_samples, judge
from loadlog.analysis.chunk import readings
from loadlog.analysis.device import OF_BATTERIES, STATISTICS
from loadlog.analysis.health import DataHealth
from loadlog.model.clock import NS
from loadlog.model.errors import UsageError
from loadlog.model.quantity import Scale
from loadlog.model.sample import FailureCause, Sample
from tests.unit.analysis.instruments_of_tests import load, split
from tests.unit.store.recorded import failed, sample

HOURS = 3


def soak() -> Chunk:
    t = np.arange(0.0, HOURS * 3600.0)
    i = np.where((t // 600) % 2 == 0, 5.0, 2.0)
    v = 24 - 0.01 * i
    return chunk_of_arrays(t, "load-1", voltage_v=v, current_a=i, power_w=v * i, temperature_c=55 - 30 * np.exp(-t / 1200))


def analysed(*cuts: int) -> DeviceAnalysis:
    analysis = DeviceAnalysis(load(), Span(0, HOURS * 3600 * NS), warm_up_s=1800)
    for part in split(soak(), *cuts):
        analysis.add(part)
    return analysis


def test_every_statistic_is_given_and_says_what_it_rests_on() -> None:
    figures = analysed(100, 5000).figures()
    assert {s for _, s in figures} == set(STATISTICS) - set(OF_BATTERIES)
    for (channel, statistic), figure in figures.items():
        assert figure.name == statistic
        if (channel, statistic) == ("power_w", "temperature_coefficient") or figure.value is None:
            continue
        assert figure.unit, (channel, statistic)
        assert figure.uncertainty is not None
        assert figure.uncertainty > 0, (channel, statistic)
        assert figure.samples > 0
        assert figure.coverage == pytest.approx(1.0), (channel, statistic)
    assert figures["current_a", "charge"].value == pytest.approx(3.5 * HOURS, rel=1e-3)
    assert figures["voltage_v", "output_resistance"].value == pytest.approx(0.01, rel=1e-9)
    assert figures["temperature_c", "warm_up_time_constant"].value == pytest.approx(1200, rel=0.01)


def test_a_load_on_a_battery_has_its_figures_too() -> None:
    """20 mΩ behind a voltage that falls by 0.5 V an hour from 24.5 V: pulses of 3 A; cut-off at 23.6 V under 5 A, 1.6 h after the start."""
    spec = dataclasses.replace(load(), source="battery", cutoff_v=23.6, rated_ah=8.0)
    analysis = DeviceAnalysis(spec, Span(0, HOURS * 3600 * NS))
    t = np.arange(0.0, HOURS * 3600.0)
    i = np.where((t // 600) % 2 == 0, 5.0, 2.0)
    v = 24.5 - 0.5 * t / 3600 - 0.02 * i
    for part in split(chunk_of_arrays(t, "load-1", voltage_v=v, current_a=i, power_w=v * i, temperature_c=0 * t), 599, 600, 601, 7000):
        analysis.add(part)
    figures = analysis.figures()
    assert set(OF_BATTERIES) <= {s for _, s in figures}
    resistance = figures["voltage_v", "internal_resistance"]
    assert resistance.value == pytest.approx(0.02, rel=0.01)
    assert resistance.details["steps"] == 17
    assert "two-current" in resistance.notes[0]
    end_s = next(k for k in range(len(t)) if v[k] <= 23.6)
    true_ah = float(np.trapezoid(i[: end_s + 1], t[: end_s + 1])) / 3600
    assert figures["current_a", "capacity"].value == pytest.approx(true_ah, rel=1e-3)
    assert figures["current_a", "capacity_of_rated"].value == pytest.approx(100 * true_ah / 8.0, rel=1e-3)
    assert figures["voltage_v", "mean_voltage"].value == pytest.approx(24.0, abs=0.2)


def test_a_supply_has_no_capacity() -> None:
    figure = analysed().figure("current_a", "capacity")
    assert figure.value is None
    assert 'source = "battery"' in figure.why_not


def test_pieces_make_no_difference() -> None:
    one, many = analysed().figures(), analysed(1, 2, 999, 1000, 7777).figures()
    for key, figure in one.items():
        other = many[key]
        assert (figure.value is None) == (other.value is None), key
        if figure.value is not None:
            assert other.value == pytest.approx(figure.value, rel=1e-9, abs=1e-12), key
            assert other.uncertainty == pytest.approx(figure.uncertainty, rel=1e-6, abs=1e-12), key
            assert other.coverage == pytest.approx(figure.coverage), key


def test_an_empty_run_gives_reasons_not_numbers() -> None:
    analysis = DeviceAnalysis(load(), Span(0, 3600 * NS))
    for (_, _), figure in analysis.figures().items():
        assert figure.value is None
        assert figure.why_not
        assert "none" in figure.text()


def test_one_sample_and_no_good_sample() -> None:
    for quality in (0, 2):
        analysis = DeviceAnalysis(load(), Span(0, 3600 * NS))
        chunk = soak().where(np.arange(HOURS * 3600) == 0)
        columns = {n: Column.of(c.values, np.full(1, quality)) for n, c in chunk.columns.items()}
        analysis.add(Chunk("load-1", chunk.t_utc_ns, chunk.half_width_ns, chunk.failed, columns))
        figures = analysis.figures()
        assert (figures["voltage_v", "mean"].value is None) == (quality == 2)
        assert figures["current_a", "charge"].value is None
        verdict = judge(AcceptanceLimit("load-1", "voltage_v", "mean", 23.0, 25.0), figures["voltage_v", "mean"])
        assert str(verdict.decision) == "too incomplete to judge"


def test_limits_by_short_names() -> None:
    limit = check_limit(load(), AcceptanceLimit("load-1", "voltage", "max", high=24.5))
    assert (limit.channel, limit.statistic) == ("voltage_v", "maximum")


@pytest.mark.parametrize(
    ("channel", "statistic", "says"),
    [("volts", "mean", "nearest known"), ("voltage_v", "meen", "nearest known: mean"), ("voltage_v", "charge", "charge is of current_a")],
)
def test_limits_that_name_nothing(channel: str, statistic: str, says: str) -> None:
    with pytest.raises(UsageError, match=says):
        check_limit(load(), AcceptanceLimit("load-1", channel, statistic, low=1.0))


def test_held_values_are_not_counted_again() -> None:
    """A slow channel is read in every tenth poll; what it holds in between is no measurement."""
    samples = []
    for k in range(100):
        read = {"temperature_c": 650} if k % 10 == 0 else {}
        samples.append(sample(k, counts={"voltage_v": 24000} | read, held={} if read else {"temperature_c": 650}))
    (chunk,) = chunks_of_samples(samples, ["voltage_v", "temperature_c"])
    assert int(chunk.good("temperature_c").sum()) == 10
    assert int(chunk.good("voltage_v").sum()) == 100


def test_samples_to_chunks_and_health() -> None:
    def poll(k: int) -> Sample:
        if k % 10 == 3:
            return failed(k)
        counts = {"voltage_v": 24000, "current_a": None if k == 7 else 50000}
        return sample(k, counts=counts, bad=frozenset({"voltage_v"} if k == 5 else ()))

    samples = [poll(k) for k in range(100)]
    spec = load(0.1)
    span = Span(samples[0].stamp.t_utc_ns, samples[-1].stamp.t_utc_ns + NS // 10)
    health = DataHealth(spec, span)
    for chunk in chunks_of_samples(samples, ["voltage_v", "current_a"], rows=17):
        health.add(chunk)
    found = health.result()
    assert (found.polls, found.failed, found.expected) == (100, 10, 100)
    assert found.answered_share == pytest.approx(0.9)
    assert found.gap_count == 0  # one missed poll is none
    assert (found.channels["voltage_v"].good, found.channels["voltage_v"].bad) == (89, 11)
    assert (found.channels["current_a"].good, found.channels["current_a"].bad) == (89, 11)
    assert found.half_width.maximum == pytest.approx(3.2e-3)
    assert found.lateness.median == pytest.approx(0.000125, rel=0.13)
    assert found.interval.mean == pytest.approx(0.1)
    assert samples[3].failure is FailureCause.TIMEOUT
    assert found.to_json()["interval_s"]["maximum"] == pytest.approx(0.1)


def test_quantiles_against_sorting() -> None:
    rng = np.random.default_rng(15)
    late = np.exp(rng.normal(-6, 1.5, 20000))
    health = DataHealth(load(), Span(0, 20000 * NS))
    chunk = chunk_of_arrays(np.arange(20000.0), voltage_v=np.zeros(20000))
    health.add(Chunk("load-1", chunk.t_utc_ns, chunk.half_width_ns, chunk.failed, chunk.columns, np.rint(late * NS).astype(np.int64)))
    said = health.result().lateness
    for share, value in ((0.5, said.median), (0.99, said.p99)):
        true = np.quantile(late, share)
        assert true * 0.999 <= value <= true * 1.126
    assert said.maximum == pytest.approx(late.max(), rel=1e-6)


def test_health_of_nothing() -> None:
    found = DataHealth(load(), Span(0, 0)).result()
    assert found.answered_share is None
    assert found.coverage == 0.0
    assert found.interval.mean is None


@pytest.mark.parametrize("scale", [Scale.of("0.001"), Scale.of("0.1", "-40"), Scale.of("0.0000001"), Scale.of("1")])
def test_readings_are_bit_for_bit_those_of_the_pipeline(scale: Scale) -> None:
    rng = np.random.default_rng(16)
    for size in (10, 1 << 20, 1 << 52, (1 << 62)):
        counts = rng.integers(-size, size, 300)
        assert readings(counts, scale).tolist() == [scale.value(int(c)) for c in counts]
