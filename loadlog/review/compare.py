"""Two runs side by side: the figures of both, their difference, and whether it is more than the uncertainty of measuring.

The uncertainties of both are combined as if independent (JCGM 100:2008, 5.1.2). The same instrument in both runs has most of its error in
common, so the true uncertainty of the difference is smaller: what is called a difference here is one, what is not may still be.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from loadlog.analysis import Figure
from loadlog.analysis.figure import COVERAGE_FACTOR
from loadlog.review.postmortem import PostMortem


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure of both runs. ``change``: second less first, with its standard ``uncertainty``, None where one is missing; ``exceeds``:
    the change is more than its expanded uncertainty (k = 2), None when that is not known."""

    device: str
    channel: str
    statistic: str
    first: Figure
    second: Figure
    change: float | None
    uncertainty: float | None
    exceeds: bool | None

    def to_json(self) -> dict[str, Any]:
        """For programs."""
        return {
            "device": self.device, "channel": self.channel, "statistic": self.statistic, "first": self.first.to_json(),
            "second": self.second.to_json(), "change": self.change, "uncertainty": self.uncertainty, "exceeds_uncertainty": self.exceeds,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Comparison:
    """``only_in``: run id -> devices that the other run does not have. ``kinds``: event kind -> how many events in each run."""

    first: PostMortem
    second: PostMortem
    differences: tuple[Difference, ...]
    only_in: dict[str, tuple[str, ...]]
    kinds: dict[str, tuple[int, int]]

    def to_json(self) -> dict[str, Any]:
        """For programs."""
        return {
            "first": self.first.summary.run.id,
            "second": self.second.summary.run.id,
            "verdicts": [self.first.verdict.sentence, self.second.verdict.sentence],
            "differences": [d.to_json() for d in self.differences],
            "only_in": {run: list(devices) for run, devices in self.only_in.items()},
            "events": {kind: list(counts) for kind, counts in self.kinds.items()},
        }


def compare(first: PostMortem, second: PostMortem) -> Comparison:
    """Two runs; devices are the same when their names are."""
    names = [{d.spec.name for d in run.devices} for run in (first, second)]
    only = {first.summary.run.id: tuple(sorted(names[0] - names[1])), second.summary.run.id: tuple(sorted(names[1] - names[0]))}
    counts: dict[str, list[int]] = {}
    for place, run in enumerate((first, second)):
        for placed in run.timeline:
            counts.setdefault(placed.event.kind, [0, 0])[place] += 1
    kinds = {kind: (a, b) for kind, (a, b) in sorted(counts.items())}
    return Comparison(first, second, tuple(_differences(first, second)), only, kinds)


def _differences(first: PostMortem, second: PostMortem) -> Iterator[Difference]:
    others = {d.spec.name: d for d in second.devices}
    for device in first.devices:
        other = others.get(device.spec.name)
        if other is None:
            continue
        for (channel, statistic), a in device.figures.items():
            b = other.figures.get((channel, statistic))
            if b is not None and not (a.value is None and b.value is None):
                yield Difference(device.spec.name, channel, statistic, a, b, *_change(a, b))


def _change(a: Figure, b: Figure) -> tuple[float | None, float | None, bool | None]:
    if a.value is None or b.value is None or a.unit != b.unit:
        return None, None, None
    change = b.value - a.value
    if a.uncertainty is None or b.uncertainty is None:
        return change, None, None
    uncertainty = math.hypot(a.uncertainty, b.uncertainty)
    unseen = max(a.bounds[1] - a.bounds[0], 0.0) + max(b.bounds[1] - b.bounds[0], 0.0)  # what gaps leave open counts in full
    return change, uncertainty, abs(change) > COVERAGE_FACTOR * uncertainty + unseen
