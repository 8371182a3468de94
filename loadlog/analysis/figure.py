"""A computed figure: value, unit, standard uncertainty, what it rests on, or why it cannot be given.

A figure is never made up: without data ``value`` is None and ``why_not`` says what is missing. ``low`` and ``high`` enclose what the value
may be because of what was *not seen* (gaps); the standard uncertainty is about what was seen (JCGM 100:2008). Both count in a verdict.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

COVERAGE_FACTOR = 2.0  # k = 2, about 95 % for a normal distribution (JCGM 100, 6.3.3)


@dataclass(frozen=True, slots=True)
class Figure:
    """One number about a stretch of samples.

    ``name``: the statistic (``mean``, ``charge``...). ``value`` and ``uncertainty`` (standard, None when it is not known) in ``unit``.
    ``samples``: good samples used. ``coverage``: share of the time that they stand for, 0 to 1, None where time has no part in it.
    ``details``: further numbers by name with their unit last (``bridged_ah``). ``notes``: assumptions, one line each.
    """

    name: str
    value: float | None
    unit: str
    uncertainty: float | None = None
    samples: int = 0
    coverage: float | None = None
    low: float | None = None
    high: float | None = None
    why_not: str = ""
    notes: tuple[str, ...] = ()
    details: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def missing(cls, name: str, unit: str, why_not: str, samples: int = 0, coverage: float | None = None) -> Figure:
        """A figure that cannot be given, and why."""
        return cls(name, None, unit, samples=samples, coverage=coverage, why_not=why_not)

    @property
    def expanded(self) -> float | None:
        """Expanded uncertainty, k = 2."""
        return None if self.uncertainty is None else COVERAGE_FACTOR * self.uncertainty

    @property
    def bounds(self) -> tuple[float, float]:
        """What the value may be with regard to what was not seen.

        Raises:
            ValueError: there is no value.
        """
        if self.value is None:
            raise ValueError(f"{self.name}: {self.why_not}")
        return (self.value if self.low is None else self.low, self.value if self.high is None else self.high)

    def noted(self, *notes: str) -> Figure:
        """The same with further notes."""
        return replace(self, notes=(*self.notes, *notes))

    def text(self) -> str:
        """For people: ``24.012 V ± 0.011 V (k = 2)``, with its bounds where what was not seen is more than that, or why there is none."""
        if self.value is None:
            return f"none: {self.why_not}"
        unit, (low, high) = f" {self.unit}" if self.unit else "", self.bounds
        unseen = f"; with what was not seen {low:.5g} to {high:.5g}{unit}" if high - low > (self.expanded or 0.0) else ""
        if self.uncertainty is None or not math.isfinite(self.uncertainty) or self.uncertainty == 0:
            return f"{self.value:.6g}{unit}{unseen}"
        decimals = decimals_of(COVERAGE_FACTOR * self.uncertainty)
        expanded = _rounded(COVERAGE_FACTOR * self.uncertainty, decimals)
        return f"{_rounded(self.value, decimals)}{unit} ± {expanded}{unit} (k = 2){unseen}"

    def to_json(self) -> dict[str, Any]:
        """For programs; None where there is nothing."""
        out: dict[str, Any] = {
            "name": self.name, "value": self.value, "unit": self.unit, "uncertainty": self.uncertainty, "samples": self.samples,
            "coverage": self.coverage,
        }  # fmt: skip
        optional = {
            "low": self.low, "high": self.high, "why_not": self.why_not, "notes": list(self.notes), "details": dict(self.details),
        }  # fmt: skip
        return out | {key: value for key, value in optional.items() if value not in (None, "", [], {})}


def decimals_of(uncertainty: float) -> int:
    """Decimals that leave two significant digits of an uncertainty (JCGM 100, 7.2.6); negative before the point."""
    return 1 - math.floor(math.log10(abs(uncertainty)))


def _rounded(value: float, decimals: int) -> str:
    return f"{round(value, decimals):.{max(0, decimals)}f}"
