"""`contact_heating` against its neighbours: warm copper, source drift, other currents. Physics: the textbook bench of the checklists."""

from __future__ import annotations

from functools import partial

import pytest

from loadlog.model.event import Event
from tests.checklists.traces import Bench, Load, fresh_random, load_spec, meter_spec, record


def bench_of(*, meter: bool = True) -> Bench:
    """A load with local sense over a path of 12 mΩ, and a meter at the source."""
    spec = load_spec(sense="local", path_resistance_ohm=None, period_s=0.5, slow=5)
    return Bench(fresh_random(), loads=[Load(spec)], meters=[meter_spec()] if meter else [])


def events(bench: Bench, until_s: float) -> list[Event]:
    """What is told of the contact."""
    return record(bench, until_s).raised("contact_heating")


def grow(bench: Bench, ohm: float, from_s: float, over_s: float) -> None:
    """The path grows by so much in steps of a second."""
    begin = bench.loads[0].path_ohm
    for k in range(int(over_s)):
        bench.at(from_s + k, partial(setattr, bench.loads[0], "path_ohm", begin + ohm * (k + 1) / over_s))


def test_growing_contact_is_told_with_its_size() -> None:
    bench = bench_of()
    grow(bench, 0.020, 250.0, 120.0)
    found = events(bench, 600.0)
    assert len(found) == 1
    assert found[0].evidence["reference_ohm"] == pytest.approx(0.012, abs=0.002)
    assert found[0].evidence["growth_ohm"] > 0.0047


def test_copper_that_warms_is_none() -> None:
    """50 K of all copper: 20 %."""
    bench = bench_of()
    grow(bench, 0.012 * 0.00393 * 50.0, 250.0, 200.0)
    assert events(bench, 700.0) == []


def test_source_drift_is_none_with_a_meter_and_nothing_is_claimed_without() -> None:
    drifting = bench_of()
    drifting.source.drift_v_per_s = -0.0005
    assert events(drifting, 600.0) == []
    alone = bench_of(meter=False)
    grow(alone, 0.05, 250.0, 100.0)
    assert events(alone, 600.0) == []


def test_another_current_is_none() -> None:
    bench = bench_of()
    for at_s, level in ((250.0, 2.0), (400.0, 8.0)):
        bench.at(at_s, partial(setattr, bench.loads[0], "level", level))
    assert events(bench, 600.0) == []
