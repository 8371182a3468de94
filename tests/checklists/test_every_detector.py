"""One checklist over every detector: kinds declared, input untouched, deterministic, nothing raised or invented by gaps, NaN, clock steps,
duplicates and stamps out of order, bounded memory, bounded cost."""

from __future__ import annotations

import gc
import math
import random
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import pytest

from loadlog.detectors import COMPILED, DECLARED_KINDS, Context, Detector, detectors_for
from loadlog.model.device import DeviceSpec, LimitSpec
from loadlog.model.event import KINDS, Event, EventState, Onset, Severity
from loadlog.model.sample import FailureCause, PollFailure, Quality, Reading, Sample, Stamp
from loadlog.pipeline import Pipeline
from loadlog.validation import Validator
from tests.checklists.traces import T0_NS, Bench, Load, fresh_random, load_spec, meter_spec, record, thermometer_spec, with_limits

DEVICE = with_limits(
    load_spec(source="battery", cutoff_v=18.0), voltage_v=LimitSpec(low=20.0, high=26.0, on_delay_s=0.5), temperature_c=LimitSpec(high=60.0)
)
LOCAL = replace(DEVICE, sense="local", path_resistance_ohm=None)  # the same wired otherwise: what only local sense has
SILENT = with_limits(load_spec(status=False), temperature_c=LimitSpec(high=60.0))  # reports neither set-point nor mode
DETECTORS = {type(d).__name__: device for device in (SILENT, LOCAL, DEVICE) for d in detectors_for(device)}


def detector(name: str) -> Detector:
    """A fresh one."""
    return next(d for d in detectors_for(DETECTORS[name]) if type(d).__name__ == name)


def eventful(rnd: random.Random, until_s: float = 130.0) -> list[Sample]:
    """Samples in which every detector finds something to do."""
    bench = Bench(rnd, loads=[Load(DEVICE)])
    load, source = bench.loads[0], bench.source
    plan: list[tuple[float, Callable[[], object]]] = [
        (40, lambda: setattr(load, "sense_ok", False)), (50, lambda: setattr(load, "sense_ok", True)),
        (60, lambda: setattr(source, "is_on", False)), (62, lambda: setattr(source, "is_on", True)),
        (75, lambda: setattr(load, "answers", False)), (80, lambda: setattr(load, "answers", True)),
        (85, lambda: setattr(load, "heatsink_c", 90.0)), (90, lambda: setattr(load, "level", 6.0)),
        (100, lambda: setattr(load, "input_on", False)), (105, lambda: setattr(load, "input_on", True)),
        (115, lambda: (setattr(load, "input_on", False), setattr(load, "protection", 1 << 5))),
    ]  # fmt: skip
    for t_s, action in plan:
        bench.at(t_s + 0.02, action)
    return record(bench, until_s).samples


def findings(name: str, samples: Iterable[Sample]) -> list[str]:
    """Everything that one detector says."""
    one, context = detector(name), Context(DEVICE)
    return [repr(f) for sample in samples for f in one.update(sample, context)]


def test_kinds_are_those_of_the_table() -> None:
    assert set(DECLARED_KINDS) <= KINDS.keys()
    for device in (DEVICE, meter_spec(), thermometer_spec()):
        assert {k for d in detectors_for(device) for k in d.KINDS} <= set(DECLARED_KINDS)
    assert {k for device in (DEVICE, LOCAL) for d in detectors_for(device) for k in d.KINDS} == set(DECLARED_KINDS)


@pytest.mark.skipif(COMPILED, reason="a compiled module keeps no docstring")
@pytest.mark.parametrize("name", DETECTORS)
def test_docstring_says_what_it_must(name: str) -> None:
    """Physical cause, rule, limits or units, confusions, expected false alarms, onset (DEVELOPERS.md, "How to add a detector")."""
    text = (sys.modules[type(detector(name)).__module__].__doc__ or "").lower()
    for word in ("cause", "rule", "confus", "false", "onset"):
        assert word in text, f"{name}: its module says nothing of {word}"


@pytest.mark.parametrize("name", DETECTORS)
def test_input_unmutated_and_deterministic(name: str) -> None:
    samples = eventful(fresh_random())
    before = repr(samples)
    first = findings(name, samples)
    assert findings(name, samples) == first
    assert repr(samples) == before


@pytest.mark.parametrize("name", DETECTORS)
def test_only_declared_kinds_and_sound_onsets(name: str) -> None:
    one, context = detector(name), Context(DEVICE)
    for sample in eventful(fresh_random()):
        for finding in one.update(sample, context):
            assert finding.kind in one.KINDS
            assert finding.onset.earliest_utc_ns <= finding.onset.latest_utc_ns <= sample.stamp.t_utc_ns + sample.stamp.half_width_ns
            assert 0.0 <= finding.confidence <= 1.0
            assert math.isclose(finding.confidence + sum(finding.alternatives.values()), 1.0, abs_tol=2e-3) or not finding.alternatives
            assert finding.message
            assert finding.device == DEVICE.name


def broken(rnd: random.Random, samples: list[Sample]) -> list[Sample]:
    """The same with NaN, infinities, missing channels, duplicates, failures, swapped stamps, steps of the clock, all of them at random."""
    out: list[Sample] = []
    shift_ns = 0
    for healthy in samples:
        kind = rnd.randrange(40)
        values: dict[str, Any] = dict(healthy.values)
        if kind < 4 and values:
            values[rnd.choice(list(values))] = rnd.choice((math.nan, math.inf, -math.inf, None))
        elif kind == 4:
            values = {}
        elif kind == 5:
            shift_ns += rnd.choice((-(10**13), -(10**9), 10**9, 10**13))
        stamp = replace(healthy.stamp, t_utc_ns=healthy.stamp.t_utc_ns + shift_ns - rnd.choice((0, 0, 0, 300_000_000)))
        sample = replace(healthy, stamp=stamp, values=values)
        if kind == 6:
            made = Sample(healthy.seq, healthy.device, stamp, Quality.BAD, {}, {}, {}, failure=rnd.choice(list(FailureCause)))
        elif kind == 7:
            made = replace(sample, uncertain=dict.fromkeys(values, "stale"), quality=Quality.UNCERTAIN)
        else:
            made = replace(sample, status={}, counts={}) if kind == 8 else sample
        out += [made] * (2 if kind == 9 else 1)
    return out


@pytest.mark.parametrize("name", DETECTORS)
def test_nothing_raises_whatever_a_sample_holds(name: str) -> None:
    rnd = fresh_random()
    for _ in range(3):
        for text in findings(name, broken(rnd, eventful(rnd))):
            assert "nan" not in text


QUIET = {
    "hours without a poll": lambda n: Stamp(T0_NS + n * 10**8 + (4 * 3600 * 10**9 if n > 400 else 0), 4_000_000),
    "clock steps forward": lambda n: Stamp(T0_NS + n * 10**8 + (3600 * 10**9 if n > 400 else 0), 4_000_000),
    "clock steps back": lambda n: Stamp(T0_NS + n * 10**8 - (3600 * 10**9 if n > 400 else 0), 4_000_000),
    "duplicate stamps": lambda n: Stamp(T0_NS + (n // 3) * 3 * 10**8, 4_000_000),
    "stamps out of order": lambda n: Stamp(T0_NS + (n + (1 if n % 7 == 3 else -1 if n % 7 == 4 else 0)) * 10**8, 4_000_000),
    "late polls": lambda n: Stamp(T0_NS + n * 10**8 + (70_000_000 if n % 5 == 0 else 0), 40_000_000),
}


@pytest.mark.parametrize("name", QUIET)
def test_time_alone_invents_nothing(name: str) -> None:
    """A healthy bench whose stamps misbehave: no event at all."""
    rnd = fresh_random()
    items = [i for i in Bench(rnd, loads=[Load(DEVICE)]).run(90.0) if isinstance(i, Reading)]
    pipeline = Pipeline([DEVICE], next_seq=1, next_event_id=1)
    assert [e.kind for n, item in enumerate(items) for e in pipeline.feed(replace(item, stamp=QUIET[name](n)))[1]] == []


def test_a_channel_that_vanishes_invents_nothing() -> None:
    rnd = fresh_random()
    for missing in ("voltage_v", "current_a", "input_on", "mode", "protection", "setpoint", "temperature_c", "power_w"):
        pipeline = Pipeline([DEVICE], next_seq=1, next_event_id=1)
        for n, item in enumerate(Bench(rnd, loads=[Load(DEVICE)]).run(60.0)):
            assert isinstance(item, Reading)
            counts = {c: v for c, v in item.counts.items() if c != missing or n < 300}
            assert pipeline.feed(replace(item, counts=counts))[1] == []


def test_all_samples_uncertain_decides_nothing() -> None:
    """Beyond the possible all the time: said once a channel, and nothing else."""
    pipeline = Pipeline([DEVICE], next_seq=1, next_event_id=1)
    events = []
    for n in range(500):
        counts = {"voltage_v": 10**7, "current_a": 10**7, "power_w": 1, "input_on": 1, "mode": 0, "protection": 0}
        events += pipeline.feed(Reading(DEVICE.name, Stamp(T0_NS + n * 10**8, 10**6), counts))[1]
    assert [(e.kind, e.key) for e in events] == [("reading_implausible", "voltage_v"), ("reading_implausible", "current_a")]


def test_a_contradictory_configuration_invents_nothing() -> None:
    """Limits crossed, local sense with the path of remote sense, an end of discharge without a battery: between crossed limits both are
    exceeded, which is said once each, and nothing else is."""
    rnd = fresh_random()
    crossed = load_spec(sense="local", path_resistance_ohm=0.012, source="supply", cutoff_v=30.0)
    crossed = with_limits(crossed, voltage_v=LimitSpec(low=26.0, high=20.0), temperature_c=LimitSpec(low=90.0, high_high=10.0, high=95.0))
    out = record(Bench(rnd, loads=[Load(crossed)]), 60.0)
    assert sorted((e.kind, e.key) for e in out.raised()) == [
        ("limit", "temperature_c.low"), ("limit", "voltage_v.high"), ("limit", "voltage_v.low"),
        ("over_temperature", "temperature_c.high_high"),
    ]  # fmt: skip


def _size(thing: object) -> int:
    """Bytes of an object with all that it alone holds (specs, samples' types and modules are shared)."""
    shared = (type, DeviceSpec, type(sys))
    seen: set[int] = set()
    todo, total = [thing], 0
    while todo:
        one = todo.pop()
        if id(one) in seen or isinstance(one, shared) or callable(one):
            continue
        seen.add(id(one))
        total += sys.getsizeof(one)
        todo.extend(gc.get_referents(one))
    return total


@pytest.mark.parametrize("name", DETECTORS)
def test_memory_is_bounded(name: str) -> None:
    rnd = fresh_random()
    one, context = detector(name), Context(DEVICE)
    sizes = []
    for samples in (eventful(rnd), *(eventful(rnd) for _ in range(4))):
        for sample in samples:
            one.update(sample, context)
        sizes.append(_size(one))
    assert max(sizes[1:]) < 1.5 * max(sizes[0], 8192)
    assert max(sizes) < 64_000


@pytest.mark.parametrize("name", DETECTORS)
def test_restore_takes_any_event_of_its_kinds(name: str) -> None:
    """Also one whose evidence was written by another version."""
    for kind in detector(name).KINDS:
        for evidence in ({}, {"step_v": -0.06, "current_a": 5.0, "voltage_before_v": 24.0, "current_before_a": 5.0, "worst": 1.0}):
            one = detector(name)
            event = Event(
                1,
                1,
                kind,
                "voltage_v.high",
                DEVICE.name,
                None,
                None,
                Severity.ALARM,
                EventState.ACTIVE,
                Onset(0, 1),
                1,
                "",
                evidence=evidence,
            )
            one.restore(event)
            context, validator = Context(DEVICE), Validator(DEVICE)
            for n, item in enumerate(Bench(fresh_random(), loads=[Load(DEVICE)]).run(10.0)):
                one.update(validator.update(item, n), context)


def test_failures_only() -> None:
    pipeline = Pipeline([DEVICE], next_seq=1, next_event_id=1)
    events = []
    for n in range(300):
        events += pipeline.feed(PollFailure(DEVICE.name, Stamp(T0_NS + n * 10**8, 10**6), FailureCause.TIMEOUT))[1]
    assert [e.kind for e in events] == ["communication_lost"]


def test_cost_of_a_sample() -> None:
    """At most about 100 µs for validation and all detectors of a load on the bench machine; five times that fails anywhere."""
    items = list(Bench(fresh_random(), loads=[Load(DEVICE)]).run(200.0))
    pipeline = Pipeline([DEVICE], next_seq=1, next_event_id=1)
    begin = time.process_time()
    for item in items:
        pipeline.feed(item)
    cost_us = (time.process_time() - begin) / len(items) * 1e6
    print(f"validation and detectors: {cost_us:.0f} µs a sample")
    assert cost_us < 500
