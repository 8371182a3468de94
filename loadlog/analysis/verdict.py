"""Acceptance limits: pass, fail, or cannot be decided, with the guard band of JCGM 106:2012.

Rule (8.3.2 guarded acceptance, 8.3.3 guarded rejection, guard band w = U = 2 u): *pass* when the value lies inside the limits by at
least w, *fail* when it lies outside by more than w, else *cannot be decided*. On the border the probability of a wrong statement is at most
2.28 % (one limit, normal distribution). A figure's ``low`` .. ``high`` (what was not seen) must lie on one side as a whole.

Clauses of JCGM 106 from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from loadlog.analysis.figure import COVERAGE_FACTOR, Figure
from loadlog.model.errors import UsageError

MIN_COVERAGE = 0.95  # of a run's time, for a statement about the whole run


class Decision(StrEnum):
    """Of one limit, or of a run. ``not judged``: no limit was given."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "cannot be decided"
    INCOMPLETE = "too incomplete to judge"
    NOT_JUDGED = "not judged"


@dataclass(frozen=True, slots=True)
class AcceptanceLimit:
    """``low <= statistic of channel <= high`` in the statistic's unit; one of both may be None.

    Raises:
        UsageError: no limit, limits that contradict, or not finite.
    """

    device: str
    channel: str
    statistic: str
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        where = f"limit on {self.statistic} of {self.device} {self.channel}"
        given = [v for v in (self.low, self.high) if v is not None]
        if not given:
            raise UsageError("give low, high or both", where=where)
        if not all(math.isfinite(v) for v in given):
            raise UsageError("low and high must be finite numbers", where=where)
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise UsageError(f"low = {self.low:g} must be below high = {self.high:g}", where=where)

    def text(self, unit: str = "") -> str:
        """``23.76 .. 24.24 V``, ``at least 23.76 V``, ``at most 24.24 V``."""
        low, high = (None if bound is None else f"{bound:g} {unit}".strip() for bound in (self.low, self.high))
        if low is None or high is None:
            return f"at most {high}" if low is None else f"at least {low}"
        return f"{self.low:g} .. {high}"


@dataclass(frozen=True, slots=True)
class LimitVerdict:
    """``guard_band``: in the figure's unit. ``test_ratio``: width of the limits over that of the expanded uncertainty (TUR), None for one
    limit. ``probability``: that the quantity lies inside the limits, given the value seen (JCGM 106, clause 7)."""

    limit: AcceptanceLimit
    figure: Figure
    decision: Decision
    reason: str
    guard_band: float | None = None
    test_ratio: float | None = None
    probability: float | None = None

    def to_json(self) -> dict[str, Any]:
        """For programs."""
        limit = self.limit
        return {
            "device": limit.device, "channel": limit.channel, "statistic": limit.statistic, "low": limit.low, "high": limit.high,
            "decision": str(self.decision), "reason": self.reason, "guard_band": self.guard_band, "test_ratio": self.test_ratio,
            "probability": self.probability, "figure": self.figure.to_json(),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class RunVerdict:
    """The run's decision, in one sentence, and that of each limit."""

    decision: Decision
    reason: str
    limits: tuple[LimitVerdict, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """For programs."""
        return {"decision": str(self.decision), "reason": self.reason, "limits": [v.to_json() for v in self.limits]}


def judge(limit: AcceptanceLimit, figure: Figure, min_coverage: float = MIN_COVERAGE, k: float = COVERAGE_FACTOR) -> LimitVerdict:
    """One limit against a figure.

    A *pass* needs ``min_coverage`` of the time; a *fail* is a fail however little was seen.
    """
    if figure.value is None:
        return LimitVerdict(limit, figure, Decision.INCOMPLETE, f"{figure.name} cannot be given: {figure.why_not}")
    if figure.uncertainty is None:
        return LimitVerdict(limit, figure, Decision.UNDECIDED, f"the uncertainty of {figure.name} is not known")
    band = k * figure.uncertainty
    low, high = figure.bounds
    inside, outside = _inside(limit, low - band, high + band), _outside(limit, low - band, high + band)
    decision = Decision.PASS if inside else Decision.FAIL if outside else Decision.UNDECIDED
    reason = _reason(limit, figure, decision, band)
    if decision is Decision.PASS and figure.coverage is not None and figure.coverage < min_coverage:
        decision = Decision.INCOMPLETE
        reason = f"{reason}, but only {100 * figure.coverage:.1f} % of the time was seen ({100 * min_coverage:g} % are needed)"
    ratio = uncertainty_ratio(limit.low, limit.high, band)
    probability = conformance_probability(figure.value, figure.uncertainty, limit.low, limit.high)
    return LimitVerdict(limit, figure, decision, reason, band, ratio, probability)


def _inside(limit: AcceptanceLimit, low: float, high: float) -> bool:
    return (limit.low is None or low >= limit.low) and (limit.high is None or high <= limit.high)


def _outside(limit: AcceptanceLimit, low: float, high: float) -> bool:
    return (limit.low is not None and high < limit.low) or (limit.high is not None and low > limit.high)


def _reason(limit: AcceptanceLimit, figure: Figure, decision: Decision, band: float) -> str:
    what = f"{figure.name} of {limit.device} {limit.channel} {figure.text()}"
    limits = limit.text(figure.unit)
    has_both = limit.low is not None and limit.high is not None
    if decision is Decision.PASS:
        return f"{what} {'lies inside' if has_both else 'is'} {limits}"
    if decision is Decision.FAIL and has_both:
        return f"{what} lies outside {limits}"
    if decision is Decision.FAIL:
        return f"{what} is not {limits}"
    low, high = figure.bounds
    if high - low > 2 * band:
        return f"{what}: what was not seen leaves {low:.6g} .. {high:.6g} {figure.unit}, which does not decide whether it is {limits}"
    if limit.low is not None and limit.high is not None and limit.high - limit.low < 2 * band:
        return f"{what}: the limits {limits} are narrower than the uncertainty of the measurement; no value could pass"
    return f"{what}: too close to the limit, {limits}, for this uncertainty"


def judge_run(verdicts: Sequence[LimitVerdict], coverage: float | None = None, min_coverage: float = MIN_COVERAGE) -> RunVerdict:
    """The run's decision: fail when one limit fails; else incomplete, else undecided when one is; else pass.

    ``coverage``: share of the run's time that was recorded at all, over all its devices; None when not known.
    """
    limits = tuple(verdicts)
    failed = [v for v in limits if v.decision is Decision.FAIL]
    if failed:
        more = f" (and {len(failed) - 1} more)" if len(failed) > 1 else ""
        return RunVerdict(Decision.FAIL, failed[0].reason + more, limits)
    if coverage is not None and coverage < min_coverage:
        reason = f"only {100 * coverage:.1f} % of the run's time was recorded ({100 * min_coverage:g} % are needed)"
        return RunVerdict(Decision.INCOMPLETE, reason, limits)
    if not limits:
        return RunVerdict(Decision.NOT_JUDGED, "no acceptance limit was given", limits)
    for decision in (Decision.INCOMPLETE, Decision.UNDECIDED):
        found = [v for v in limits if v.decision is decision]
        if found:
            more = f" (and {len(found) - 1} more)" if len(found) > 1 else ""
            return RunVerdict(decision, found[0].reason + more, limits)
    return RunVerdict(Decision.PASS, f"all {len(limits)} acceptance limits are kept" if len(limits) > 1 else limits[0].reason, limits)


def uncertainty_ratio(low: float | None, high: float | None, expanded: float) -> float | None:
    """Test-uncertainty ratio: (high − low) / (2 U); None for one limit or no uncertainty."""
    if low is None or high is None or expanded <= 0:
        return None
    return (high - low) / (2 * expanded)


def conformance_probability(value: float, uncertainty: float, low: float | None, high: float | None) -> float:
    """Probability that the quantity lies inside the limits: normal distribution about the value, nothing known before (JCGM 106, 7)."""
    if uncertainty == 0:
        return float((low is None or value >= low) and (high is None or value <= high))
    below = 0.0 if low is None else _phi((low - value) / uncertainty)
    above = 0.0 if high is None else _phi((value - high) / uncertainty)
    return max(0.0, 1.0 - below - above)


def _phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
