"""A figure that was asked for, beside the one reached."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Figure:
    """``met`` None: too little was simulated to say."""

    what: str
    asked: str
    reached: str
    met: bool | None


@dataclass
class Study:
    """``text``: table for people."""

    name: str
    text: str
    figures: list[Figure] = field(default_factory=list)


def at_least(what: str, asked: float, part: int, whole: int) -> Figure:
    """A share of trials. Missed only when chance does not explain it: a share at the edge of what is asked falls short half the time, so
    the upper limit of its confidence interval (Wilson, 95 %) must lie below."""
    if not whole:
        return Figure(what, f"at least {100 * asked:g} %", "none of it was simulated", None)
    low, high = wilson(part, whole)
    met = True if part >= asked * whole else False if high < asked else None
    reached = f"{100 * part / whole:.1f} % of {whole} ({100 * low:.1f} to {100 * high:.1f})"
    return Figure(what, f"at least {100 * asked:g} %", reached, met)


def wilson(part: int, whole: int, z: float = 1.96) -> tuple[float, float]:
    """Interval of a share (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    p, n = part / whole, whole
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z * ((p * (1 - p) + z * z / (4 * n)) / n) ** 0.5 / (1 + z * z / n)
    return max(0.0, middle - half), min(1.0, middle + half)
