"""A cell model written by others as reference: PyBaMM (Sulzer et al. 2021, J. Open Research Software 9, 14), single particle model with the
parameters of Chen et al. 2020 (J. Electrochem. Soc. 167, 080534): nominal 5.0 A·h, 2.5 to 4.2 V. Model and integration are its own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from loadlog.analysis import Charge, Discharge, Energy, TwoCurrent, against_rated, chunk_of_arrays
from tests.unit.analysis.instruments_of_tests import CURRENT, EXACT_A, EXACT_V, VOLTAGE, split


@pytest.fixture(scope="module")
def pybamm() -> Any:
    import pybamm  # takes seconds: only when it is used

    pybamm.set_logging_level("ERROR")
    return pybamm


def test_discharge_at_1c(pybamm: Any) -> None:
    """The model integrates charge and energy itself: 4.95536 A·h and 17.6236 W·h to 2.5 V at a tolerance of 1e-8 (at the default one
    17.610). Polled once a second, exactly and with displays of 1 mV and 1 mA."""
    model = pybamm.lithium_ion.SPM({"calculate discharge energy": "true"})
    solver = pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-10)
    simulation = pybamm.Simulation(model, parameter_values=pybamm.ParameterValues("Chen2020"), C_rate=1, solver=solver)
    solution = simulation.solve([0, 3700], t_interp=np.arange(0.0, 3700.0))
    t, v, i = solution.t, solution["Terminal voltage [V]"].entries, solution["Current [A]"].entries
    counter_ah = float(solution["Discharge capacity [A.h]"].entries[-1])
    energy_wh = float(solution["Discharge energy [W.h]"].entries[-1])
    assert counter_ah == pytest.approx(4.95536, abs=1e-4)
    assert energy_wh == pytest.approx(17.6236, abs=2e-4)
    for voltage, current, step, limit in ((EXACT_V, EXACT_A, 1e-9, 2e-6), (VOLTAGE, CURRENT, 1e-3, 2e-4)):
        discharge = Discharge(voltage, current, 2.5, cutoff_v=2.5)
        charge, energy = Charge(current, 2.5), Energy(voltage, current, 2.5)
        chunk = chunk_of_arrays(t, voltage_v=np.round(v / step) * step, current_a=np.round(i / step) * step)
        for part in split(chunk, 1, 1000, 3000):
            for one in (discharge, charge, energy):
                one.add(part)
        assert discharge.capacity().value == pytest.approx(counter_ah, rel=limit)
        assert charge.figure().value == pytest.approx(counter_ah, rel=limit)
        assert energy.figure().value == pytest.approx(energy_wh, rel=limit)
        assert abs(discharge.energy().value - energy_wh) < 2 * discharge.energy().uncertainty
        assert against_rated(discharge.capacity(), 5.0).value == pytest.approx(99.107, abs=0.03)


def test_two_current_method_at_half_charge(pybamm: Any) -> None:
    """1 A for 10 s, then 5 A for 1 s at half charge: 3.722381 V, 3.653252 V, 17.282 mΩ."""
    model = pybamm.lithium_ion.SPM()
    experiment = pybamm.Experiment(["Discharge at 1 A for 10 seconds", "Discharge at 5 A for 1 second"], period="0.1 seconds")
    solution = pybamm.Simulation(model, parameter_values=pybamm.ParameterValues("Chen2020"), experiment=experiment).solve(initial_soc=0.5)
    t = solution["Time [s]"].entries
    keep = np.concatenate((np.diff(t) > 1e-6, [True]))  # both sides of the step are given at one instant; a poll sees one of them
    v, i = solution["Terminal voltage [V]"].entries, solution["Current [A]"].entries
    first_at_5 = int(np.flatnonzero(i > 3)[0])
    keep[first_at_5 - 1], keep[first_at_5] = True, t[first_at_5] - t[first_at_5 - 1] > 1e-6
    two = TwoCurrent(EXACT_V, EXACT_A, 1.0, after_s=(1.0,), min_step_a=1.0)
    two.add(chunk_of_arrays(t[keep], voltage_v=v[keep], current_a=i[keep]))
    (step,) = two.steps()
    assert step.u1_v == pytest.approx(3.722381, abs=2e-6)
    assert step.u2_v == pytest.approx(3.653252, abs=2e-6)
    assert step.resistance.value * 1000 == pytest.approx(17.282, abs=1e-3)
    assert step.held_s == pytest.approx(10.0, abs=0.11)
    assert step.after_s[1] == pytest.approx(1.0, abs=1e-3)
