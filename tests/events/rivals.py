"""What others use, on the same traces: change detectors of river on the voltage, and a fixed threshold.

They say only that something changed, so only finding, delay and false alarms are compared. Each gets what a careful user would give it:
the voltage in deviations of the first `LEARN` samples, PageHinkley with delta half a deviation and a threshold of 30, ADWIN with delta
1e-6, the threshold 1 % of the first level (common practice, no source).
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from river.drift import ADWIN, PageHinkley

from tests.events.world import Seen

LEARN = 60
NAMES = ("PageHinkley", "ADWIN", "1 % threshold")


@dataclass
class Heard:
    """``alarms``: indices of samples at which each said something."""

    name: str
    alarms: list[int]


def listen(seen: Sequence[Seen]) -> list[Heard]:
    """All rivals over one device's voltage."""
    values = [s.voltage_v for s in seen if s.voltage_v is not None]
    if len(values) <= LEARN:
        return [Heard(name, []) for name in NAMES]
    level = statistics.fmean(values[:LEARN])
    sigma = statistics.pstdev(values[:LEARN]) or 1e-4
    page = PageHinkley(min_instances=30, delta=0.5, threshold=30.0, alpha=1.0)
    adwin = ADWIN(delta=1e-6)
    heard = {name: Heard(name, []) for name in NAMES}
    outside = False
    for n, s in enumerate(seen):
        if s.voltage_v is None:
            continue
        z = (s.voltage_v - level) / sigma
        page.update(z)
        adwin.update(z)
        if page.drift_detected:
            heard["PageHinkley"].alarms.append(n)
        if adwin.drift_detected:
            heard["ADWIN"].alarms.append(n)
        beyond = abs(s.voltage_v - level) > 0.01 * abs(level)
        if beyond and not outside:
            heard["1 % threshold"].alarms.append(n)
        outside = beyond
    return list(heard.values())


def first_after(heard: Heard, seen: Sequence[Seen], t_s: float, within: int = 60) -> int | None:
    """Delay in samples of the first alarm at or after bench time ``t_s``, None without one in ``within`` samples."""
    begin = next((n for n, s in enumerate(seen) if s.t_s >= t_s), None)
    if begin is None:
        return None
    return next((n - begin + 1 for n in heard.alarms if begin <= n < begin + within), None)
