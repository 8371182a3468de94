"""Sums over many verdicts: per kind found, delay, onset, cause, form; false alarms with their confidence; calibration."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from scipy.stats import chi2

from tests.events.judge import Match, Statement

BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0001)


def poisson_bounds(n: int, hours: float, confidence: float = 0.95) -> tuple[float, float]:
    """Rate per 1,000 h: exact limits of a Poisson count (Garwood, Biometrika 28 (1936) 437)."""
    tail = 0.5 * (1.0 - confidence)
    low = 0.5 * chi2.ppf(tail, 2 * n) if n else 0.0
    high = 0.5 * chi2.ppf(1.0 - tail, 2 * n + 2)
    return 1000.0 * low / hours, 1000.0 * high / hours


def quantile(values: Sequence[float], share: float) -> float:
    """Smallest value that this share of all does not exceed."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, max(0, -int(-share * len(ordered) // 1) - 1))] if ordered else float("nan")


@dataclass
class Row:
    """One line of the table of kinds, or of scenarios. Shares are None where nothing counts."""

    name: str
    n: int = 0
    found: int = 0
    delays: list[float] = field(default_factory=list)
    covered: int = 0
    onset_errors_s: list[float] = field(default_factory=list)
    cause_right: int = 0
    forms: int = 0
    forms_right: int = 0

    def add(self, match: Match) -> None:
        """One expected event."""
        self.n += 1
        if match.expected.form:
            self.forms += match.found
            self.forms_right += match.found and match.form_right
        if not match.found:
            return
        self.found += 1
        self.cause_right += match.cause_right
        if not match.expected.slow:
            self.delays.append(match.delay)
            self.covered += match.covers
            self.onset_errors_s.append(match.onset_error_s)

    def cells(self) -> list[str]:
        """As printed."""
        median = f"{statistics.median(self.delays):.0f}" if self.delays else "-"
        late = f"{quantile(self.delays, 0.95):.0f}" if self.delays else "-"
        return [
            self.name, str(self.n), share(self.found, self.n), median, late, share(self.covered, len(self.delays)),
            f"{max(self.onset_errors_s):.3g}" if self.onset_errors_s else "-", share(self.cause_right, self.found),
            share(self.forms_right, self.forms),
        ]  # fmt: skip


HEAD = ["", "n", "found", "delay 50 %", "delay 95 %", "onset covered", "worst onset s", "cause right", "form right"]


def share(part: int, whole: int) -> str:
    """In percent."""
    return f"{100.0 * part / whole:.1f} %" if whole else "-"


def rows(pairs: Iterable[tuple[str, Match]]) -> list[Row]:
    """One row for each name."""
    out: dict[str, Row] = {}
    for name, match in pairs:
        out.setdefault(name, Row(name)).add(match)
    return list(out.values())


@dataclass(frozen=True)
class Reliability:
    """Statements whose probability lies in one bin."""

    low: float
    high: float
    n: int
    stated: float
    right: float


def reliability(statements: Iterable[Statement]) -> list[Reliability]:
    """The reliability table."""
    bins: dict[int, list[Statement]] = defaultdict(list)
    for s in statements:
        bins[next(i for i in range(len(BINS) - 1) if s.probability < BINS[i + 1])].append(s)
    return [
        Reliability(
            BINS[i], min(BINS[i + 1], 1.0), len(items), statistics.fmean(s.probability for s in items),
            sum(s.is_so for s in items) / len(items),
        )
        for i, items in sorted(bins.items())
    ]  # fmt: skip


def grid(head: Sequence[str], lines: Iterable[Sequence[str]]) -> str:
    """A table for people: first column to the left, the others to the right."""
    table = [list(head), *map(list, lines)]
    widths = [max(len(line[c]) for line in table) for c in range(len(head))]
    return "\n".join(
        "  ".join(cell.ljust(w) if c == 0 else cell.rjust(w) for c, (cell, w) in enumerate(zip(line, widths, strict=True)))
        for line in table
    )
