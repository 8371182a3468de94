"""One scenario, drawn and ready to play."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.events.truth import Expected
from tests.events.world import Setting, World

RATES = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


@dataclass
class Case:
    """A world ready to play until ``until_s``. ``begin_s``: when the first fault comes; infinity: never. ``both``: causes that cannot be
    told apart from what is measured. ``expected``: in addition to what the log says; ``without``: faults of the log that no event tells."""

    world: World
    until_s: float
    begin_s: float = float("inf")
    both: frozenset[str] = frozenset()
    expected: list[Expected] = field(default_factory=list)
    companions: frozenset[str] = frozenset()
    without: frozenset[str] = frozenset()
    within_s: float = 30.0


Maker = Callable[[random.Random], Case]


def times(rnd: random.Random, setting: Setting, after_s: float = 40.0) -> tuple[float, float]:
    """When the fault comes, and when the run ends: enough samples before and after."""
    begin_s = max(30.0, 130 * setting.period_s) * rnd.uniform(1.0, 1.6) + 20 * setting.period_s
    return begin_s, begin_s + max(after_s, 70 * setting.period_s)
