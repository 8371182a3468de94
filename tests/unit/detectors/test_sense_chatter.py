"""A sense lead that does not fall off, or come back, from one poll to the next."""

from __future__ import annotations

import math

import pytest

from loadlog.detectors.statistics import alarm_probability
from loadlog.detectors.steps import StepWatch
from loadlog.detectors.unsettled import Unsettled
from loadlog.model.sample import Quality, Sample, Stamp
from tests.checklists.traces import T0_NS, Bench, Load, Record, at_s, covers, fresh_random, load_spec, record

STEP_V = 0.060  # 5 A through 12 mOhm


def play(
    shape: list[float], path_ohm: float | None, until_s: float = 60.0, step: str = "0.001", period_s: float = 0.1, from_s: float = 40.0
) -> Record:
    """The source's voltage at the load moves by these shares of I·R_path from poll to poll, and stays at the last."""
    bench = Bench(fresh_random(), loads=[Load(load_spec(path_resistance_ohm=path_ohm, step=step, period_s=period_s))])
    emf_v = bench.source.emf_v
    for n, share in enumerate(shape):
        bench.at(from_s + 0.5 * period_s + n * period_s, lambda share=share: setattr(bench.source, "emf_v", emf_v - share * STEP_V))  # type: ignore[misc]
    return record(bench, until_s)


def kinds(out: Record) -> list[str]:
    return [e.kind for e in out.raised()]


@pytest.mark.parametrize("path_ohm", [0.012, None])
@pytest.mark.parametrize("share", [0.3, 0.6, 0.8, 0.9])
def test_a_first_reading_that_averages_over_the_instant_hides_no_fallback(share: float, path_ohm: float | None) -> None:
    out = play([share, 1.0], path_ohm)
    assert kinds(out) == ["sense_fallback"]
    event = out.raised()[0]
    assert covers(event, 40.06)
    assert event.evidence["step_v"] == pytest.approx(-STEP_V, abs=0.002)
    assert at_s(event.detected_utc_ns) < 40.05 + 0.6


@pytest.mark.parametrize("path_ohm", [0.012, None])
@pytest.mark.parametrize("shape", [[0.4, 0.9, 0.3], [0.9, 0.5, 0.8, 0.2, 0.6], [0.95, 0.3, 0.7, 0.6, 0.1, 0.8, 0.4]])
def test_a_lead_that_chatters_before_it_falls_off(shape: list[float], path_ohm: float | None) -> None:
    out = play([*shape, 1.0], path_ohm)
    assert kinds(out) == ["sense_fallback"]
    assert covers(out.raised()[0], 40.06)
    assert out.raised()[0].evidence["step_v"] == pytest.approx(-STEP_V, abs=0.002)


@pytest.mark.parametrize("path_ohm", [0.012, None])
@pytest.mark.parametrize(
    "shape", [[0.33, 0.67, 1.0], [0.2, 0.4, 0.6, 0.8, 1.0], [0.5, 0.75, 0.88, 0.94, 0.97, 0.985, 1.0], [0.1 * n for n in range(1, 11)]]
)
def test_a_source_that_settles_by_and_by_is_none(shape: list[float], path_ohm: float | None) -> None:
    assert "sense_fallback" not in kinds(play(shape, path_ohm))


@pytest.mark.parametrize(("period_s", "is_told"), [(0.1, True), (1.0, False)])
def test_what_is_restless_for_longer_than_a_contact_bounces_is_none(period_s: float, is_told: bool) -> None:
    """Twelve polls of it: a second, or twelve, in which a source that has become noisy comes to rest somewhere now and then."""
    shape = [0.4, 0.9, 0.3, 0.8, 0.2, 0.7, 0.5, 0.9, 0.3, 0.6, 0.2, 0.8]
    out = play([*shape, 1.0], None, until_s=1000.0 * period_s, period_s=period_s, from_s=400.0 * period_s)
    assert ("sense_fallback" in kinds(out)) is is_told


@pytest.mark.parametrize("grown", [1.3, 1.5, 1.8])
def test_a_path_that_has_grown_since_it_was_measured_is_suspected_and_both_causes_named(grown: float) -> None:
    event = play([grown], 0.012).raised("sense_fallback")[0]
    assert 0.5 < event.confidence < 0.99
    assert event.alternatives["supply_droop"] == pytest.approx(1.0 - event.confidence, abs=0.01)
    assert event.evidence["suspected"] or grown < 1.5


@pytest.mark.parametrize("shape", [[0.4, 0.9, 0.3, 0.0], [0.9, -0.5, 0.8, -0.2, 0.6, 0.0]])
def test_what_ends_at_the_level_of_before_is_none(shape: list[float]) -> None:
    assert "sense_fallback" not in kinds(play(shape, 0.012))


@pytest.mark.parametrize("path_ohm", [0.012, None])
@pytest.mark.parametrize("away_s", [0.7, 2.0, 3.0, 5.0])
def test_a_lead_that_is_back_before_the_new_level_is_known(away_s: float, path_ohm: float | None) -> None:
    bench = Bench(fresh_random(), loads=[Load(load_spec(path_resistance_ohm=path_ohm))])
    bench.at(40.02, lambda: setattr(bench.loads[0], "sense_ok", False))
    bench.at(40.02 + away_s, lambda: setattr(bench.loads[0], "sense_ok", True))
    out = record(bench, 70.0)
    assert kinds(out) == ["sense_fallback", "sense_restored"]
    assert str(out.last("sense_fallback").state) == "cleared"


@pytest.mark.parametrize("share", [0.3, 0.8])
def test_excursions_of_which_one_began_within_a_reading_are_one_event(share: float) -> None:
    """Its depth is what it settles at, not the mean over the instant."""
    bench = Bench(fresh_random(), loads=[Load(load_spec(path_resistance_ohm=None))])
    source = bench.source
    emf_v = source.emf_v
    for n, begins in enumerate((40.05, 43.05, 46.05, 49.05)):
        for after_s, depth in ((0.0, share if n == 1 else 1.0), (0.1, 1.0), (0.6, 0.0)):
            bench.at(begins + after_s, lambda depth=depth: setattr(source, "emf_v", emf_v - depth * STEP_V))  # type: ignore[misc]
    assert "sense_intermittent" in kinds(record(bench, 60.0))


@pytest.mark.parametrize("gap_s", [0.0, 60.0])
def test_a_bounce_before_a_gap_says_nothing_of_the_level_after_it(gap_s: float) -> None:
    rnd = fresh_random()
    watch = StepWatch(0.1, 0.001, alarm_probability(0.05, 0.1))

    def read(poll: int, level_v: float, since_s: float = 0.0) -> None:
        stamp = Stamp(T0_NS + round((0.1 * poll + since_s) * 1e9), 1_000_000)
        watch.update(
            round(level_v + rnd.gauss(0.0, 0.0007), 3), Sample(poll, "load-1", stamp, Quality.GOOD, {}, {}, {}), 1.0 + 10.0 * since_s
        )

    for poll in range(400):
        read(poll, 24.0)
    for poll, level_v in enumerate((23.94, 23.99, 23.95), 400):
        read(poll, level_v)
    unsettled, found = Unsettled(watch), []
    for poll in range(403, 410):
        read(poll, 23.94, gap_s)
        found.append(unsettled.update(watch))
    sizes = [step.size for step in found if step is not None]
    assert sizes == ([] if gap_s else [pytest.approx(-0.06, abs=0.002)])


@pytest.mark.parametrize("period_s", [0.5, 1.0])
def test_a_battery_that_relaxes_after_a_step_of_the_current_has_not_chattered(period_s: float) -> None:
    """Its level is drawn on as a line, from which it bends away; it comes nearer then, and does not leave again."""
    rnd, found = fresh_random(), []
    for _ in range(12):
        bench = Bench(rnd, loads=[Load(load_spec(path_resistance_ohm=None, period_s=period_s))])
        emf_v, tau_s, depth_v = bench.source.emf_v, rnd.uniform(15.0, 60.0), rnd.choice([-1.0, 1.0]) * rnd.uniform(0.08, 0.3)
        bench.at(100.0, lambda bench=bench: setattr(bench.loads[0], "level", 3.0))  # type: ignore[misc]
        for n in range(1200):
            value = emf_v + depth_v * math.exp(-0.25 * n / tau_s)
            bench.at(100.0 + 0.25 * n, lambda value=value, bench=bench: setattr(bench.source, "emf_v", value))  # type: ignore[misc]
        found += [e.kind for e in record(bench, 400.0).raised() if e.kind.startswith("sense")]
    assert found == []
