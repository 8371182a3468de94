"""Limit events after ISA-18.2 / IEC 62682: deadband, on-delay, off-delay, one event per limit (terms from the standards' public
summaries)."""

from __future__ import annotations

import pytest

from loadlog.detectors import Context
from loadlog.detectors.limits import Limits
from loadlog.model.device import DeviceSpec, LimitSpec
from loadlog.model.event import Finding, Severity
from loadlog.model.sample import Reading, Stamp
from loadlog.validation import Validator
from tests.checklists.traces import T0_NS, at_s, load_spec, thermometer_spec, with_limits

HALF_WIDTH_NS = 4_000_000


class Line:
    """Feeds one channel of a device to the limit detector, one value a poll of 0.1 s unless said otherwise."""

    def __init__(self, device: DeviceSpec, channel: str, counts_per_unit: int) -> None:
        self.detector = Limits(device)
        self.validator = Validator(device)
        self.context = Context(device)
        self.device, self.channel, self.scale = device, channel, counts_per_unit
        self.t_s = 0.0
        self.seq = 0

    def __call__(self, value: float | None, dt_s: float = 0.1) -> list[Finding]:
        self.t_s += dt_s
        self.seq += 1
        counts = {self.channel: None if value is None else round(value * self.scale)}
        stamp = Stamp(T0_NS + round(self.t_s * 1e9), HALF_WIDTH_NS)
        return list(self.detector.update(self.validator.update(Reading(self.device.name, stamp, counts), self.seq), self.context))

    def several(self, *values: float) -> list[Finding]:
        """All findings of these values."""
        return [f for value in values for f in self(value)]


def volts(**limits: float) -> Line:
    """A load's voltage with these limits."""
    return Line(with_limits(load_spec(), voltage_v=LimitSpec(**limits)), "voltage_v", 1000)


def test_equal_is_not_beyond_and_the_first_sample_beyond_counts() -> None:
    line = volts(high=25.0)
    assert not line.several(24.9, 25.0)
    (finding,) = line(25.01)
    assert (finding.kind, finding.key, finding.severity, finding.clear) == ("limit", "voltage_v.high", Severity.WARNING, False)
    assert at_s(finding.onset.earliest_utc_ns) == pytest.approx(0.2 - 0.004)
    assert at_s(finding.onset.latest_utc_ns) == pytest.approx(0.3 + 0.004)


def test_deadband_keeps_it_active_until_well_inside() -> None:
    line = volts(low=23.0, deadband=0.2)
    assert len(line.several(24.0, 22.9)) == 1
    assert not line.several(23.05, 22.95, 23.1, 23.19)
    (cleared,) = line(23.2)
    assert cleared.clear
    assert cleared.evidence["worst"] == pytest.approx(22.9)


def test_on_delay_is_measured_by_source_time_and_restarts() -> None:
    line = volts(high=25.0, on_delay_s=0.5)
    assert not line.several(24.0, 25.1, 25.1, 25.1, 24.9)  # 0.2 s beyond, then back
    assert not line.several(25.1, 25.1, 25.1, 25.1, 25.1)  # 0.4 s
    (finding,) = line(25.1)
    assert at_s(finding.onset.latest_utc_ns) == pytest.approx(0.6 + 0.004)  # the crossing, not the end of the delay
    assert at_s(finding.onset.earliest_utc_ns) == pytest.approx(0.5 - 0.004)


def test_off_delay() -> None:
    line = volts(high=25.0, off_delay_s=0.3)
    assert len(line.several(24.0, 25.1)) == 1
    assert not line.several(24.9, 24.9, 25.1, 24.9, 24.9, 24.9)
    (cleared,) = line(24.9)
    assert cleared.clear
    assert at_s(cleared.onset.latest_utc_ns) == pytest.approx(0.6 + 0.004)


def test_each_limit_is_an_event_of_its_own() -> None:
    found = volts(low_low=22.0, low=23.0, high=25.0, high_high=26.0).several(24.0, 21.0, 24.0, 27.0)
    raised = [(f.key, f.severity) for f in found if not f.clear]
    assert raised == [
        ("voltage_v.low_low", Severity.ALARM), ("voltage_v.low", Severity.WARNING),
        ("voltage_v.high", Severity.WARNING), ("voltage_v.high_high", Severity.ALARM),
    ]  # fmt: skip
    assert [f.key for f in found if f.clear] == ["voltage_v.low_low", "voltage_v.low"]


def test_limits_named_without_the_unit() -> None:
    """As [device.limits.voltage]."""
    line = Line(with_limits(load_spec(), voltage=LimitSpec(high=25.0)), "voltage_v", 1000)
    assert len(line.several(24.0, 26.0)) == 1


@pytest.mark.parametrize("dt_s", [3600.0, -3600.0])
def test_neither_a_gap_nor_a_clock_step_lets_a_delay_run_out(dt_s: float) -> None:
    line = volts(high=25.0, on_delay_s=60.0)
    assert not line.several(24.0, 25.1)
    assert not line(25.1, dt_s)
    assert not line.several(*[25.1] * 500)
    assert sum(len(line(25.1)) for _ in range(120)) == 1


def test_no_value_decides_nothing() -> None:
    line = volts(high=25.0, on_delay_s=0.5)
    line.several(24.0, 25.1, 25.1)
    assert not line(None)
    assert not line.several(25.1)
    assert len(line.several(25.1, 25.1, 25.1)) == 1
    assert not [f for _ in range(20) for f in line(None)]  # active stays active


def test_spike_raises_nothing_and_a_step_one_sample_later() -> None:
    line = volts(high=25.0)
    line.several(*[24.0] * 40)
    assert not line(30.0)
    assert not line(24.0)
    assert not line(30.0)
    assert len(line(30.0)) == 1


def test_temperature_limit_and_rating_are_over_temperature() -> None:
    device = with_limits(load_spec(slow=1), temperature_c=LimitSpec(low=10.0, high=60.0, high_high=70.0))
    line = Line(device, "temperature_c", 10)
    found = [f for n in range(120) for f in line(30.0 + 0.5 * n, dt_s=1.0)]
    assert [(f.kind, f.key, f.severity) for f in found] == [
        ("over_temperature", "temperature_c.high", Severity.WARNING),
        ("over_temperature", "temperature_c.high_high", Severity.ALARM),
        ("over_temperature", "temperature_c.rating", Severity.ALARM),
    ]
    assert found[2].evidence["limit"] == 85.0
    cold = Line(device, "temperature_c", 10)
    assert [f.kind for f in cold.several(11.0, 9.0)] == ["limit"]


def test_rating_has_a_deadband_of_one_kelvin() -> None:
    line = Line(load_spec(slow=1), "temperature_c", 10)
    assert len(line.several(84.0, 85.1)) == 1
    assert not line.several(84.9, 85.2, 84.5)
    assert len(line.several(84.0)) == 1


def test_thermometer_limit_by_channel() -> None:
    line = Line(thermometer_spec(limits={"temperature_1_c": LimitSpec(high=50.0)}), "temperature_1_c", 10)
    assert [f.key for f in line.several(49.0, 50.5)] == ["temperature_1_c.high"]
