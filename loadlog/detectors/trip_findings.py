"""What `trips` follows after a collapse or a stop of the current, and what it says of each."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loadlog.detectors.asked import Steady
from loadlog.detectors.base import begin_ns, end_ns
from loadlog.detectors.stop_causes import Stop
from loadlog.detectors.supply_form import SupplyForm
from loadlog.model.event import Finding, Onset, Severity
from loadlog.model.sample import Sample


@dataclass(slots=True)
class Stopped:
    """The current stopped, the voltage is there. ``kind``: what was raised, empty so far; ``wait``: polls until it is at the latest;
    ``looks``: polls in which the voltage may still turn out to be gone too; ``said``: the shares that were told last."""

    before: Steady
    onset: Onset
    voltage_v: float
    current_a: float
    why: Stop
    wait: int
    looks: int
    kind: str = ""
    said: dict[str, float] = field(default_factory=dict)


@dataclass(slots=True)
class Collapsed:
    """The voltage is gone. ``kind``: what was raised, empty so far; ``wait``: polls until it is at the latest; ``watch``: polls in which
    others of the group may bear witness."""

    form: SupplyForm
    onset: Onset
    voltage_v: float
    current_a: float
    probability: float
    wait: int
    watch: int
    low_until_ns: int
    before: Steady | None = None  # None after a restart
    others_a: dict[str, float] = field(default_factory=dict)  # currents of the group before
    flows: bool = False
    kind: str = ""
    as_at: str = ""  # the load of the group that showed it first, when it was not this one
    said: tuple[str, bool, int, bool] = ("", False, 0, False)
    back: Onset | None = None

    def is_news(self) -> bool:
        """Form, settling, and the number of returns at every doubling."""
        form = self.form
        counted = 1 << form.returns.bit_length() - 1 if form.returns else 0
        news = (form.form, form.settled, counted, is_back(form))
        is_news = bool(self.kind) and news != self.said
        self.said = news
        return is_news


def collapse_finding(device: str, case: Collapsed, onset: Onset, clear: bool = False, more: Mapping[str, Any] | None = None) -> Finding:
    """The voltage is gone; that ``case`` said so is noted in it."""
    form = case.form
    case.said = case.said if clear else (form.form, form.settled, case.said[2], is_back(form))
    is_supply = case.kind == "supply_trip"
    evidence: dict[str, Any] = {
        "voltage_before_v": round(form.voltage_v, 6), "voltage_v": round(case.voltage_v, 6),
        "current_before_a": round(form.current_a, 6), "current_a": round(case.current_a, 6), **(more or {}),
    }  # fmt: skip
    if is_supply:
        evidence |= {"form": form.form, "form_settled": form.settled or form.returns > 0, "returns": form.returns}
        if case.as_at:
            evidence["same_cause_as"] = case.as_at
        if form.cycle_s is not None:
            evidence["cycle_s"] = round(form.cycle_s, 3)
    sure = case.probability if is_supply else 1.0 - case.probability
    other = "open_circuit" if is_supply else "supply_trip"
    form_words = form.form.replace("_", " ") + (f", as at {case.as_at}" if case.as_at else "")
    what = f"supply trip ({form_words})" if is_supply else "power lead open"
    text = f"{device}: {what}, voltage fell from {form.voltage_v:.4g} V to {case.voltage_v:.4g} V under load"
    if is_back(form):
        text += "; it is back"
    return Finding(
        case.kind, device, Severity.ALARM, onset, text, clear=clear, confidence=round(sure, 4),
        alternatives={other: round(1.0 - sure, 4)}, evidence=evidence,
    )  # fmt: skip


def stop_finding(device: str, case: Stopped) -> Finding:
    """The current stopped while the voltage holds."""
    before, shares = case.before, case.why.shares()
    bits, would_decide = case.why.protections, case.why.would_decide
    evidence: dict[str, Any] = {
        "voltage_before_v": round(before.voltage_v, 6), "voltage_v": round(case.voltage_v, 6),
        "current_before_a": round(before.current_a, 6), "current_a": round(case.current_a, 6),
    }  # fmt: skip
    if bits:
        evidence["protection"] = list(bits)
    elif would_decide:
        evidence["would_decide"] = would_decide
    what = "load tripped" if case.kind == "load_trip" else "power lead open or load tripped in silence"
    text = f"{device}: {what}, current fell from {before.current_a:.4g} A to {case.current_a:.4g} A, voltage holds"
    others = {kind: round(share, 4) for kind, share in shares.items() if kind != case.kind}
    sure = round(1.0 - math.fsum(others.values()), 4)
    return Finding(case.kind, device, Severity.ALARM, case.onset, text, confidence=sure, alternatives=others, evidence=evidence)


def stop_revised(device: str, case: Stopped, sample: Sample, kind: str) -> Finding:
    """It was something else."""
    text, more = f"{device}: {case.kind} is revised to {kind}", {"revised_to": kind}
    return Finding(case.kind, device, Severity.ALARM, instant(sample), text, clear=True, evidence=more)


def flows_again(device: str, kind: str, sample: Sample) -> Finding:
    """What ``kind`` said is over."""
    return Finding(kind, device, Severity.ALARM, instant(sample), f"{device}: current flows again", clear=True)


def is_back(form: SupplyForm) -> bool:
    """The voltage is there again, and not only between the pulses of a source that tries again and again."""
    return form.returns == 1 and not form.is_low


def instant(sample: Sample) -> Onset:
    """When it was taken."""
    return Onset(begin_ns(sample), end_ns(sample))
