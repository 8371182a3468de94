"""Measured discharges of a 33 Ah cell (Wiggins, Allu, Wang, ORNL 2019, doi 10.5281/zenodo.2580327; MIT, see the licence beside the data):
nine minutes of rest, constant current to the end, rest. Polls 1 to 60 s apart, current rounded to 0.1 A.

Begin and end of the discharge are the phase changes, at known times, both without an order of ours. There is no status to read: that the
input was switched on is inferred from the current; of the end all that can be said is that the current stopped while the cell holds its
voltage, with the alternatives named.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from loadlog.model.device import DeviceSpec
from loadlog.model.sample import Reading, Stamp
from loadlog.pipeline import Pipeline
from tests.checklists.traces import T0_NS, covers, number

DATA = Path(__file__).parents[2] / "data"


@pytest.mark.parametrize("sense", ["local", "remote"])
@pytest.mark.parametrize("rate", ["1C", "2C", "3C"])
def test_the_phase_changes_and_nothing_else(rate: str, sense: str) -> None:
    device = DeviceSpec("pack", "load", "b", 1.0, (number("voltage_v", "V", "0.001"), number("current_a", "A", "0.01")), sense=sense)
    pipeline = Pipeline([device], next_seq=1, next_event_id=1)
    with (DATA / f"pouch33Ah_discharge_{rate}.csv").open() as file:
        rows = list(csv.DictReader(file))
    events = []
    for row in rows:
        stamp = Stamp(T0_NS + round(float(row["time_s"]) * 1e9), 1_000_000)
        counts = {"voltage_v": round(float(row["voltage_V"]) * 1000), "current_a": round(abs(float(row["current_A"])) * 100)}
        events += pipeline.feed(Reading("pack", stamp, counts))[1]
    phases = [row["phase"] for row in rows]
    changes = [n for n in range(1, len(rows)) if phases[n] != phases[n - 1]]
    assert [(phases[n - 1], phases[n]) for n in changes] == [("rest", "discharge"), ("discharge", "rest")]
    on, off = events
    assert (on.kind, on.evidence["inferred"]) == ("input_switched", True)
    assert off.kind == "load_trip"
    assert off.confidence < 0.6
    assert off.alternatives["input_switched"] >= 0.3
    for event, n in zip(events, changes, strict=True):
        assert covers(event, (float(rows[n - 1]["time_s"]) + float(rows[n]["time_s"])) / 2)
