"""What is left out of load effect, output resistance and drift: truth is the physics of the simulated bench, whose output resistance is
known, and scipy's regression over the polls of normal running, chosen here by that truth."""

from __future__ import annotations

import functools
from collections.abc import Sequence

import numpy as np
import pytest
from scipy.stats import linregress

from loadlog.analysis import DeviceAnalysis, LeftOut, Span, chunk_of_arrays
from loadlog.analysis.chunk import Chunk, Column, Floats
from loadlog.model.clock import NS
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.quantity import Scale
from tests.unit.analysis.instruments_of_tests import CURRENT, POWER, VOLTAGE, split
from tests.unit.sim.bench_help import bench

PERIOD_S, SECONDS, OUTPUT_OHM = 0.5, 900, 0.02
INPUT_ON = ChannelSpec("input_on", "", "bool", Scale(1, 1), 1.0)
MODE = ChannelSpec("mode", "", "enum", Scale(1, 1), 1.0, names={0: "CC", 1: "CV", 2: "CP"})


def fault(at_s: float, kind: str, target: str, **more: object) -> str:
    lines = [f"at_s = {at_s}", f'fault = "{kind}"', f'target = "{target}"', *(f"{k} = {v!r}".replace("'", '"') for k, v in more.items())]
    return "[[fault]]\n" + "\n".join(lines) + "\n"


STEPS = "".join(fault(s, "knob", "load", setpoint=2.0 if s % 60 else 6.0) for s in range(30, SECONDS, 30))


@functools.cache
def played(more: str = "", seed: int = 3) -> tuple[Floats, Floats, Floats]:
    """t in s, V, A as the load shows them over a run of steps between 2 A and 6 A, with what else goes on."""
    made = bench(STEPS + more, seed=seed)
    unit, rows = made.loads["load"], []
    for k in range(round(SECONDS / PERIOD_S)):
        made.advance_to(round(k * PERIOD_S * NS))
        state = made.state_of("load")
        v = unit.voltage.read(state.sensed_v, made.index) / 1000
        rows.append((k * PERIOD_S, v, unit.current.read(state.current_a, made.index) / 1000))
    return tuple(np.array(rows).T)  # type: ignore[return-value]


def analysed(
    t: Floats, v: Floats, i: Floats, left_out: Sequence[LeftOut] = (), warm_up_s: float = 60.0, source: str = "", **status: Floats
) -> DeviceAnalysis:  # fmt: skip
    extra = tuple(c for c in (INPUT_ON, MODE) if c.name in status)
    spec = DeviceSpec("load-1", "load", "rack", PERIOD_S, (VOLTAGE, CURRENT, POWER, *extra), source=source)
    chunk = chunk_of_arrays(t, "load-1", voltage_v=v, current_a=i, power_w=v * i)
    chunk = Chunk(
        chunk.device, chunk.t_utc_ns, chunk.half_width_ns, chunk.failed, {**chunk.columns, **{n: Column.of(x) for n, x in status.items()}}
    )  # fmt: skip
    out = DeviceAnalysis(spec, Span(0, round(t[-1] * NS)), left_out=left_out, warm_up_s=warm_up_s)
    for part in split(chunk, len(t) // 3, len(t) // 2):
        out.add(part)
    return out


@pytest.mark.parametrize(
    ("form", "more"),
    [
        ("dropout", {"off_s": 4.0}), ("thermal_cycling", {"off_s": 5.0, "on_s": 15.0}), ("hiccup", {"limit_a": 5.0}),
        ("latch_off", {"limit_a": 5.0}), ("foldback", {"limit_a": 5.0}), ("current_limit", {"limit_a": 5.0}),
    ],
)  # fmt: skip
def test_a_supply_that_trips_or_limits_is_left_out_without_being_told(form: str, more: dict[str, float]) -> None:
    t, v, i = played(fault(400, "supply_trip", "psu", form=form, for_s=200, **more))
    assert abs(-linregress(i, v).slope - OUTPUT_OHM) > 0.1, "the trouble does not show in the plain regression"
    analysis = analysed(t, v, i)
    figure = analysis.figure("voltage_v", "output_resistance")
    assert figure.value is not None, figure.why_not
    assert abs(figure.value - OUTPUT_OHM) < 2 * figure.uncertainty
    normal = np.abs(v - (24 - OUTPUT_OHM * i)) < 0.1
    assert figure.value == pytest.approx(-linregress(i[normal], v[normal]).slope, abs=2e-4)
    assert any("voltage off its level" in n for n in figure.notes)
    drift = analysis.figure("voltage_v", "drift")
    assert drift.value is not None
    assert drift.value < 0.1, "the drift is that of the trip"  # the load effect itself is 80 mV


def test_a_run_without_trouble_leaves_nothing_out() -> None:
    t, v, i = played()
    figure = analysed(t, v, i).figure("voltage_v", "output_resistance")
    assert abs(figure.value - OUTPUT_OHM) < 2 * figure.uncertainty
    assert figure.samples == len(t)
    assert not any("left out" in n for n in figure.notes)


def test_a_sense_lead_that_fell_off_is_left_out_where_it_was_told() -> None:
    t, v, i = played(fault(300, "sense_lead_off", "load", for_s=300))
    told = [LeftOut(300 * NS, 600 * NS, "sense_fallback")]
    without, with_it = (analysed(t, v, i, spans).figure("voltage_v", "output_resistance") for spans in ((), told))
    assert abs(with_it.value - OUTPUT_OHM) < 2 * with_it.uncertainty
    assert abs(without.value - OUTPUT_OHM) > 0.003, "the lead's 12 mΩ do not show at all"
    (note,) = [n for n in with_it.notes if "left out" in n]
    assert note.startswith("left out, since the output was not regulated: sense fallback 30")  # 300 s and a part of a stretch


def test_input_off_and_constant_voltage_are_left_out() -> None:
    t, v, i = played()
    off, cv = (t > 200) & (t < 260), (t > 500) & (t < 560)
    v = np.where(off, 24.9, np.where(cv, 23.5, v))  # within what a level may be off by
    status = {"input_on": np.where(off, 0.0, 1.0), "mode": np.where(cv, 1.0, 0.0)}
    figure = analysed(t, v, np.where(off, 0.0, i), **status).figure("voltage_v", "output_resistance")
    assert abs(figure.value - OUTPUT_OHM) < 2 * figure.uncertainty
    (note,) = [n for n in figure.notes if "left out" in n]
    assert "input off" in note
    assert "the load held the voltage" in note


def test_too_little_left_is_said() -> None:
    t, v, i = played(fault(100, "supply_trip", "psu", form="thermal_cycling", off_s=1.2, on_s=0.3, for_s=790))
    for statistic in ("output_resistance", "load_effect", "drift"):
        figure = analysed(t, v, i).figure("voltage_v", statistic)
        assert figure.value is None, statistic
        assert figure.why_not.startswith("cannot be determined"), figure.why_not


def test_everything_told_to_be_out_leaves_no_figure() -> None:
    t, v, i = played()
    analysis = analysed(t, v, i, [LeftOut(-NS, 1000 * NS, "supply_trip")])
    for statistic in ("output_resistance", "load_effect", "drift"):
        figure = analysis.figure("voltage_v", statistic)
        assert figure.value is None
        assert figure.why_not.startswith("cannot be determined"), figure.why_not
        assert "supply trip" in figure.why_not


def test_the_uncertainty_holds_beside_a_source_that_wanders() -> None:
    """Slow noise of 3 mV over 20 s under steps of 30 s: the truth lies within k = 2 as often as it should, which the scatter of single
    polls alone would miss by far."""
    rng = np.random.default_rng(12)
    t = np.arange(0.0, 3600.0, PERIOD_S)
    i = np.where((t // 30) % 2 == 0, 2.0, 6.0)
    inside = naive = 0
    for _ in range(60):
        shocks = 0.003 * np.sqrt(1 - np.exp(-2 * PERIOD_S / 20)) * rng.standard_normal(len(t))
        slow, keep = np.zeros(len(t)), np.exp(-PERIOD_S / 20)
        for k in range(1, len(t)):
            slow[k] = keep * slow[k - 1] + shocks[k]
        v = np.round(24 - OUTPUT_OHM * i + slow, 4)
        bare = [ChannelSpec(n, u, "number", Scale.of("0.0001"), 0.0001) for n, u in (("voltage_v", "V"), ("current_a", "A"))]
        analysis = DeviceAnalysis(DeviceSpec("load-1", "load", "rack", PERIOD_S, tuple(bare)), Span(0, 3600 * NS))
        analysis.add(chunk_of_arrays(t, "load-1", voltage_v=v, current_a=i))
        figure = analysis.figure("voltage_v", "output_resistance")
        inside += abs(figure.value - OUTPUT_OHM) < 2 * figure.uncertainty
        naive += abs(figure.value - OUTPUT_OHM) < 2 * figure.details["u_scatter_ohm"]
    assert inside >= 54
    assert naive < 40


def test_a_battery_that_empties_keeps_all_its_polls() -> None:
    """42 V to 30 V is no loss of regulation of a battery."""
    t = np.arange(0.0, 3600.0, PERIOD_S)
    i = np.where((t // 30) % 2 == 0, 5.0, 10.0)
    v = 42 - 12 * t / 3600 - 0.05 * i
    figure = analysed(t, v, i, source="battery").figure("voltage_v", "output_resistance")
    assert figure.samples == len(t)
    assert not any("left out" in n for n in figure.notes)
