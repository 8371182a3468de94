"""The circuit against closed forms and the laws of Kirchhoff and energy."""

from __future__ import annotations

import math
import random

import pytest

from loadlog.sim.circuit import Branch, Mode, OperatingPoint, SourceLine, branch_current, solve

EMF_V, SOURCE_OHM, PATH_OHM = 24.0, 0.05, 0.012


def _solve(mode: Mode, level: float, remote: bool, **more: float) -> OperatingPoint:
    return solve(SourceLine(EMF_V, SOURCE_OHM), [Branch(mode, level, PATH_OHM, remote, **more)])


def test_constant_current_droops_by_the_output_resistance() -> None:
    """Load effect of a Thevenin source: U = E - R·I (IEC 61204 terms)."""
    point = _solve(Mode.CC, 5.0, remote=False)
    assert point.currents_a == (5.0,)
    assert point.terminal_v == pytest.approx(EMF_V - 5.0 * SOURCE_OHM, abs=1e-9)


@pytest.mark.parametrize(("remote", "in_series"), [(True, SOURCE_OHM), (False, SOURCE_OHM + PATH_OHM)])
def test_constant_power_is_the_upper_root_of_its_quadratic(remote: bool, in_series: float) -> None:
    """(E - R·I)·I = P, R counted up to where the load measures: I = (E - sqrt(E² - 4RP)) / 2R."""
    power_w = 300.0
    expected_a = (EMF_V - math.sqrt(EMF_V**2 - 4 * in_series * power_w)) / (2 * in_series)
    assert _solve(Mode.CP, power_w, remote).current_a == pytest.approx(expected_a, rel=1e-9)


@pytest.mark.parametrize(("remote", "in_series"), [(True, SOURCE_OHM), (False, SOURCE_OHM + PATH_OHM)])
def test_constant_resistance_divides_the_voltage(remote: bool, in_series: float) -> None:
    """I = E / (R_set + R in series before the point of measurement)."""
    assert _solve(Mode.CR, 4.0, remote).current_a == pytest.approx(EMF_V / (4.0 + in_series), rel=1e-9)


@pytest.mark.parametrize(("remote", "in_series"), [(True, SOURCE_OHM), (False, SOURCE_OHM + PATH_OHM)])
def test_constant_voltage_draws_what_brings_the_voltage_down(remote: bool, in_series: float) -> None:
    """I = (E - V_set) / R in series; the remote loop's finite gain of 10 µΩ is part of the model."""
    point = _solve(Mode.CV, 23.5, remote)
    assert point.current_a == pytest.approx((EMF_V - 23.5) / in_series, rel=3e-4)
    sensed_v = point.terminal_v - (0.0 if remote else point.current_a * PATH_OHM)
    assert sensed_v == pytest.approx(23.5, abs=4e-4)


def test_constant_voltage_above_the_source_draws_nothing() -> None:
    assert _solve(Mode.CV, 30.0, remote=False) == OperatingPoint(EMF_V, (0.0,), False)


def test_more_power_than_the_source_can_give_falls_to_saturation() -> None:
    """E²/4R is the most a Thevenin source can give; beyond it a constant-power load has no operating point."""
    branch = Branch(Mode.CP, 1.01 * EMF_V**2 / (4 * (SOURCE_OHM + PATH_OHM)), PATH_OHM, False)
    point = solve(SourceLine(EMF_V, SOURCE_OHM), [branch])
    assert point.current_a == pytest.approx(EMF_V / (SOURCE_OHM + PATH_OHM + branch.min_ohm), rel=1e-6)


def test_the_current_limit_takes_a_constant_current_load_into_saturation() -> None:
    line = SourceLine(EMF_V, SOURCE_OHM, lambda _v: 4.0)
    point = solve(line, [Branch(Mode.CC, 5.0, PATH_OHM, False)])
    assert point.limited
    assert point.current_a == pytest.approx(4.0, rel=1e-6)
    assert point.terminal_v == pytest.approx(4.0 * (PATH_OHM + 0.02), rel=1e-6)


def test_foldback_locks_up_and_lets_go_only_below_its_lowest_current() -> None:
    """A constant-current load holds a folded-back supply down although its set-point is below the maximum (trade knowledge)."""
    line = SourceLine(EMF_V, SOURCE_OHM, lambda v: 2.0 + 8.0 * v / EMF_V)
    branch = [Branch(Mode.CC, 5.0, PATH_OHM, False)]
    assert not solve(line, branch, was_limited=False).limited
    locked = solve(line, branch, was_limited=True)
    assert locked.limited
    assert locked.current_a == pytest.approx(2.0, rel=0.05)
    assert not solve(line, [Branch(Mode.CC, 1.9, PATH_OHM, False)], was_limited=True).limited


def test_a_current_limit_clamps_a_constant_resistance_load() -> None:
    point = solve(SourceLine(EMF_V, SOURCE_OHM, lambda _v: 3.0), [Branch(Mode.CR, 4.0, PATH_OHM, True)])
    assert point.current_a == pytest.approx(3.0, rel=1e-6)
    assert point.terminal_v == pytest.approx(12.0, rel=1e-6)


def test_branches_of_one_source_obey_its_line_and_their_own_modes() -> None:
    """Two hundred random benches: the source's equation holds for the sum of the currents, each branch's for its own."""
    rng = random.Random(20)
    for _ in range(200):
        branches = [
            Branch(Mode.CC, rng.uniform(0, 5), rng.uniform(0.001, 0.1), rng.random() < 0.5),
            Branch(Mode.CR, rng.uniform(3, 50), rng.uniform(0.001, 0.1), rng.random() < 0.5),
            Branch(Mode.CP, rng.uniform(0, 80), rng.uniform(0.001, 0.1), rng.random() < 0.5),
            Branch(Mode.CV, rng.uniform(22, 26), rng.uniform(0.01, 0.1), False, rng.random() < 0.8),
        ]
        line = SourceLine(rng.uniform(20, 28), rng.uniform(0.0, 0.1))
        point = solve(line, branches)
        assert point.terminal_v == pytest.approx(line.emf_v - line.ohm * point.current_a, abs=1e-8)
        for branch, current_a in zip(branches, point.currents_a, strict=True):
            assert current_a == pytest.approx(branch_current(branch, point.terminal_v), abs=1e-9)


def test_nothing_flows_from_a_dead_source_or_into_an_open_branch() -> None:
    assert solve(SourceLine(0.0, 0.1), [Branch(Mode.CC, 5.0, 0.01, False)]).current_a == 0.0
    assert solve(SourceLine(24.0, 0.1), [Branch(Mode.CC, 5.0, 0.01, False, conducts=False)]).terminal_v == 24.0
