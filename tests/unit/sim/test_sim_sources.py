"""Supplies and packs: their forms of failure, and charge that adds up."""

from __future__ import annotations

import itertools

import pytest

from loadlog.sim.battery import Battery, BatteryForm, open_circuit_v
from loadlog.sim.circuit import Branch, Mode, solve
from loadlog.sim.supply import Supply, SupplyForm

DT_S = 0.02


def _run(supply: Supply, seconds: float, mode: Mode, level: float) -> list[tuple[float, float]]:
    """(V, A) at each step."""
    out = []
    for index in range(round(seconds / DT_S)):
        point = solve(supply.line(25.0), [Branch(mode, level, 0.012, False)], supply.limited)
        supply.limited = point.limited
        supply.step(point.terminal_v, point.current_a, 25.0, DT_S, index)
        out.append((point.terminal_v, point.current_a))
    return out


def _quiet(**more: object) -> Supply:
    form = SupplyForm(slow_noise_v=0.0, drift_v_per_k=0.0, **more)  # type: ignore[arg-type]
    return Supply(form, key=1)


def test_within_its_rating_every_form_regulates() -> None:
    for overload in ("constant_current", "foldback", "hiccup", "latch_off"):
        trace = _run(_quiet(overload=overload), 2.0, Mode.CC, 5.0)
        assert trace[-1] == (pytest.approx(24.0 - 5.0 * 0.004, abs=1e-9), 5.0)


def test_constant_current_clamps() -> None:
    voltage_v, current_a = _run(_quiet(overload="constant_current", current_limit_a=4.0), 1.0, Mode.CR, 3.0)[-1]
    assert current_a == pytest.approx(4.0, rel=1e-6)
    assert voltage_v == pytest.approx(4.0 * 3.012, rel=1e-6)


def test_foldback_gives_less_than_its_maximum_when_overloaded() -> None:
    voltage_v, current_a = _run(_quiet(overload="foldback", current_limit_a=4.0, short_circuit_a=1.0), 1.0, Mode.CR, 1.0)[-1]
    assert current_a == pytest.approx(1.0 + 3.0 * voltage_v / 24.0, rel=1e-6)
    assert current_a < 4.0


def test_latch_off_stays_off_until_reset() -> None:
    supply = _quiet(overload="latch_off", current_limit_a=4.0, trip_delay_s=0.1)
    trace = _run(supply, 5.0, Mode.CC, 5.0)
    assert trace[-1] == (0.0, 0.0)
    assert supply.off_because == "latched"
    assert _run(supply, 5.0, Mode.CC, 1.0)[-1] == (0.0, 0.0)
    supply.switch_on()
    assert _run(supply, 1.0, Mode.CC, 1.0)[-1][1] == 1.0


def test_hiccup_pulses_with_its_own_period() -> None:
    """Off for hiccup_off_s, on for trip_delay_s: the edges are that far apart."""
    trace = _run(_quiet(overload="hiccup", current_limit_a=4.0, trip_delay_s=0.1, hiccup_off_s=1.0), 10.0, Mode.CC, 5.0)
    on = [voltage_v > 0.0 for voltage_v, _ in trace]
    starts = [k for k in range(1, len(on)) if on[k] and not on[k - 1]]
    periods_s = [(b - a) * DT_S for a, b in itertools.pairwise(starts)]
    assert len(periods_s) >= 6
    assert all(period_s == pytest.approx(1.12, abs=0.05) for period_s in periods_s)


def test_thermal_shutdown_cycles_between_its_two_temperatures() -> None:
    supply = _quiet(loss_share=0.5, case_k_per_w=2.0, case_tau_s=10.0, shutdown_c=80.0, restart_c=60.0)
    seen = []
    for index in range(20_000):
        point = solve(supply.line(25.0), [Branch(Mode.CC, 5.0, 0.012, False)], supply.limited)
        was = supply.off_because
        supply.step(point.terminal_v, point.current_a, 25.0, DT_S, index)
        if supply.off_because != was:
            seen.append((supply.off_because, 25.0 + supply.case_rise_k))
    assert [what for what, _ in seen[:4]] == ["hot", "", "hot", ""]
    assert all(temperature_c == pytest.approx(80.0 if what else 60.0, abs=0.5) for what, temperature_c in seen)


def test_output_drifts_with_the_case() -> None:
    supply = Supply(SupplyForm(slow_noise_v=0.0, drift_v_per_k=-0.001, case_tau_s=1.0), key=1)
    trace = _run(supply, 30.0, Mode.CC, 5.0)
    expected_v = 24.0 - 0.02 - 0.001 * supply.case_rise_k
    assert trace[-1][0] == pytest.approx(expected_v, abs=1e-6)
    assert supply.case_rise_k > 5.0


def test_slow_noise_has_its_standard_deviation_and_memory() -> None:
    """An autoregressive process of order one: correlation at lag T is exp(-T/tau)."""
    supply = Supply(SupplyForm(slow_noise_v=0.01, slow_noise_s=0.5, drift_v_per_k=0.0), key=7)
    values = []
    for index in range(40_000):
        supply.step(24.0, 0.0, 25.0, DT_S, index)
        values.append(supply.line(25.0).emf_v - 24.0)
    mean = sum(values) / len(values)
    variance = sum((v - mean) ** 2 for v in values) / len(values)
    lag = round(0.5 / DT_S)
    covariance = sum((a - mean) * (b - mean) for a, b in zip(values, values[lag:], strict=False)) / (len(values) - lag)
    assert variance**0.5 == pytest.approx(0.01, rel=0.15)
    assert covariance / variance == pytest.approx(0.368, abs=0.12)


def test_a_pack_gives_its_capacity_and_then_opens() -> None:
    """Ampere-hours drawn = change of the state of charge times capacity."""
    pack = Battery(BatteryForm(capacity_ah=0.1, soc=1.0, protect_v=29.0))
    drawn_as, index = 0.0, 0
    while not pack.off_because and index < 100_000:
        point = solve(pack.line(25.0), [Branch(Mode.CC, 2.0, 0.01, False)])
        pack.step(point.terminal_v, point.current_a, 25.0, 0.1, index)
        drawn_as += point.current_a * 0.1
        index += 1
    assert pack.off_because == "empty"
    assert drawn_as / 3600.0 == pytest.approx((1.0 - pack.soc) * 0.1, rel=1e-9)
    assert 0.085 < drawn_as / 3600.0 < 0.1
    assert solve(pack.line(25.0), [Branch(Mode.CC, 2.0, 0.01, False)]).current_a == 0.0


def test_a_pack_sags_at_once_by_r0_and_slowly_by_r1() -> None:
    """First-order model: after t at I the sag is I·(R0 + R1·(1 - exp(-t/tau)))."""
    pack = Battery(BatteryForm(capacity_ah=1e6, soc=0.5, r0_ohm=0.1, r1_ohm=0.06, tau1_s=25.0))
    rest_v = pack.line(25.0).emf_v

    def voltage(current_a: float) -> float:
        line = pack.line(25.0)
        return line.emf_v - line.ohm * current_a

    assert rest_v - voltage(3.0) == pytest.approx(0.3, rel=1e-9)
    for index in range(250):
        pack.step(voltage(3.0), 3.0, 25.0, 0.1, index)
    assert rest_v - voltage(3.0) == pytest.approx(3.0 * (0.1 + 0.06 * (1 - 0.36787944)), rel=1e-5)


def test_open_circuit_voltage_rises_with_charge() -> None:
    curve = [open_circuit_v(k / 200) for k in range(201)]
    assert all(b > a for a, b in itertools.pairwise(curve))
    assert 10 * curve[0] == pytest.approx(28.0)
    assert 10 * curve[-1] == pytest.approx(41.8)
