"""Everything that is studied beside the scenarios: size of steps, ROC, trips, faults at interruptions, calibration,
forecast of temperatures, cost."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from tests.events.calibration import calibration_study, rising_study
from tests.events.causes_study import growth_study, intermittent_study, modes_study, stop_study
from tests.events.cost import cost_study
from tests.events.figure import Study
from tests.events.forecast import forecast_study
from tests.events.interrupted import interrupted_study
from tests.events.steps_study import roc_study, step_study
from tests.events.trips_study import trips_study

# name -> study, trials or samples, those of a quick run
STUDIES: Mapping[str, tuple[Callable[[int, int], Study], int, int]] = {
    "steps": (step_study, 200, 20),
    "roc": (roc_study, 40, 5),
    "calibration": (calibration_study, 2000, 50),
    "modes": (modes_study, 600, 10),
    "intermittent": (intermittent_study, 600, 20),
    "stops": (stop_study, 1500, 40),
    "trips": (trips_study, 300, 12),
    "interrupted": (interrupted_study, 20, 1),
    "growth": (growth_study, 600, 20),
    "rising": (rising_study, 500, 10),
    "forecast": (forecast_study, 100, 10),
    "cost": (cost_study, 30_000, 5_000),
}


def studies(seed: int, quick: bool, only: str = "") -> list[Study]:
    """Those whose name contains ``only``."""
    return [study(seed, few if quick else many) for name, (study, many, few) in STUDIES.items() if only in name]
