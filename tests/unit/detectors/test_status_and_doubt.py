"""Protections, swapped instruments, frozen and unbelievable readings."""

from __future__ import annotations

from loadlog.model.event import Event
from loadlog.model.sample import Reading, Stamp
from loadlog.pipeline import Pipeline
from tests.checklists.traces import fresh_random, load_spec, thermometer_spec


class Wire:
    """Readings straight into a pipeline."""

    def __init__(self, pipeline: Pipeline, device: str) -> None:
        self.pipeline, self.device, self.n = pipeline, device, 0

    def __call__(self, texts: dict[str, str] | None = None, **counts: int | None) -> list[Event]:
        self.n += 1
        return self.pipeline.feed(Reading(self.device, Stamp(self.n * 10**8, 10**6), counts, texts=texts or {}))[1]


def load_wire() -> Wire:
    return Wire(Pipeline([load_spec(slow=1)], next_seq=1, next_event_id=1), "load-1")


def test_each_protection_bit_is_an_event() -> None:
    wire = load_wire()
    assert not wire(protection=0)
    found = wire(protection=1 << 2 | 1 << 5)
    assert [(e.kind, e.key, str(e.state)) for e in found] == [
        ("protection", "over_temperature", "active"), ("protection", "over_voltage", "active"),
    ]  # fmt: skip
    assert not wire(protection=1 << 2 | 1 << 5)
    assert [(e.key, str(e.state)) for e in wire(protection=1 << 2)] == [("over_temperature", "cleared")]
    assert not wire(protection=1 << 2 | 1 << 14)  # a bit without a name


def test_device_changed_until_the_right_one_answers() -> None:
    wire = load_wire()
    assert not wire({"serial": "1"}, voltage_v=24_000)
    found = wire({"serial": "2"}, voltage_v=24_000)
    assert [(e.kind, str(e.state), str(e.severity)) for e in found] == [("device_changed", "active", "alarm")]
    assert "'2'" in str(found[0].evidence["identity"])
    assert not wire(voltage_v=24_000)
    assert [str(e.state) for e in wire({"serial": "1"}, voltage_v=24_000)] == ["cleared"]


def test_frozen_reading_with_the_onset_where_it_froze() -> None:
    rnd = fresh_random()
    wire = load_wire()
    for _ in range(6600):
        assert not wire(voltage_v=round(24_000 + rnd.gauss(0, 1)), current_a=round(5000 + rnd.gauss(0, 1)))
    wire(voltage_v=24_010, current_a=5000)
    froze = wire.n
    found: list[Event] = []
    while not found and wire.n < froze + 300:
        found = wire(voltage_v=24_010, current_a=round(5000 + rnd.gauss(0, 1)))
    assert [(e.kind, e.key) for e in found] == [("reading_frozen", "voltage_v")]
    assert found[0].onset.earliest_utc_ns <= froze * 10**8 <= found[0].onset.latest_utc_ns
    assert [str(e.state) for e in wire(voltage_v=24_001, current_a=5000)] == ["cleared"]


def test_open_thermocouple_after_it_had_a_value() -> None:
    wire = Wire(Pipeline([thermometer_spec()], next_seq=1, next_event_id=1), "case")
    events = [e for _ in range(10) for e in wire(temperature_1_c=251, temperature_2_c=0x7FFF)]
    assert not events  # channel 2 is not connected
    events = [e for _ in range(5) for e in wire(temperature_1_c=0x7FFF, temperature_2_c=0x7FFF)]
    assert [(e.kind, e.key, e.evidence["reason"]) for e in events] == [("reading_implausible", "temperature_1_c", "sentinel")]
    events = [e for _ in range(5) for e in wire(temperature_1_c=251, temperature_2_c=0x7FFF)]
    assert [str(e.state) for e in events] == ["cleared"]


def test_impossible_value_at_once_and_power_after_ten() -> None:
    wire = load_wire()
    wire(voltage_v=24_000, current_a=5000, power_w=12_000)
    assert [e.key for e in wire(voltage_v=250_000, current_a=5000, power_w=12_000)] == ["voltage_v"]
    wire = load_wire()
    for _ in range(30):
        assert not wire(voltage_v=24_000, current_a=5000, power_w=12_000)
    found = [e for _ in range(9) for e in wire(voltage_v=24_000, current_a=5000, power_w=14_000)]
    assert not found
    found = [e for _ in range(10) for e in wire(voltage_v=24_000, current_a=5000, power_w=14_000)]
    assert [(e.kind, e.key) for e in found] == [("reading_implausible", "power_w")]


def test_power_that_contradicts_since_a_step_began_with_the_step() -> None:
    """Validation does not judge the power next to a step; the onset is where the contradiction began all the same."""
    wire = load_wire()
    for _ in range(40):
        assert not wire(voltage_v=24_000, current_a=2000, power_w=4800)
    good = wire.n
    found: list[Event] = []
    while not found and wire.n < good + 30:
        found = wire(voltage_v=90_000, current_a=2000, power_w=4800)
    (event,) = [e for e in found if e.kind == "reading_implausible"]
    assert (event.key, event.evidence["reason"]) == ("power_w", "power_mismatch")
    assert event.onset.earliest_utc_ns == good * 10**8 - 10**6
    assert event.onset.latest_utc_ns == (good + 1) * 10**8 + 10**6
