"""A load of a group that is ordered to another current moves the source of all; instruments that renew their readings at phases of their
own show that at different times."""

from __future__ import annotations

import pytest

from loadlog.model.sample import Reading
from loadlog.pipeline import Pipeline
from tests.checklists.traces import T0_NS, Bench, Load, Record, Source, covers, fresh_random, load_spec, supply_spec

PERIOD_S = 0.02
LEADS = ("sense_fallback", "sense_restored", "sense_intermittent")


def play(steps: list[tuple[float, float]], until_s: float, renewed_s: tuple[float, float], lead_off_s: float | None = None) -> Record:
    """``load-2`` is ordered to those currents at those times; ``renewed_s``: of either load. No path is known."""
    loads = [Load(load_spec(f"load-{n}", period_s=PERIOD_S, path_resistance_ohm=None), level=level) for n, level in ((1, 3.0), (2, 1.0))]
    bench = Bench(fresh_random(), Source(ohm=0.1, slow_v=0.0), loads)
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)

    def order(level_a: float) -> None:
        loads[1].level = level_a
        pipeline.order("load-2", "setpoint", level_a, T0_NS + round(bench.t_s * 1e9))

    for t_s, level_a in steps:
        bench.at(t_s, lambda level_a=level_a: order(level_a))  # type: ignore[misc]
    if lead_off_s is not None:
        bench.at(lead_off_s, lambda: setattr(loads[0], "sense_ok", False))
    out = Record()
    shown: dict[str, dict[str, int | None]] = {}
    renewals: dict[str, float] = {}
    for item in bench.run(until_s):
        assert isinstance(item, Reading)
        renewal = bench.t_s // renewed_s[item.device == "load-2"]
        if renewals.get(item.device) != renewal:
            renewals[item.device], shown[item.device] = renewal, dict(item.counts)
        measured = {name: count for name, count in shown[item.device].items() if name in ("voltage_v", "current_a", "power_w")}
        out.events += pipeline.feed(Reading(item.device, item.stamp, {**item.counts, **measured}))[1]
    return out


@pytest.mark.parametrize("renewed_s", [(0.02, 0.5), (0.5, 0.02), (0.1, 0.3)])
def test_a_step_that_was_ordered_of_another_load_is_no_lead(renewed_s: tuple[float, float]) -> None:
    """Up and down at fifteen phases, once close enough together for a lead that comes and goes."""
    steps = [(20.03 + 4.1 * n, 1.0 if n % 2 else 1.6) for n in range(30)]
    assert play(steps, 150.0, renewed_s).raised(*LEADS) == []


@pytest.mark.parametrize("after_s", [0.3, 1.5])
def test_a_lead_that_falls_off_after_an_order_to_another_load_is_told(after_s: float) -> None:
    """The other one was ordered by too little to explain it: 36 mV of the lead, 2 mA of the other."""
    out = play([(20.03, 1.002)], 30.0, (0.02, 0.5), 20.03 + after_s)
    (event,) = out.raised(*LEADS)
    assert event.kind == "sense_fallback"
    assert covers(event, 20.03 + after_s)


@pytest.mark.parametrize("mode", ["CC", "CP", "CR"])
def test_a_step_that_was_ordered_of_the_supply_is_no_lead(mode: str) -> None:
    """Down and up again, by what a path may take; the supply is read every five seconds only, and shows means."""
    level = {"CC": 3.0, "CP": 72.0, "CR": 8.0}[mode]
    load = Load(load_spec(period_s=0.2, path_resistance_ohm=None), mode, level)
    bench = Bench(fresh_random(), Source(ohm=0.01, slow_v=0.0), [load], [supply_spec(period_s=5.0)])
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)

    def order(volts: float) -> None:
        bench.source.emf_v = volts
        pipeline.order("psu", "setpoint", volts, T0_NS + round(bench.t_s * 1e9))

    for n in range(12):
        bench.at(40.05 + 31.3 * n, lambda n=n: order(24.0 if n % 2 else 23.9))  # type: ignore[misc]
    shown: dict[str, float] = {}
    events = []
    for item in bench.run(420.0):
        assert isinstance(item, Reading)
        if item.device == "psu":
            true = float(item.counts["voltage_v"] or 0)
            shown["psu"] = true + 0.5 * (shown.get("psu", true) - true)
        means = {"voltage_v": round(shown["psu"])} if item.device == "psu" else {}
        events += pipeline.feed(Reading(item.device, item.stamp, {**item.counts, **means}))[1]
    assert [e.kind for e in events if e.kind in LEADS] == []
