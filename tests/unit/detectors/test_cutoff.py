"""`cutoff_reached` on the simulated bench: a pack that empties, the load's undervoltage stop, the pack's own circuit, and what must not
pass for an end: trips in mid-discharge, orders, sags."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from typing import Any

import pytest

from loadlog.config import DeviceConfig
from loadlog.detectors.base import Context, Order
from loadlog.detectors.cutoff import Cutoff
from loadlog.model.event import EventState, Finding
from loadlog.model.sample import Quality, Sample, Stamp
from tests.checklists.simulated import SimulatedRun
from tests.checklists.traces import T0_NS, at_s, fresh_random, load_spec

BENCH = """
[bench]
name = "b"
[[battery]]
name = "pack"
soc = {soc}
capacity_ah = 2.6
protect_v = {protect_v}
[[load]]
name = "load-1"
source = "pack"
setpoint = {level}
mode = "{mode}"
sense = "{sense}"
undervoltage_stop_v = {stop_v}
serial = 1
[[line]]
name = "b"
kind = "modbus-rtu"
baudrate = 38400
units = {{ 1 = "load-1" }}
"""
TRIPS = ("supply_trip", "load_trip", "open_circuit")


def discharge(
    rnd: random.Random, *, soc: float = 0.06, level: float = 2.0, stop_v: float = 0.0, protect_v: float = 27.0, mode: str = "CC",
    sense: str = "remote", rate_hz: float = 2.0, **more: Any,
) -> SimulatedRun:  # fmt: skip
    """A pack near its end on one load; ``more``: of the device's configuration."""
    settings: dict[str, Any] = {"source": "battery", "cutoff_v": 30.0, **more}
    config = DeviceConfig(
        name="load-1", role="load", bus="b", unit_id=1, profile="p", rate_hz=rate_hz, sense=sense, **settings,  # type: ignore[arg-type]
    )  # fmt: skip
    text = BENCH.format(soc=soc, level=level, stop_v=stop_v, protect_v=protect_v, mode=mode, sense=sense)
    return SimulatedRun(rnd, text, [config])


@pytest.mark.parametrize("rate_hz", [0.5, 2.0, 10.0])
@pytest.mark.parametrize(("mode", "level"), [("CC", 2.0), ("CP", 70.0), ("CR", 16.0)])
def test_the_voltage_reaches_the_cut_off(mode: str, level: float, rate_hz: float) -> None:
    run = discharge(fresh_random(), mode=mode, level=level, rate_hz=rate_hz)
    out = run.run(600.0)
    (event,) = out.raised("cutoff_reached", *TRIPS)
    assert (event.kind, event.evidence["how"], event.evidence["cutoff_v"]) == ("cutoff_reached", "reading", 30.0)
    assert event.evidence["voltage_v"] == pytest.approx(30.0, abs=0.2)
    truth = next(s for s in out.samples if s.values["voltage_v"] is not None and s.values["voltage_v"] <= 30.0)
    assert at_s(event.onset.earliest_utc_ns) <= at_s(truth.stamp.t_utc_ns) + 1e-6
    assert at_s(event.detected_utc_ns) - at_s(truth.stamp.t_utc_ns) <= 3.0 / rate_hz


@pytest.mark.parametrize("stop_v", [30.0, 30.4, 33.0])
def test_the_undervoltage_stop_of_the_load_is_an_end_and_no_trip(stop_v: float) -> None:
    """33 V lies far above the cut-off: there only the load's own report decides."""
    out = discharge(fresh_random(), stop_v=stop_v, soc=0.12, rate_hz=5.0).run(900.0)
    (event,) = out.raised("cutoff_reached", *TRIPS)
    assert event.kind == "cutoff_reached"
    assert event.evidence["how"] in ("undervoltage stop of the load", "reading")


@pytest.mark.parametrize("sense", ["local", "remote"])
@pytest.mark.parametrize("cutoff_v", [27.0, 30.0, None])
def test_the_packs_own_circuit_is_an_end_and_no_supply_trip(cutoff_v: float | None, sense: str) -> None:
    more = {"cutoff_v": cutoff_v} if cutoff_v else {"cutoff_v": None}
    out = discharge(fresh_random(), sense=sense, soc=0.5 if cutoff_v is None else 0.06, level=2.0 if cutoff_v else 8.0, **more).run(1100.0)
    (event,) = out.raised("cutoff_reached", *TRIPS)
    assert event.kind == "cutoff_reached"
    if cutoff_v is None:
        assert event.confidence == pytest.approx(0.8)
        assert set(event.alternatives) == {"supply_trip", "open_circuit"}


def test_another_pack_ends_it() -> None:
    run = discharge(fresh_random())
    run.fault(700.0, "battery_renew", "pack", None, soc=0.9)
    out = run.run(760.0)
    assert out.last("cutoff_reached").state is EventState.CLEARED
    assert 700.0 <= at_s(out.last("cutoff_reached").cleared_utc_ns or 0) < 710.0


def test_what_stops_in_mid_discharge_is_no_end() -> None:
    rnd = fresh_random()
    run = discharge(rnd, soc=0.7)
    run.fault(40.0, "power_lead_off", "load-1", 30.0)
    run.fault(120.0, "load_trip", "load-1", None, protection="over_current")
    kinds = [e.kind for e in run.run(160.0).raised()]
    assert "cutoff_reached" not in kinds
    assert "open_circuit" in kinds
    assert "load_trip" in kinds


def test_an_order_to_switch_off_is_no_end() -> None:
    run = discharge(fresh_random(), soc=0.06, cutoff_v=31.5)
    out = run.run(20.0)
    while (v := out.samples[-1].values["voltage_v"] or 0.0) > 31.9:
        out = run.run(at_s(out.samples[-1].stamp.t_utc_ns) + 2.0)
    assert v > 31.5
    now_s = at_s(out.samples[-1].stamp.t_utc_ns)
    run.pipeline.order("load-1", "input_on", 0.0, T0_NS + round(1e9 * now_s))
    run.bench.loads["load-1"].front.switch(False)
    assert run.run(now_s + 30.0).raised("cutoff_reached", *TRIPS) == []


@pytest.mark.parametrize(("channel", "mean_s"), [("input_on", 0.0), ("input_on", 2.5), ("setpoint", 0.0), ("setpoint", 2.5)])
@pytest.mark.parametrize("period_s", [2.0, 0.5, 0.1, 0.02])
def test_an_order_is_remembered_while_means_still_fall(channel: str, mean_s: float, period_s: float) -> None:
    """Near the end, and the current of the instrument falls to nothing over seconds, at any poll rate."""
    device = replace(load_spec(period_s=period_s), source="battery", cutoff_v=30.0)
    one, context = Cutoff(device), Context(device)
    keep = math.exp(-period_s / mean_s) if mean_s else 0.0
    found: list[Finding] = []
    current_a = 2.0
    begin = round(40.0 / period_s)
    for n in range(2 * begin):
        t_ns = T0_NS + round(n * period_s * 1e9)
        if n == begin:
            context.orders.append(Order(channel, 0.0, t_ns - round(0.25 * period_s * 1e9)))
        if n >= begin:
            current_a *= keep
        values = {"voltage_v": 30.2, "current_a": round(current_a, 3), "setpoint": 2.0}
        found += one.update(Sample(n + 1, device.name, Stamp(t_ns, 1_000_000), Quality.GOOD, {}, values, {}), context)
    assert found == []


def test_a_supply_has_no_end() -> None:
    out = discharge(fresh_random(), source="supply", cutoff_v=None, level=8.0).run(700.0)
    assert out.raised("cutoff_reached") == []
    assert out.raised("supply_trip")  # the pack's circuit opens, and nobody said that it is a battery
