"""Acceptance with the guard band of JCGM 106, and the run's verdict."""

from __future__ import annotations

import math

import pytest

from loadlog.analysis import AcceptanceLimit, Decision, Figure, judge, judge_run
from loadlog.analysis.verdict import conformance_probability, uncertainty_ratio
from loadlog.model.errors import UsageError


def mean(value: float | None, u: float | None = 0.01, **more) -> Figure:
    return Figure("mean", value, "V", u, samples=100, coverage=more.pop("coverage", 1.0), **more)


def limit(low: float | None = 23.76, high: float | None = 24.24) -> AcceptanceLimit:
    return AcceptanceLimit("load-1", "voltage_v", "mean", low, high)


@pytest.mark.parametrize(
    ("value", "decision"),
    [
        (24.0, Decision.PASS),
        (24.219, Decision.PASS),
        (24.221, Decision.UNDECIDED),
        (24.259, Decision.UNDECIDED),
        (24.261, Decision.FAIL),
        (23.781, Decision.PASS),
        (23.779, Decision.UNDECIDED),
        (23.739, Decision.FAIL),
    ],
)
def test_guard_band_is_two_standard_uncertainties(value: float, decision: Decision) -> None:
    assert judge(limit(), mean(value)).decision is decision


@pytest.mark.parametrize(("low", "high", "value"), [(23.5, None, 23.53), (None, 24.5, 24.47)])
def test_one_limit(low: float | None, high: float | None, value: float) -> None:
    verdict = judge(limit(low, high), mean(value))
    assert verdict.decision is Decision.PASS
    assert verdict.test_ratio is None


@pytest.mark.parametrize(
    ("low", "high", "value", "end"),
    [
        (23.76, 24.24, 24.0, "lies inside 23.76 .. 24.24 V"),
        (23.76, 24.24, 25.0, "lies outside 23.76 .. 24.24 V"),
        (23.76, None, 24.0, "is at least 23.76 V"),
        (23.76, None, 23.0, "is not at least 23.76 V"),
        (None, 24.24, 25.0, "is not at most 24.24 V"),
        (None, 24.24, 24.24, "too close to the limit, at most 24.24 V, for this uncertainty"),
    ],
)
def test_the_reason_reads_well(low: float | None, high: float | None, value: float, end: str) -> None:
    assert judge(limit(low, high), mean(value)).reason.endswith(end)


def test_probability_at_the_border_of_the_guard_band() -> None:
    """JCGM 106: one limit, guard band 2 u: a pass on the border is wrong with 2.275 %."""
    assert 1 - conformance_probability(24.22, 0.01, None, 24.24) == pytest.approx(0.02275, abs=5e-6)
    assert conformance_probability(24.24, 0.01, None, 24.24) == pytest.approx(0.5)


def test_ratio() -> None:
    assert uncertainty_ratio(23.76, 24.24, 0.02) == pytest.approx(12.0)


def test_what_was_not_seen_can_leave_it_undecided_but_not_hide_a_fail() -> None:
    charge = Figure("charge", 24.2, "A·h", 0.01, 1000, 0.8, low=24.2, high=30.3)
    at_least = AcceptanceLimit("pack", "current_a", "charge", low=30.0)
    assert judge(at_least, charge).decision is Decision.UNDECIDED
    assert "not seen" in judge(at_least, charge).reason
    at_most = AcceptanceLimit("pack", "current_a", "charge", high=20.0)
    assert judge(at_most, charge).decision is Decision.FAIL


def test_a_pass_needs_the_data() -> None:
    verdict = judge(limit(), mean(24.0, coverage=0.5))
    assert verdict.decision is Decision.INCOMPLETE
    assert "50.0 %" in verdict.reason
    assert judge(limit(), mean(25.0, coverage=0.5)).decision is Decision.FAIL


def test_no_figure_and_no_uncertainty() -> None:
    assert judge(limit(), Figure.missing("mean", "V", "no good sample of voltage_v")).decision is Decision.INCOMPLETE
    assert judge(limit(), mean(24.0, None)).decision is Decision.UNDECIDED


def test_limits_narrower_than_the_uncertainty() -> None:
    verdict = judge(limit(23.995, 24.005), mean(24.0))
    assert verdict.decision is Decision.UNDECIDED
    assert "narrower" in verdict.reason
    assert verdict.test_ratio is not None
    assert verdict.test_ratio < 1


@pytest.mark.parametrize(("low", "high"), [(None, None), (24.0, 23.0), (24.0, 24.0), (math.nan, 24.0), (-math.inf, 24.0)])
def test_limits_that_contradict_are_refused(low: float | None, high: float | None) -> None:
    with pytest.raises(UsageError, match="load-1 voltage_v"):
        limit(low, high)


def test_run_verdicts() -> None:
    good, bad = judge(limit(), mean(24.0)), judge(limit(), mean(25.0))
    undecided, missing = judge(limit(), mean(24.23)), judge(limit(), mean(None))
    assert judge_run([good, good], 1.0).decision is Decision.PASS
    assert judge_run([good, undecided], 1.0).decision is Decision.UNDECIDED
    assert judge_run([good, undecided, missing], 1.0).decision is Decision.INCOMPLETE
    assert judge_run([good, missing, bad], 0.2).decision is Decision.FAIL
    assert judge_run([good], 0.5).decision is Decision.INCOMPLETE
    assert judge_run([], 1.0).decision is Decision.NOT_JUDGED
    assert "and 1 more" in judge_run([bad, bad], 1.0).reason
