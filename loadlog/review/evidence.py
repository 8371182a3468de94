"""The evidence of an event in words: names without underscores, values with their units, a measured value with its uncertainty.

The unit is the last part of a name (`model.quantity`); where a piece of evidence has none, the event's own ``unit`` is meant.
"""

from __future__ import annotations

from collections.abc import Mapping

from loadlog.model.event import Event
from loadlog.model.quantity import UNIT_OF_SUFFIX

BRIEF = 3
_OF_THE_EVENT = ("value", "limit", "worst", "from", "to")  # their unit stands beside them
_AFTERWARDS = "restored_"  # told when it was over: no evidence of how it began
_HIDDEN = ("unit", "samples", "acknowledged_at")


def brief(event: Event) -> list[str]:
    """The pieces that matter most: what was measured and what it was to be compared with, then other numbers, then words."""
    evidence = event.evidence
    names = [n for n in evidence if _is_plain(n, evidence) and not n.startswith(_AFTERWARDS)]
    return [_piece(name, evidence) for name in sorted(names, key=lambda n: _rank(n, evidence))[:BRIEF]]


def whole(event: Event) -> list[str]:
    """All of it, in the order in which it was told."""
    evidence = event.evidence
    out = [_piece(name, evidence) for name in evidence if _is_plain(name, evidence)]
    for name, value in evidence.items():
        if isinstance(value, Mapping):
            bare, unit = _unit(name)
            out.append(f"{bare}: {', '.join(f'{key} {number(one)}{unit}' for key, one in value.items())}")
    return out


def number(value: object) -> str:
    """``23.97``: five digits of a float, no exponent where none is needed."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.5g}" if isinstance(value, float) else str(value)


def _is_plain(name: str, evidence: Mapping[str, object]) -> bool:
    value = evidence[name]
    if name in _HIDDEN or value is None or value is False or isinstance(value, Mapping | list | tuple):
        return False
    return "_uncertainty_" not in name or name.replace("_uncertainty_", "_") not in evidence


def _rank(name: str, evidence: Mapping[str, object]) -> int:
    bare = name.removeprefix("expected_")
    if f"expected_{bare}" in evidence or name in _OF_THE_EVENT:
        return 0
    words, _, unit = name.rpartition("_")
    if f"{words}_before_{unit}" in evidence or "_before_" in name:
        return 0
    return 1 if _unit(name)[1] else 2


def _unit(name: str) -> tuple[str, str]:
    """Name in words, and the unit with a space before it."""
    parts = name.split("_")
    for length in (3, 1):  # v_per_s before s
        known = UNIT_OF_SUFFIX.get("_".join(parts[-length:])) if len(parts) > length else None
        if known:
            return " ".join(parts[:-length]), f" {known}"
    return name.replace("_", " "), ""


def _piece(name: str, evidence: Mapping[str, object]) -> str:
    bare, unit = _unit(name)
    if not unit and name in _OF_THE_EVENT and evidence.get("unit"):
        unit = f" {evidence['unit']}"
    words, _, suffix = name.rpartition("_")
    sure = evidence.get(f"{words}_uncertainty_{suffix}")
    beside = f" ± {sure:.2g}{unit}" if isinstance(sure, float) else ""
    return f"{bare} {number(evidence[name])}{unit}{beside}"
