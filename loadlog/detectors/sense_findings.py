"""What `sense` says of a step that a lead or a source's limit made: each event with all causes that are left and their probabilities."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from loadlog.detectors.sense_causes import DROOP, LEAD, LIMIT
from loadlog.detectors.sense_modes import Case, Fallen
from loadlog.model.event import Finding, Onset, Severity

DECIDES = "another set-point decides: the current of a source in its limit stays, behind a fallen lead it changes"


def told(
    device: str, kind: str, onset: Onset, text: str, causes: Mapping[str, float], evidence: Mapping[str, Any], clear: bool = False
) -> Finding:
    """``causes``: probabilities, that of ``kind`` among them."""
    others = {cause: round(p, 4) for cause, p in causes.items() if cause != kind and round(p, 4) > 0.0}
    severity = Severity.ALARM if kind == LEAD else Severity.WARNING
    confidence = round(causes[kind], 4)
    return Finding(
        kind, device, severity, onset, f"{device}: {text}", clear=clear, confidence=confidence, alternatives=others, evidence=evidence
    )


def fell(device: str, kind: str, case: Case, causes: Mapping[str, float], suspected: bool, evidence: Mapping[str, Any]) -> Finding:
    """The step of ``case`` is put down to ``kind``."""
    size, at_v, at_a = case.step.size, case.after[0], abs(case.after[1])
    what, unit = ("current", "A") if case.mode == "cv" else ("voltage", "V")
    stepped = f"{what} stepped by {size:+.4g} {unit} in {case.mode.upper()} at {at_v:.4g} V, {at_a:.4g} A"
    more = {**evidence, "suspected": suspected}
    if kind == LIMIT:
        more["limit_a"] = round(at_a, 4)
        text = f"the source limits its current, {stepped}"
    else:
        text = f"{'suspected ' if suspected else ''}sense fallback, {stepped}"
    if LIMIT in causes and LEAD in causes and min(causes[LIMIT], causes[LEAD]) >= 0.1:
        more["decides"] = DECIDES
    return told(device, kind, case.step.onset, text, causes, more)


def restored(device: str, onset: Onset, causes: Mapping[str, float], evidence: Mapping[str, Any]) -> tuple[Finding, Finding]:
    """The lead makes contact again."""
    text = "remote sense works again"
    again = {("sense_restored" if cause == LEAD else cause): p for cause, p in causes.items()}
    raised = replace(told(device, "sense_restored", onset, text, again, evidence), severity=Severity.INFO, momentary=True)
    return told(device, LEAD, onset, text, causes, {"restored_" + k: v for k, v in evidence.items()}, clear=True), raised


def regulates_again(device: str, onset: Onset, causes: Mapping[str, float], evidence: Mapping[str, Any]) -> tuple[Finding]:
    """The source has left its limit."""
    return (told(device, LIMIT, onset, "the current is what it was", causes, evidence, clear=True),)


def decided(device: str, fallen: Fallen, onset: Onset, evidence: Mapping[str, Any]) -> tuple[Finding, ...]:
    """Another voltage of a load in CV has shown whether it was the source's limit (`Fallen.decide`)."""
    is_limit = fallen.kind == LIMIT
    text = "the source limits its current, which stays at another voltage" if is_limit else "no limit, the current follows another voltage"
    if fallen.kind == fallen.told:
        return (told(device, fallen.kind, fallen.onset, text, fallen.causes, evidence),)
    causes = {fallen.told: 0.0, **fallen.causes}
    ends = told(device, fallen.told, onset, text, causes, {**evidence, "revised_to": fallen.kind}, clear=True)
    if fallen.kind == DROOP:
        return (ends,)
    return ends, told(device, fallen.kind, fallen.onset, text, fallen.causes, {**fallen.evidence, **evidence})


def slope_decided(device: str, fallen: Fallen, slope_ohm: float, source_ohm: float, onset: Onset) -> tuple[Finding, ...]:
    """dV/dI has grown by the path's resistance (then it is proved), or it has not (then it is over)."""
    grown = (slope_ohm - source_ohm) / (fallen.path_ohm or math.inf)
    evidence = {"slope_ohm": round(slope_ohm, 6), "source_resistance_ohm": round(source_ohm, 6)}
    if fallen.is_proved or 0.3 <= grown <= 0.6:
        return ()
    if grown > 0.6:
        fallen.suspected, fallen.causes, fallen.is_proved = False, {LEAD: 0.98, DROOP: 0.02}, True
        text = "sense fallback confirmed, dV/dI has grown by the path resistance"
        return (told(device, LEAD, onset, text, fallen.causes, {**evidence, "suspected": False}),)
    text = "the step was the source's, dV/dI has not grown"
    return (told(device, LEAD, onset, text, fallen.causes, {**evidence, "revised_to": DROOP}, clear=True),)
