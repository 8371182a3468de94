"""The figures of a group follow from roles, wiring and what each instrument measures."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from loadlog.analysis import Bins, DeviceAnalysis, Span, bin_width_s, chunk_of_arrays, join
from loadlog.analysis.group import GroupFigure, group_figures
from loadlog.model.clock import NS
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import UsageError
from tests.unit.analysis.instruments_of_tests import CURRENT, POWER, VOLTAGE

T = np.arange(0.0, 3600.0)
SPAN = Span(0, 3600 * NS)
LEAD_OHM = 0.012


def analysed(name: str, role: str, period_s: float = 1.0, wired: dict[str, object] | None = None, **columns: np.ndarray) -> DeviceAnalysis:
    specs = {"voltage_v": VOLTAGE, "current_a": CURRENT, "power_w": POWER}
    spec = DeviceSpec(name, role, "rack", period_s, tuple(specs[c] for c in columns), group="stack")
    analysis = DeviceAnalysis(dataclasses.replace(spec, **(wired or {})), SPAN)
    every = round(period_s)
    analysis.add(chunk_of_arrays(T[::every] + 0.01 * len(name), name, **{c: v[::every] for c, v in columns.items()}))
    return analysis


def bench(**wired: object) -> list[DeviceAnalysis]:
    """A supply at 24 V feeds two loads over leads of 12 mΩ each; the supply is polled every 5 s, the loads every second."""
    i1, i2 = np.where((T // 300) % 2 == 0, 10.0, 4.0), np.full(len(T), 6.0)
    v1, v2 = 24 - LEAD_OHM * i1, 24 - LEAD_OHM * i2
    return [
        analysed("supply", "supply", 5.0, voltage_v=24 + 0 * T, current_a=i1 + i2),
        analysed("load-1", "load", 1.0, dict(wired), voltage_v=v1, current_a=i1, power_w=v1 * i1),
        analysed("load-2", "load", 1.0, dict(wired), voltage_v=v2, current_a=i2),
    ]


def by_name(figures: list[GroupFigure]) -> dict[tuple[str | None, str], GroupFigure]:
    return {(f.device, f.figure.name): f for f in figures}


def test_everything_that_a_group_can_say() -> None:
    found = by_name(group_figures(bench()))
    assert found["load-1", "current_share"].figure.value == pytest.approx(100 * 7 / 13, rel=1e-3)
    for load in ("load-1", "load-2"):
        resistance = found[load, "path_resistance"].figure
        assert abs(resistance.value - LEAD_OHM) < 2 * resistance.uncertainty
        assert f"between supply and {load}" in resistance.notes[-1]
    assert found["load-1", "path_resistance"].figure.uncertainty < found["load-2", "path_resistance"].figure.uncertainty
    assert found["load-1", "path_dissipation"].figure.value == pytest.approx(LEAD_OHM * (100 + 16) / 2, rel=0.02)
    efficiency = found[None, "efficiency"].figure
    true = 100 * (1 - LEAD_OHM * ((100 + 16) / 2 + 36) / (24 * 13))
    assert efficiency.value == pytest.approx(true, abs=0.01)
    assert "from supply to load-1, load-2" in efficiency.notes[-1]
    assert found[None, "efficiency"].to_json()["group"] == "stack"


def test_a_load_that_senses_remotely_does_not_see_its_leads() -> None:
    found = by_name(group_figures(bench(sense="remote")))
    assert "senses remotely" in found["load-1", "path_resistance"].figure.why_not
    assert ("load-1", "path_dissipation") not in found


def test_the_capacity_of_a_battery_under_several_loads() -> None:
    found = by_name(group_figures(bench(source="battery", rated_ah=16.0)[1:]))
    assert found[None, "capacity"].figure.value == pytest.approx(13.0, rel=1e-3)
    assert found[None, "capacity_of_rated"].figure.value == pytest.approx(100 * 13 / 16, rel=1e-3)


def test_one_device_or_no_group_says_nothing() -> None:
    assert group_figures([bench()[1]]) == []
    assert group_figures([]) == []
    alone = dataclasses.replace(bench()[1].spec, group=None)
    assert group_figures([DeviceAnalysis(alone, SPAN)]) == []


def test_a_group_without_samples_gives_reasons() -> None:
    silent = [DeviceAnalysis(a.spec, SPAN) for a in bench()]
    figures = group_figures(silent)
    assert figures
    assert all(f.figure.value is None and f.figure.why_not for f in figures)


@pytest.mark.parametrize("span_s", [10.0, 60.0, 3600.0, 86400.0 * 3])
def test_the_bins_of_all_devices_fit_into_each_other(span_s: float) -> None:
    widths = sorted({bin_width_s(span_s, period_s) for period_s in (0.01, 0.1, 0.25, 1, 3, 7, 40, 100)})
    for period_s in (0.01, 0.1, 1.0, 40.0):
        assert bin_width_s(span_s, period_s) >= 2 * period_s
    for narrow, wide in zip(widths, widths[1:], strict=False):  # noqa: RUF007
        assert wide / narrow == round(wide / narrow)
    assert bin_width_s(86400.0 * 3, 0.1) == 60.0


def test_coarser_bins_are_those_of_the_samples() -> None:
    rng = np.random.default_rng(12)
    chunk = chunk_of_arrays(np.sort(rng.uniform(0, 1000, 3000)), voltage_v=rng.normal(24, 1, 3000))
    fine, coarse = Bins(("voltage_v",), 7.5), Bins(("voltage_v",), 60.0)
    fine.add(chunk)
    coarse.add(chunk)
    made = fine.table().coarser(60.0)
    assert made.index.tolist() == coarse.table().index.tolist()
    assert made.means["voltage_v"] == pytest.approx(coarse.table().means["voltage_v"], rel=1e-12)
    assert made.counts["voltage_v"].tolist() == coarse.table().counts["voltage_v"].tolist()
    with pytest.raises(UsageError, match="do not make"):
        fine.table().coarser(50.0)
    with pytest.raises(UsageError, match="nothing"):
        join({}, {})
