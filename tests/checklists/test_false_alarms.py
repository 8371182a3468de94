"""Benign benches over many simulated hours with a fresh seed: warm-up drift, battery sag, ordered steps of the load, the input ordered off
and on, bursts of noise, slow source noise, quantisation from fine to coarse, every mode, local and remote sense, polls from 0.5 to 50 Hz.
Not one event is right here.

Physics only, no detector's constant is used. The time is bounded, so the figure that a run can prove is about one false alarm per some
hundred hours and device; it is printed. LOADLOG_HOURS_S (seconds of wall time for each rate) runs it longer.
"""

from __future__ import annotations

import math
import os
import random
import time
from collections import Counter

import pytest

from loadlog.model.event import Event
from loadlog.pipeline import Pipeline
from tests.checklists.traces import T0_NS, Bench, Load, Source, fresh_random, load_spec, meter_spec

BUDGET_S = float(os.environ.get("LOADLOG_HOURS_S", "5"))
FULL = {"CC": 9.0, "CP": 200.0}  # within 400 W at 40 V


def benign_source(rnd: random.Random, mode: str, hours: float) -> Source:
    """A supply, a supply that warms up, or a battery."""
    source = Source(
        emf_v=rnd.uniform(23, 25), ohm=rnd.uniform(0.002, 0.08), slow_v=10 ** rnd.uniform(-4.5, -2.3), slow_s=10 ** rnd.uniform(0, 2)
    )
    end_s = hours * 3600
    kind = "supply" if mode == "CV" else rnd.choice(["supply", "warm-up", "battery"])
    if mode == "CV":
        source.ohm = rnd.uniform(0.1, 0.3)
    if kind == "warm-up":
        drift_v, tau_s = rnd.uniform(-0.05, 0.05), rnd.uniform(60, 900)
        source.sag = lambda t: drift_v * (1 - math.exp(-t / tau_s))
    if kind == "battery":
        source.emf_v = 40.0
        source.sag = lambda t: 8 * t / end_s + 40 * max(0.0, t / end_s - 0.85) ** 1.5 + 0.3 * math.exp(-t / 60)
    return source


def benign_bench(rnd: random.Random, hours: float, period_s: float) -> tuple[Bench, Pipeline]:
    """A drawn bench with a drawn timetable of things that are in order."""
    mode, step = rnd.choice(["CC", "CC", "CC", "CV", "CP", "CR"]), rnd.choice(["0.001", "0.01"])
    remote = rnd.random() < 0.7
    path = rnd.choice([None, 0.012, 0.03]) if remote else None
    spec = load_spec(
        period_s=period_s, step=step, slow=rnd.choice([1, 5, 10]), sense="remote" if remote else "local", path_resistance_ohm=path,
        status=rnd.random() < 0.8,
    )  # fmt: skip
    source = benign_source(rnd, mode, hours)
    level = {"CC": rnd.uniform(0.5, 9), "CV": source.emf_v - rnd.uniform(0.3, 1.5), "CP": rnd.uniform(20, 150), "CR": rnd.uniform(5, 20)}[
        mode
    ]
    noise = rnd.uniform(0.05, 1.5) * (0.3 if step == "0.01" else 1.0)
    load = Load(spec, mode, level, path_ohm=rnd.uniform(0.005, 0.05), noise=noise)
    bench = Bench(rnd, source, [load], [meter_spec()] if rnd.random() < 0.4 else [], jitter_s=period_s * 0.02, half_width_s=period_s * 0.04)
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    _plan(rnd, bench, pipeline, hours)
    return bench, pipeline


def _plan(rnd: random.Random, bench: Bench, pipeline: Pipeline, hours: float) -> None:
    load = bench.loads[0]
    usual = load.noise

    def order(channel: str, attribute: str, value: float | bool) -> None:
        pipeline.order(load.spec.name, channel, float(value), T0_NS + round(bench.t_s * 1e9))
        setattr(load, attribute, value)

    def step_level() -> None:
        new = load.level * rnd.uniform(0.6, 1.5)
        if load.mode == "CR":
            order("setpoint", "level", round(max(new, 5.0), 3))
        elif load.mode != "CV":
            order("setpoint", "level", round(min(max(new, 0.3), FULL[load.mode]), 3))

    t_s = 0.0
    while (t_s := t_s + 60 + rnd.expovariate(1 / 600)) < hours * 3600:
        bench.at(t_s, step_level)
    t_s = 0.0
    while (t_s := t_s + 200 + rnd.expovariate(1 / 1800)) < hours * 3600:
        end_s = t_s + rnd.uniform(3, 60)
        if rnd.random() < 0.5 and load.spec.channel("input_on"):
            bench.at(t_s, lambda: order("input_on", "input_on", False))
            bench.at(end_s, lambda: order("input_on", "input_on", True))
        else:
            bench.at(t_s, lambda: setattr(load, "noise", usual * rnd.uniform(2, 6)))
            bench.at(end_s, lambda: setattr(load, "noise", usual))


@pytest.mark.long
@pytest.mark.parametrize(("period_s", "hours"), [(2.0, 10.0), (0.5, 4.0), (0.1, 1.0), (0.02, 0.25)])
def test_benign_hours_raise_nothing(period_s: float, hours: float) -> None:
    rnd = fresh_random()
    deadline = time.monotonic() + BUDGET_S
    total_h, found, marks = 0.0, list[Event](), Counter[str]()
    while time.monotonic() < deadline:
        bench, pipeline = benign_bench(rnd, hours, period_s)
        for item in bench.run(hours * 3600):
            sample, events = pipeline.feed(item)
            found += events
            marks.update(r for r in sample.uncertain.values() if r in ("frozen", "impossible", "beyond_rating"))
        total_h += hours
    print(f"{total_h:.1f} benign hours at {1 / period_s:g} Hz: {len(found)} false events, marks {dict(marks)}")
    assert [(e.kind, e.message, dict(e.evidence)) for e in found] == []
    assert not marks
