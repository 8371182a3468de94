"""Everything that is studied beside the scenarios: size of steps, ROC, forecast of temperatures, cost."""

from __future__ import annotations

from tests.events.cost import cost_study
from tests.events.figure import Study
from tests.events.forecast import forecast_study
from tests.events.steps_study import roc_study, step_study


def studies(seed: int, quick: bool) -> list[Study]:
    """All of them."""
    return [
        step_study(seed, 20 if quick else 200),
        roc_study(seed, 5 if quick else 40),
        forecast_study(seed, 10 if quick else 60),
        cost_study(seed, 5_000 if quick else 30_000),
    ]
