"""Measured discharges through the whole path: validated samples, stored by the real journal, read back, computed.

Wiggins, Allu, Wang, ORNL 2019, doi 10.5281/zenodo.2580327 (MIT, licence beside the data): one 33.1 A·h pouch cell at 1, 2 and 3C, polls 1
to 60 s apart, current rounded to 0.1 A. The test system's own counters arbitrate: −30.34, −29.97, −28.72 A·h; −113.85, −109.77,
−102.06 W·h.

Validation cannot know what the voltage did in the minute between two polls at the end of a discharge and marks some of them as possible
spikes; here they are accepted, and what happens otherwise is tested beside it.
"""

from __future__ import annotations

import csv
import dataclasses
from collections.abc import Callable
from pathlib import Path

import pytest

from loadlog.analysis import (
    AcceptanceLimit,
    Charge,
    Decision,
    DeviceAnalysis,
    Discharge,
    Energy,
    Span,
    against_rated,
    chunk_of_recorded,
    chunks_of_samples,
    judge,
)
from loadlog.analysis.chunk import Chunk
from loadlog.model.clock import NS
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.quantity import Accuracy, Scale
from loadlog.model.run import RunInfo
from loadlog.model.sample import Reading, Stamp
from loadlog.pipeline import Pipeline
from loadlog.store import Archive
from tests.unit.store.recorded import T0, OpenJournal, snapshot

DATA = Path(__file__).parents[1] / "data"
COUNTERS = {"1C": (30.34, 113.85), "2C": (29.97, 109.77), "3C": (28.72, 102.06)}
GAP_S = 150.0  # polls once a minute while nothing changes; one poll that is missing or doubtful is no gap
VOLTAGE = ChannelSpec("voltage_v", "V", "number", Scale.of("0.001"), 0.001, Accuracy(0.02, 0.002))
CURRENT = ChannelSpec("current_a", "A", "number", Scale.of("0.1"), 0.1, Accuracy(0.05, 0.05))
PACK = DeviceSpec("pack", "load", "rack", 40.0, (VOLTAGE, CURRENT))
CHANNELS = ("voltage_v", "current_a")


def rows_of(rate: str) -> list[dict[str, str]]:
    with (DATA / f"pouch33Ah_discharge_{rate}.csv").open() as file:
        return list(csv.DictReader(file))


def store(directory: Path, rate: str, keep: Callable[[float], bool]) -> None:
    """Readings through validation and journal into a recording, as acquisition would give them."""
    pipeline = Pipeline([PACK], next_seq=1, next_event_id=1)
    specs = {"pack": PACK}
    with OpenJournal(directory, specs=specs) as open_journal:
        run = RunInfo("discharge-0001", "discharge", ("pack",), T0 - 600 * NS)
        done = open_journal.journal.start_run(run, snapshot(specs))
        for row in rows_of(rate):
            t_s = float(row["time_s"])
            if not keep(t_s):
                continue
            stamp = Stamp(T0 + round(t_s * NS), 1_000_000)
            counts = {"voltage_v": round(float(row["voltage_V"]) * 1000), "current_a": round(-float(row["current_A"]) * 10)}
            sample, events = pipeline.feed(Reading("pack", stamp, counts))
            open_journal.journal.put_sample(sample)
            open_journal.journal.put_events(events)
        open_journal.flush()
        done.result(20)


def recorded(tmp_path: Path, rate: str, keep: Callable[[float], bool] = lambda t_s: True) -> list[Chunk]:
    store(tmp_path, rate, keep)
    samples = Archive(tmp_path).samples("pack", run="discharge-0001")
    return list(chunks_of_samples(samples, CHANNELS, rows=50, accept={"possible_spike"}))


def end_s(rate: str) -> float:
    return float([r for r in rows_of(rate) if r["phase"] == "discharge"][-1]["time_s"])


def discharge_only(chunk: Chunk, rate: str) -> Chunk:
    """From the last sample of the rest on, as the counters restart there; the rest after it counts nothing."""
    return chunk.between(T0, T0 + round((end_s(rate) + 0.5) * NS))


@pytest.mark.parametrize("rate", COUNTERS)
def test_charge_and_energy_as_the_test_system_s_counters(tmp_path: Path, rate: str) -> None:
    """A·h within 0.1 %, W·h within 0.5 % of the counters."""
    charge, energy = Charge(CURRENT, GAP_S), Energy(VOLTAGE, CURRENT, GAP_S)
    for chunk in recorded(tmp_path, rate):
        part = discharge_only(chunk, rate)
        charge.add(part)
        energy.add(part)
    ah, wh = COUNTERS[rate]
    assert charge.figure().value == pytest.approx(ah, rel=1e-3)
    assert energy.figure().value == pytest.approx(wh, rel=5e-3)
    for figure, true in ((charge.figure(), ah), (energy.figure(), wh)):
        assert figure.coverage == 1.0
        assert not figure.notes
        # Two instruments: the uncertainty said, and the counter's resolution of 0.01, cover the difference.
        assert abs(figure.value - true) < 2 * figure.uncertainty + 0.01


@pytest.mark.parametrize("rate", COUNTERS)
def test_capacity_to_the_cutoff_finds_the_discharge_by_itself(tmp_path: Path, rate: str) -> None:
    """Rest, discharge and rest in one record; the cell was discharged to 3.0 V. Rated 33.1 A·h."""
    lowest_v = min(float(r["voltage_V"]) for r in rows_of(rate) if r["phase"] == "discharge")
    discharge = Discharge(VOLTAGE, CURRENT, GAP_S, cutoff_v=lowest_v)
    for chunk in recorded(tmp_path, rate):
        discharge.add(chunk)
    ah, wh = COUNTERS[rate]
    capacity = discharge.capacity()
    assert capacity.value == pytest.approx(ah, rel=1e-3)
    assert discharge.energy().value == pytest.approx(wh, rel=5e-3)
    assert discharge.mean_voltage().value == pytest.approx(wh / ah, rel=5e-3)
    assert against_rated(capacity, 33.1).value == pytest.approx(100 * ah / 33.1, rel=1e-3)


@pytest.mark.parametrize("rate", COUNTERS)
def test_without_the_doubtful_samples_the_counters_lie_within_the_bounds(tmp_path: Path, rate: str) -> None:
    """Strictly good samples only, as columns from the store: less is seen, that is said, and the bounds hold the truth."""
    store(tmp_path, rate, lambda t_s: True)
    span = Span(T0, T0 + round(end_s(rate) * NS))
    charge, energy = Charge(CURRENT, GAP_S), Energy(VOLTAGE, CURRENT, GAP_S)
    for arrays in Archive(tmp_path).arrays_by_parts("pack", "discharge-0001", rows=40):
        part = discharge_only(chunk_of_recorded(arrays), rate)
        charge.add(part)
        energy.add(part)
    for figure, true in ((charge.figure(span), COUNTERS[rate][0]), (energy.figure(span), COUNTERS[rate][1])):
        assert figure.low * 0.995 <= true <= figure.high * 1.005
        assert figure.value == pytest.approx(true, rel=0.02)
    assert charge.figure(span).coverage == pytest.approx(1.0)


def test_a_gap_of_twelve_minutes(tmp_path: Path) -> None:
    """The 1C discharge without a 720 s stretch, 6.12 A·h at 30.6 A: bridged as the counter, unbridged 6.12 A·h less, coverage 79.8 %; both
    are said."""
    charge = Charge(CURRENT, GAP_S)
    for chunk in recorded(tmp_path, "1C", keep=lambda t_s: not 1020 < t_s < 1740):
        charge.add(discharge_only(chunk, "1C"))
    figure = charge.figure()
    (gap,) = charge.walk.gaps
    assert gap.length_s == 720.0
    assert figure.coverage == pytest.approx(0.798, abs=5e-4)
    assert figure.details["bridged_ah"] == pytest.approx(COUNTERS["1C"][0], rel=1e-3)
    assert figure.details["bridged_ah"] - figure.value == pytest.approx(6.12, rel=1e-6)
    assert figure.low == figure.value  # the load may have been off
    assert figure.low <= COUNTERS["1C"][0] <= figure.high + 0.01  # what a counter of this resolution may round
    at_least_24 = AcceptanceLimit("pack", "current_a", "charge", low=24.0)
    at_least_29 = AcceptanceLimit("pack", "current_a", "charge", low=29.0)
    assert judge(at_least_24, figure).decision is Decision.INCOMPLETE  # shown, but four fifths of the time is not the whole
    assert judge(at_least_24, figure, min_coverage=0.75).decision is Decision.PASS
    assert judge(at_least_29, figure, min_coverage=0.75).decision is Decision.UNDECIDED


def test_one_pass_over_the_whole_record(tmp_path: Path) -> None:
    rows = rows_of("1C")
    span = Span(T0 + round(float(rows[0]["time_s"]) * NS), T0 + round(float(rows[-1]["time_s"]) * NS))
    analysis = DeviceAnalysis(PACK, span, bin_s=60.0)
    for chunk in recorded(tmp_path, "1C"):
        analysis.add(chunk)
    charge = analysis.figure("current", "charge")
    assert charge.value == pytest.approx(COUNTERS["1C"][0], rel=2e-3)
    assert analysis.figure("voltage", "min").value == 3.0
    # nobody said that the source is a battery: its voltage is at no level, so nothing is said of its regulation
    refused = analysis.figure("voltage_v", "output_resistance")
    assert refused.value is None
    assert refused.why_not.startswith("cannot be determined: the voltage kept to no one level")


def test_a_battery_that_was_named_one_has_an_output_resistance(tmp_path: Path) -> None:
    """The one discharge pulse of this record: U falls with the current and with the charge drawn, which the note says."""
    rows = rows_of("1C")
    span = Span(T0 + round(float(rows[0]["time_s"]) * NS), T0 + round(float(rows[-1]["time_s"]) * NS))
    analysis = DeviceAnalysis(dataclasses.replace(PACK, source="battery"), span, bin_s=60.0)
    for chunk in recorded(tmp_path, "1C"):
        analysis.add(chunk)
    resistance = analysis.figure("voltage_v", "output_resistance")
    assert resistance.value is not None
    assert any("discharge" in note for note in resistance.notes)
