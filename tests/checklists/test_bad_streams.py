"""Whatever a group of instruments answers: nothing raises, and what is told is sound (finite, ordered, probabilities that add up)."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace

import pytest

from loadlog.detectors import Context, Peer, detectors_for
from loadlog.model.event import Event, Finding
from loadlog.model.sample import Reading, Sample
from loadlog.pipeline import Pipeline
from loadlog.validation import Validator
from tests.checklists.bad_streams import group_of, stream
from tests.checklists.traces import fresh_random

POLLS = 1_500
VALUES = (math.nan, math.inf, -math.inf, None, 0.0, -0.0, 5e-324, 1e-12, 1e22, -1e22, 1e160, 1e308, -1e308, -5.0)
MARKS = ("stale", "possible_spike", "beyond_rating", "frozen", "too_fast", "impossible")


def sound(said: Event | Finding) -> None:
    """Holds for whatever is told."""
    json.dumps([dict(said.evidence), dict(said.alternatives)], allow_nan=False)
    assert said.onset.earliest_utc_ns <= said.onset.latest_utc_ns
    assert all(0.0 <= p <= 1.0 for p in (said.confidence, *said.alternatives.values()))
    assert not said.alternatives or said.confidence + sum(said.alternatives.values()) == pytest.approx(1.0, abs=2e-3)
    assert not {"nan", "inf", "-inf", "+inf", "+nan"} & set(said.message.replace(",", " ").split())


@pytest.mark.parametrize("number", range(8))
def test_a_pipeline_takes_anything(number: int) -> None:
    """With orders of ours and restarts of the service in between."""
    rnd = random.Random(fresh_random().random() + number)
    specs = group_of(rnd)
    names = [s.name for s in specs]
    pipeline = Pipeline(specs, next_seq=1, next_event_id=1)
    for item in stream(rnd, specs, POLLS):
        t_ns = item.stamp.t_utc_ns
        if rnd.random() < 0.003:
            pipeline.order(item.device, rnd.choice(["input_on", "setpoint", "mode"]), rnd.choice([0.0, 1.0, 3.0, 5.0]), t_ns)
        for event in pipeline.feed(item)[1]:
            sound(event)
        if rnd.random() < 0.002:
            known = {name: pipeline.learned(name, t_ns) for name in names}
            json.dumps([k.to_json() for k in known.values()], allow_nan=False)
            active, next_seq = pipeline.active(), pipeline.next_seq
            pipeline = Pipeline(specs, next_seq=next_seq, next_event_id=1)
            pipeline.restore(active)
            pipeline.begin(names, t_ns, "restarted", known)


def spoilt(rnd: random.Random, sample: Sample) -> Sample:
    """Values, marks and status that no validator would let through."""
    values = {name: rnd.choice(VALUES) if rnd.random() < 0.03 else value for name, value in sample.values.items()}
    sample = replace(sample, values={name: value for name, value in values.items() if value is not None})
    if rnd.random() < 0.01:
        sample = replace(sample, uncertain=dict.fromkeys(values, rnd.choice(MARKS)))
    return replace(sample, status={}, counts={}) if rnd.random() < 0.01 else sample


@pytest.mark.parametrize("number", range(8))
def test_every_detector_of_a_group_takes_anything(number: int) -> None:
    """NaN and infinities straight at the detectors, in what they see of the others of their group too."""
    rnd = random.Random(fresh_random().random() + number)
    specs = group_of(rnd)
    peers = {s.name: Peer(s) for s in specs}
    validators = {s.name: Validator(s) for s in specs}
    contexts = {s.name: Context(s, orders=peers[s.name].orders, peers={n: p for n, p in peers.items() if n != s.name}) for s in specs}
    detectors = {s.name: detectors_for(s) for s in specs}
    for seq, item in enumerate(stream(rnd, specs, POLLS)):
        if not isinstance(item, Reading):
            continue
        sample = spoilt(rnd, validators[item.device].update(item, seq))
        peers[item.device].take(sample)
        for one in detectors[item.device]:
            for finding in one.update(sample, contexts[item.device]):
                assert finding.kind in one.KINDS
                sound(finding)
            if rnd.random() < 0.001:
                json.dumps([repr(fact) for fact in one.learned()], allow_nan=False)
