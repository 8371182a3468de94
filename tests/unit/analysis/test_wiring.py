"""Path resistance, sharing and efficiency of a group."""

from __future__ import annotations

import numpy as np
import pytest

from loadlog.analysis import Bins, chunk_of_arrays
from loadlog.analysis.wiring import Measured, efficiency, path_resistance, sharing
from tests.unit.analysis.instruments_of_tests import CURRENT, POWER, VOLTAGE, table

T = np.arange(0.0, 3600.0)


def measured(name: str, values: np.ndarray, spec, offset_s: float = 0.0) -> Measured:
    bins = Bins((name,), 60.0)
    bins.add(chunk_of_arrays(T + offset_s, **{name: values}))
    return Measured(bins.table(), spec)


def test_path_resistance_by_slope_does_not_mind_an_offset() -> None:
    """2 × 1 m of 2.5 mm² copper (IEC 60228 class 5: at most 7.98 mΩ/m): 160 mV at 10 A, 1.6 W."""
    per_m = next(float(r["milliohm_per_m_20C"]) for r in table("copper_leads.csv") if r["size"] == "2.5 mm2") / 1000
    i = np.where((T // 600) % 2 == 0, 10.0, 2.0)
    drop = 2 * per_m * i
    assert drop.max() == pytest.approx(0.160, abs=0.001)
    offset = 0.008
    figure, heat = path_resistance(
        measured("voltage_v", 24.0 + offset + 0 * i, VOLTAGE), measured("voltage_v", 24.0 - drop, VOLTAGE, 0.3),
        measured("current_a", i, CURRENT, 0.3),
    )  # fmt: skip
    assert figure.value == pytest.approx(2 * per_m, rel=0.01)
    assert abs(figure.value - 2 * per_m) < 2 * figure.uncertainty
    assert heat.details["highest_w"] == pytest.approx(1.6 + 0.08, rel=0.01)


def test_path_resistance_at_a_constant_current_has_the_offset_in_its_uncertainty() -> None:
    i = np.full(len(T), 10.0)
    figure, heat = path_resistance(
        measured("voltage_v", 24.0 + 0 * i, VOLTAGE), measured("voltage_v", 23.84 + 0 * i, VOLTAGE), measured("current_a", i, CURRENT)
    )
    assert figure.value == pytest.approx(0.016, rel=1e-6)
    assert figure.uncertainty == pytest.approx(np.sqrt(2) * 0.0098 / 10, rel=0.03)
    assert heat.value == pytest.approx(1.6, rel=1e-6)
    assert any("offsets" in note for note in figure.notes)


@pytest.mark.parametrize("current", [0.0, 0.005])
def test_no_current_no_resistance(current: float) -> None:
    v = measured("voltage_v", 24.0 + 0 * T, VOLTAGE)
    figure, heat = path_resistance(v, v, measured("current_a", current + 0 * T, CURRENT))
    assert figure.value is None
    assert heat.value is None
    assert "too small" in figure.why_not


def test_no_common_time() -> None:
    v = measured("voltage_v", 24.0 + 0 * T, VOLTAGE)
    figure, _ = path_resistance(v, measured("voltage_v", 24.0 + 0 * T, VOLTAGE, 1e6), measured("current_a", 1 + 0 * T, CURRENT))
    assert figure.value is None
    assert "no stretch" in figure.why_not


def test_shares() -> None:
    shares = sharing({"a": measured("current_a", 6 + 0 * T, CURRENT), "b": measured("current_a", 4 + 0 * T, CURRENT, 0.5)})
    assert shares["a"].value == pytest.approx(60.0)
    assert shares["a"].value + shares["b"].value == pytest.approx(100.0)
    assert shares["a"].details["beyond_equal_a"] == pytest.approx(1.0)
    # ∂share/∂Ia = (1 − s)/I, ∂share/∂Ib = −s/I with ± (0.05 % + 5 mA)
    u = [np.hypot((5e-4 * x + 5e-3) / np.sqrt(3), 1e-3 / np.sqrt(12)) for x in (6, 4)]
    assert shares["a"].uncertainty == pytest.approx(100 * np.hypot(0.4 * u[0], 0.6 * u[1]) / 10, rel=1e-6)


def test_shares_need_two_and_a_current() -> None:
    one = measured("current_a", 6 + 0 * T, CURRENT)
    nothing = measured("current_a", 0 * T, CURRENT)
    assert "only one" in sharing({"a": one})["a"].why_not
    assert "current flowed" in sharing({"a": nothing, "b": nothing})["b"].why_not


def test_efficiency() -> None:
    given, taken = measured("power_w", 100 + 0 * T, POWER), measured("power_w", 45 + 0 * T, POWER)
    figure = efficiency({"meter": given}, {"load-1": taken, "load-2": taken})
    assert figure.value == pytest.approx(90.0)
    assert figure.details["input_wh"] == pytest.approx(100.0)
    u_in, u_out = (0.05 + 0.05) / np.sqrt(3), np.sqrt(2) * (0.0225 + 0.05) / np.sqrt(3)
    assert figure.uncertainty == pytest.approx(np.hypot(u_out, 0.9 * u_in), rel=0.01)


def test_efficiency_needs_an_input() -> None:
    taken = measured("power_w", 45 + 0 * T, POWER)
    assert "not measured" in efficiency({}, {"load-1": taken}).why_not
    assert "not above" in efficiency({"meter": measured("power_w", 0 * T, POWER)}, {"load-1": taken}).why_not
    assert "more came out" in efficiency({"meter": taken}, {"load-1": measured("power_w", 60 + 0 * T, POWER)}).notes[0]
