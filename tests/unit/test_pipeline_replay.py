"""Live and replay come to the same, bit for bit, from what is stored: counts, stamps, reasons."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from loadlog.model.circumstance import Ordered
from loadlog.model.device import DeviceSpec, LimitSpec
from loadlog.model.sample import FailureCause, PollFailure, Quality, Reading, Sample, Stamp
from loadlog.model.serial_form import device_from_json, device_to_json
from loadlog.pipeline import Pipeline, normalised, reading_of, replay
from loadlog.store.rows import Layout, Row
from tests.checklists.traces import T0_NS, Bench, Load, Record, fresh_random, load_spec, meter_spec, record, thermometer_spec, with_limits


def through_json(sample: Sample) -> Sample:
    """Only what a store keeps: values and uncertainties are dropped."""
    kept: dict[str, Any] = {
        "seq": sample.seq, "device": sample.device, "quality": int(sample.quality),
        "stamp": [sample.stamp.t_utc_ns, sample.stamp.half_width_ns],
        "counts": dict(sample.counts), "marks": dict(sample.uncertain), "failure": sample.failure, "detail": sample.detail,
    }  # fmt: skip
    back = json.loads(json.dumps(kept))
    failure = None if back["failure"] is None else FailureCause(back["failure"])
    return Sample(
        back["seq"], back["device"], Stamp(*back["stamp"]), Quality(back["quality"]), back["counts"], {}, {}, {}, back["marks"],
        failure=failure, detail=back["detail"],
    )  # fmt: skip


def through_rows(devices: list[DeviceSpec]) -> Callable[[Sample], Sample]:
    """The store's own rows."""
    layouts = {d.name: Layout(d) for d in devices}

    def store(sample: Sample) -> Sample:
        layout = layouts[sample.device]
        cells = layout.encode(sample, sample.seq)
        return layout.decode(Row(*cells[:8], cells[8:]))

    return store


def eventful() -> tuple[Record, list[DeviceSpec], list[Ordered]]:
    """A bench where nearly everything happens."""
    limits = {"voltage_v": LimitSpec(high=24.05, low=23.0, deadband=0.02, on_delay_s=0.3)}
    loads = [
        Load(with_limits(load_spec("load-1"), **limits), level=4.0),
        Load(load_spec("load-2", period_s=0.25, path_resistance_ohm=None), level=2.0),
    ]
    bench = Bench(fresh_random(), loads=loads, meters=[meter_spec()])
    pipeline = Pipeline(bench.specs, next_seq=1, next_event_id=1)
    orders: list[Ordered] = []
    first, second, source = *loads, bench.source

    def order(channel: str, attribute: str, value: object, number: float) -> None:
        t_ns = T0_NS + round(bench.t_s * 1e9)
        orders.append(pipeline.order("load-1", channel, number, t_ns))
        setattr(first, attribute, value)

    plan: list[tuple[float, Callable[[], object]]] = [
        (20, lambda: setattr(first, "sense_ok", False)), (40, lambda: setattr(first, "sense_ok", True)),
        (50, lambda: setattr(second, "sense_ok", False)), (55, lambda: order("setpoint", "level", 5.0, 5.0)),
        (65, lambda: setattr(second, "sense_ok", True)),
        (70, lambda: setattr(source, "is_on", False)), (72, lambda: setattr(source, "is_on", True)),
        (90, lambda: setattr(first, "answers", False)), (95, lambda: setattr(first, "answers", True)),
        (100, lambda: order("input_on", "input_on", False, 0)), (105, lambda: order("input_on", "input_on", True, 1)),
        (110, lambda: (setattr(first, "input_on", False), setattr(first, "protection", 1 << 5))),
        (115, lambda: setattr(second, "level", 3.0)), (120, lambda: setattr(second, "mode", "CR")),
    ]  # fmt: skip
    for t_s, action in plan:
        bench.at(t_s + 0.02, action)
    return record(bench, 130.0, pipeline), bench.specs, orders


@pytest.mark.parametrize("kept", ["json", "rows"])
def test_replay_of_what_is_stored_is_bit_identical(kept: str) -> None:
    out, specs, orders = eventful()
    assert {"sense_fallback", "supply_trip", "communication_lost", "load_trip", "limit", "setpoint_changed"} <= {e.kind for e in out.events}
    devices = [device_from_json(json.loads(json.dumps(device_to_json(d)))) for d in specs]
    store = through_json if kept == "json" else through_rows(devices)
    again = list(replay([store(s) for s in out.samples], devices, orders))
    assert [normalised(e) for e in again] == [normalised(e) for e in out.events]
    assert [e.seq for e in again] == [e.seq for e in out.events]


def test_samples_from_their_counts_are_bit_identical() -> None:
    out, specs, _ = eventful()
    pipeline = Pipeline(specs, next_seq=1, next_event_id=1)
    for sample in out.samples:
        again = pipeline._lanes[sample.device].validator.update(reading_of(through_json(sample)), sample.seq)
        assert repr(again) == repr(sample)


def test_without_the_orders_a_replay_says_what_was_not_ours() -> None:
    out, specs, _ = eventful()
    assert len(list(replay(out.samples, specs))) > len(out.events)


def test_other_limits_give_other_events_from_the_same_samples() -> None:
    out, specs, orders = eventful()
    wider = [with_limits(d) for d in specs]
    kinds = {e.kind for e in replay(out.samples, wider, orders)}
    assert "limit" not in kinds
    assert "sense_fallback" in kinds


def test_identity_and_values_that_were_none_survive() -> None:
    device = thermometer_spec()
    pipeline = Pipeline([device], next_seq=1, next_event_id=1)
    items: list[Reading | PollFailure] = []
    for n in range(30):
        counts: dict[str, int | None] = {"temperature_1_c": 250 + n % 2, "temperature_2_c": None if 10 <= n < 20 else 251}
        texts = {"serial": "2" if 20 <= n < 25 else "1"}
        reasons = {"temperature_2_c": "not_a_number"} if 10 <= n < 20 else {}
        items.append(Reading("case", Stamp(n * 10**9, 10**6), counts, reasons, texts))
    fed = [pipeline.feed(item) for item in items]
    live = [e for _, events in fed for e in events]
    assert [e.kind for e in live] == ["reading_implausible", "device_changed", "device_changed", "reading_implausible"]
    again = list(replay([through_json(s) for s, _ in fed], [device]))

    def without_texts(event: dict[str, Any]) -> dict[str, Any]:
        return {**event, "evidence": {k: v for k, v in event["evidence"].items() if k != "identity"}}

    assert [without_texts(normalised(e)) for e in again] == [without_texts(normalised(e)) for e in live]
