"""Accuracy points: error, share of the limit, guard band, test-uncertainty ratio, cold and hot; what people enter by hand."""

from __future__ import annotations

import json
import math

import pytest

from loadlog.analysis.accuracy import Point, Reference, Taken, judge_point, judge_points, make_point, warming
from loadlog.analysis.references import parse_accuracy, parse_csv, parse_point, parse_value
from loadlog.analysis.verdict import Decision
from loadlog.model.errors import UsageError
from tests.unit.analysis.instruments_of_tests import CURRENT, EXACT_V, VOLTAGE, channel, load

SPEC = load(1.0, VOLTAGE, CURRENT, channel("resistance_ohm", "Ω"), channel("temperature_c", "°C", "0.1", 0.0, 10))


def point(channel_name: str, reference: float, error: float, u: float | None = 1e-4, condition: str = "", t: int = 0) -> Point:
    spec = VOLTAGE if channel_name == "voltage_v" else CURRENT
    return make_point(load(1.0, spec), Reference(channel_name, reference, u_reference=u, condition=condition), Taken(t, reference + error))


def test_facts_of_the_trade() -> None:
    """Common practice, no source: at ± (0.05 % + 5 counts) with 1 mA and 1 mV resolution an error of 6 mA at 6 A and one of 4 mV at 5 A
    (a voltage of 12 V) are inside; a hot instrument whose error doubles from 2 mV to 4 mV stays inside."""
    current = point("current_a", 6.0, 0.006)
    assert current.limit == pytest.approx(0.003 + 0.005, rel=0.001)
    assert current.share == pytest.approx(0.75, rel=0.001)
    assert judge_point(current).decision is Decision.PASS
    for volts in (0.5, 5.0, 12.0):
        voltage = point("voltage_v", volts, 0.004)
        assert judge_point(voltage).decision is Decision.PASS
    cold, hot = point("voltage_v", 12.0, 0.002, condition="cold"), point("voltage_v", 12.0, 0.004, condition="hot", t=1)
    (found,) = warming([cold, hot])
    assert found.change == pytest.approx(0.002)
    assert found.both_inside
    assert found.share == pytest.approx(0.002 / 0.011, rel=0.01)
    assert judge_points([cold, hot])[0] is Decision.PASS


@pytest.mark.parametrize(
    ("error", "decision"),
    [(0.0, "pass"), (0.0089, "pass"), (-0.0089, "pass"), (0.0095, "undecided"), (0.0125, "undecided"), (-0.0141, "fail"), (0.02, "fail")],
)
def test_guard_band(error: float, decision: str) -> None:
    """± 11 mV at 12 V, u 1 mV: U = 2 mV and a little for the rounding of the reading."""
    verdict = judge_point(point("voltage_v", 12.0, error, 1e-3))
    assert verdict.decision is {"pass": Decision.PASS, "fail": Decision.FAIL, "undecided": Decision.UNDECIDED}[decision]
    assert verdict.guard_band == pytest.approx(2 * math.hypot(1e-3, 1e-3 / math.sqrt(12)))
    assert verdict.point.test_ratio == pytest.approx(0.011 / verdict.guard_band, rel=0.01)


def test_a_poor_reference_is_said() -> None:
    assert "the reference is poor" in judge_point(point("voltage_v", 12.0, 0.0, 3e-3)).reason
    assert "poor" not in judge_point(point("voltage_v", 12.0, 0.0, 1e-3)).reason


def test_without_the_reference_s_uncertainty_there_is_no_verdict() -> None:
    verdict = judge_point(point("voltage_v", 12.0, 0.001, None))
    assert verdict.decision is Decision.UNDECIDED
    assert "no verdict without" in verdict.reason
    assert verdict.point.share == pytest.approx(1 / 11, rel=0.01)


def test_scatter_widens_the_guard_band_by_its_mean() -> None:
    spec = load(1.0, VOLTAGE)
    quiet = make_point(spec, Reference("voltage_v", 12.0, u_reference=1e-4), Taken(0, 12.0, 100, 0.0))
    noisy = make_point(spec, Reference("voltage_v", 12.0, u_reference=1e-4), Taken(0, 12.0, 100, 0.01))
    assert noisy.u_error == pytest.approx(math.hypot(quiet.u_error, 0.001))


def test_several_points() -> None:
    good, bad, unsure = (point("voltage_v", 12.0, e, 1e-3) for e in (0.0, 0.02, 0.0115))
    assert judge_points([good, good])[:2] == (Decision.PASS, "2 points pass")
    assert judge_points([good, unsure])[0] is Decision.UNDECIDED
    assert judge_points([unsure, bad, good])[:2] == (Decision.FAIL, "1 point passes, 1 fails, 1 cannot be decided")
    assert judge_points([])[0] is Decision.NOT_JUDGED


def test_a_hot_point_goes_with_the_latest_cold_one_near_it() -> None:
    points = [
        point("voltage_v", 12.0, 0.001, condition="cold", t=1),
        point("voltage_v", 12.1, 0.003, condition="cold", t=2),
        point("voltage_v", 24.0, 0.009, condition="cold", t=3),
        point("current_a", 12.0, 0.009, condition="cold", t=3),
        point("voltage_v", 12.0, 0.004, condition="hot", t=4),
        point("voltage_v", 5.0, 0.004, condition="hot", t=5),
    ]
    (found,) = warming(points)
    assert found.cold_error == pytest.approx(0.003)


def test_a_point_comes_back_from_json() -> None:
    one = point("voltage_v", 12.0, 0.001, condition="hot", t=1_800_000_000_123_456_789)
    assert Point.from_json(json.loads(json.dumps(one.to_json()))) == one


@pytest.mark.parametrize(
    "damage", [{"t": "yesterday"}, {"reading": None}, {"reading": "24"}, {"surplus": 1}, {"absolute": float("nan")}, {"t": None}]
)
def test_a_damaged_point_is_refused(damage: dict[str, object]) -> None:
    data = {**point("voltage_v", 12.0, 0.001).to_json(), **damage}
    with pytest.raises(UsageError, match="no accuracy point"):
        Point.from_json(data)


# -- what people write


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [("24.01", "V", 24.01), ("24.01 V", "V", 24.01), ("24010mV", "V", 24.01), ("12 mΩ", "Ω", 0.012), ("12 mohm", "Ω", 0.012),
     ("-1e-3", "A", -1e-3), ("1.5 kW", "W", 1500.0), ("55 °C", "°C", 55.0), (".5", "V", 0.5), ("2.5 Ah", "A·h", 2.5)],
)  # fmt: skip
def test_values_with_units(text: str, unit: str, value: float) -> None:
    assert parse_value(text, unit, "x") == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["", "24.01 A", "24,01", "1,000", "24.01V V", "volts", "nan", "inf", "24.01 MV", "0x10", "55 m°C"])
def test_wrong_units_and_text_are_refused(text: str) -> None:
    with pytest.raises(UsageError, match="x: "):
        parse_value(text, "°C" if "°C" in text else "V", "x")


def test_points_on_the_command_line() -> None:
    assert parse_point("voltage_v=24.0123", SPEC) == Reference("voltage_v", 24.0123)
    assert parse_point("voltage=24.0123 V/24010 mV", SPEC).reading == pytest.approx(24.010)
    for wrong, says in [("24.01", "is not CHANNEL="), ("voltage_v=", "is not CHANNEL="), ("vlotage_v=1", "nearest known: voltage_v"),
                        ("voltage_v=24 A", "unit must be V")]:  # fmt: skip
        with pytest.raises(UsageError, match=says):
            parse_point(wrong, SPEC)


def test_no_specification_nothing_to_hold_against() -> None:
    with pytest.raises(UsageError, match="has no accuracy of voltage_v"):
        parse_point("voltage_v=12", load(1.0, EXACT_V))


CSV = """channel,reference,unit,reading,u_reference,condition,time,note
voltage_v,24.0123,V,24.010,0.001,cold,2026-03-01T10:00:00Z,first
voltage,24012.3,mV,24010,1,hot,,

current_a,5.0010,,,,,,
"""


def test_a_table() -> None:
    cold, hot, current = parse_csv(CSV, SPEC, "refs.csv", source="meter 7", condition="cold")
    assert (cold.reading, cold.u_reference, cold.note) == (24.010, 0.001, "first")
    assert cold.t_utc_ns is not None
    assert (hot.reference, hot.reading, hot.u_reference) == pytest.approx((24.0123, 24.010, 0.001))
    assert (hot.condition, current.condition, current.u_reference) == ("hot", "cold", None)
    assert {r.source for r in (cold, hot, current)} == {"meter 7"}


def test_a_table_with_semicolons_and_a_byte_order_mark() -> None:
    (one,) = parse_csv("\ufeffchannel;reference\r\nvoltage_v;24.0\r\n", SPEC, "refs.csv")
    assert one.reference == 24.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "the column channel is missing"),
        ("channel,referense\nvoltage_v,1", "refs.csv: there is no column 'referense' .nearest known: reference"),
        ("channel\nvoltage_v", "the column reference is missing"),
        ("channel,reference\n", "holds no reference reading"),
        ("channel,reference\nvoltage_v,1,2", "refs.csv, line 2: 3 cells, but the header has 2"),
        ("channel,reference\nvoltage_v,abc", "refs.csv, line 2: reference 'abc' is no number"),
        ("channel,reference\nvoltage_v,24 V", "the unit stands in its own column"),
        ("channel,reference\nvoltage_v,", "line 2: reference is empty"),
        ("channel,reference,unit\nvoltage_v,24,A", "line 2: unit: the unit must be V, not 'A'"),
        ("channel,reference\nvoltage_v,1\nvoltge,24", "line 3: channel 'voltge'"),
        ("channel,reference,condition\nvoltage_v,1,warm", "neither cold nor hot"),
        ("channel,reference,time\nvoltage_v,1,10:30", "line 2: time '10:30' is no RFC 3339"),
        ("channel,reference,u_reference\nvoltage_v,1,-0.1", "must not be negative"),
        ('channel,reference\n"voltage_v\n",1', "refs.csv, line 3"),
    ],
)
def test_a_wrong_table_is_refused_with_the_place(text: str, says: str) -> None:
    if '"voltage_v' in text:  # a quoted newline is stripped like blanks
        assert parse_csv(text, SPEC, "refs.csv")[0].channel == "voltage_v"
        return
    with pytest.raises(UsageError, match=says):
        parse_csv(text, SPEC, "refs.csv")


@pytest.mark.parametrize(
    ("text", "percent", "absolute"),
    [("0.01%+0.002", 0.01, 0.002), ("0.01 %", 0.01, 0.0), ("0.002", 0.0, 0.002), ("±(0.01%+2e-3)", 0.01, 0.002)],
)
def test_reference_accuracy(text: str, percent: float, absolute: float) -> None:
    found = parse_accuracy(text)
    assert (found.percent_of_reading, found.absolute) == (percent, absolute)


@pytest.mark.parametrize("text", ["", "0", "good", "-0.1%", "0.01%+2mV", "0.01%+-1"])
def test_wrong_reference_accuracy(text: str) -> None:
    with pytest.raises(UsageError):
        parse_accuracy(text)
