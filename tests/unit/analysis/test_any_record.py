"""Any record at all: failed polls, doubtful, bad and held channels, clock steps, repeated instants, emptiness. Nothing is raised, no figure
is made up, and how the record is cut into chunks makes no difference. The seed stands in the test's name.
"""

from __future__ import annotations

import dataclasses
import json
import math
import warnings

import numpy as np
import pytest

from loadlog.analysis import AcceptanceLimit, Chunk, Column, DataHealth, DeviceAnalysis, Figure, Span, group_figures, judge
from loadlog.model.clock import NS
from tests.unit.analysis.instruments_of_tests import load, split

SEEDS = range(40)


def any_record(rng: np.random.Generator) -> Chunk:
    n = int(rng.choice([0, 1, 2, 3, 50, 700]))
    steps_s = rng.choice([1.0, 1.0, 1.0, 1.1, 2.0, 0.0], n) * rng.choice(
        [1.0, 1.0, 1.0, 1.0, 50.0, -20.0], n, p=[0.6, 0.2, 0.1, 0.09, 0.005, 0.005]
    )
    t_utc_ns = np.cumsum(np.rint(steps_s * NS).astype(np.int64)) + 1_800_000_000 * NS
    failed = rng.random(n) < rng.choice([0.0, 0.05, 1.0], p=[0.5, 0.45, 0.05])
    level = {"voltage_v": 24.0, "current_a": 5.0, "power_w": 120.0, "temperature_c": 40.0}
    columns = {}
    for name, value in level.items():
        shape = rng.choice(["flat", "noise", "steps", "ramp", "zero", "none"])
        values = {
            "flat": np.full(n, value), "noise": value + rng.normal(0, 0.01, n), "steps": value * (1 + (np.arange(n) // 20) % 2),
            "ramp": value + np.arange(n) * 0.01, "zero": np.zeros(n), "none": np.full(n, np.nan),
        }[shape]  # fmt: skip
        values[rng.random(n) < 0.02] = np.nan
        quality = rng.choice([0, 1, 2], n, p=[0.94, 0.03, 0.03]).astype(np.uint8)
        columns[name] = Column(values, quality, rng.random(n) < rng.choice([0.0, 0.5]))
    return Chunk("load-1", t_utc_ns, np.full(n, NS // 500), failed, columns, np.full(n, NS // 1000))


def figures_of(record: Chunk, *cuts: int) -> dict[object, Figure]:
    times = record.t_utc_ns
    span = Span(int(times[0]), int(times[-1])) if len(times) else Span(0, 0)
    spec = dataclasses.replace(load(), source="battery", cutoff_v=23.0, rated_ah=2.0, group="stack")
    analysis, health = DeviceAnalysis(spec, span, warm_up_s=60.0), DataHealth(spec, span)
    for part in split(record, *cuts):
        analysis.add(part)
        health.add(part)
    json.dumps(health.result().to_json(), allow_nan=False)
    out: dict[object, Figure] = dict(analysis.figures())
    twin = DeviceAnalysis(dataclasses.replace(spec, name="load-2"), span, warm_up_s=60.0)
    twin.add(record)
    out |= {(g.device, g.figure.name): g.figure for g in group_figures([analysis, twin])}
    return out


@pytest.mark.parametrize("seed", SEEDS)
def test_any_record_gives_numbers_or_reasons(seed: int) -> None:
    rng = np.random.default_rng(seed)
    record = any_record(rng)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        whole = figures_of(record)
        cuts = sorted(int(c) for c in rng.integers(0, len(record) + 1, 4))
        parts = figures_of(record, *cuts)
    for key, figure in whole.items():
        json.dumps(figure.to_json(), allow_nan=False)
        assert figure.text()
        verdict = judge(AcceptanceLimit("load-1", "voltage_v", figure.name, low=-1e9, high=1e9), figure)
        if figure.value is None:
            assert figure.why_not, key
            assert str(verdict.decision) == "too incomplete to judge"
        else:
            assert math.isfinite(figure.value), key
            assert figure.uncertainty is not None, key
            assert math.isfinite(figure.uncertainty), key
            assert figure.uncertainty >= 0, key
            low, high = figure.bounds
            assert low <= figure.value + 1e-12 * abs(figure.value), key
            assert high >= figure.value - 1e-12 * abs(figure.value), key
            assert figure.coverage is None or 0.0 <= figure.coverage <= 1.0, key
        other = parts[key]
        assert (other.value is None) == (figure.value is None), key
        if figure.value is not None:
            assert other.value == pytest.approx(figure.value, rel=1e-7, abs=1e-9), key
            assert other.samples == figure.samples, key
