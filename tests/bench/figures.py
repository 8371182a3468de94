"""Figures: what was measured, what was asked for, and the table of both. A figure without a bound is printed for comparison only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Figure:
    """``least``, ``most``: the bound, None where there is none. ``beside``: what it is to be compared with, or how it was measured.
    ``ideal_misses``: the ideal master missed it too, in the same run: the machine was too busy to judge."""

    what: str
    value: float
    unit: str = ""
    least: float | None = None
    most: float | None = None
    beside: str = ""
    ideal_misses: bool = False

    @property
    def is_met(self) -> bool:
        """True when inside its bound."""
        return (self.least is None or self.value >= self.least) and (self.most is None or self.value <= self.most)

    @property
    def bound(self) -> str:
        """For the table."""
        if self.least is not None:
            return f"≥ {self.least:g}"
        return "" if self.most is None else f"≤ {self.most:g}"

    @property
    def mark(self) -> str:
        """For the table."""
        if not self.bound:
            return ""
        return "ok" if self.is_met else "MISSED, busy machine" if self.ideal_misses else "MISSED"


def table(figures: Sequence[Figure]) -> str:
    """One table, a line a figure."""
    rows = [("figure", "measured", "asked for", "", "beside")]
    for figure in figures:
        unit = f" {figure.unit}" if figure.unit else ""
        rows.append((figure.what, f"{figure.value:.4g}{unit}", figure.bound, figure.mark, figure.beside))
    widths = [max(len(row[i]) for row in rows) for i in range(4)]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, [*widths, 0], strict=True)).rstrip() for row in rows]
    return "\n".join([lines[0], "-" * max(map(len, lines)), *lines[1:]])
