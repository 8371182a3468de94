"""An independent oracle: where ruptures (offline, sees the whole trace) puts the change points of recorded runs, the events' onsets lie;
and there are no more of either."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import ruptures

from loadlog.model.device import DeviceSpec
from loadlog.model.sample import Reading, Stamp
from loadlog.pipeline import Pipeline
from tests.checklists.traces import T0_NS, at_s, covers, fresh_random, number
from tests.events.draw import at_step
from tests.events.world import Setting, World

DATA = Path(__file__).parents[1] / "data"


@pytest.mark.parametrize("method", ["pelt", "binseg"])
def test_offline_change_points_are_the_onsets_of_events(method: str) -> None:
    """C. Truong, L. Oudre, N. Vayatis, Signal Processing 167 (2020) 107299; PELT: R. Killick, P. Fearnhead, I. A. Eckley, J. Am. Stat.
    Assoc. 107 (2012) 1590. Penalty for a change of the mean: more than 2·log(n) variances (here 8, against chance)."""
    rnd = fresh_random()
    setting = at_step(rnd, Setting(rate_hz=10.0, noise=rnd.uniform(0.5, 1.2), source_noise_v=1e-5), rnd.uniform(10.0, 20.0))
    world = World(rnd, setting)
    off_s, back_s = rnd.uniform(40.0, 50.0), rnd.uniform(80.0, 90.0)
    world.fault(off_s, "sense_lead_off", "load-1", back_s - off_s)
    trace = world.run(130.0)
    seen = trace.seen["load-1"]
    z = np.array([s.voltage_v for s in seen], dtype=float) / setting.sigma_v
    # the source warms up meanwhile: the slow line through all of it, which is no change point, is taken out
    t_s = np.array([at_s(s.end_utc_ns) for s in seen])
    regressors = np.column_stack([np.ones_like(t_s), (off_s < t_s) & (t_s < back_s), t_s, t_s**2])
    z -= regressors[:, 2:] @ np.linalg.lstsq(regressors, z, rcond=None)[0][2:]
    search = ruptures.Pelt(model="l2", min_size=20, jump=1) if method == "pelt" else ruptures.Binseg(model="l2", min_size=20, jump=1)
    points = search.fit(z).predict(pen=8.0 * 2.0 * np.log(len(z)))[:-1]
    onsets = [e.onset for e in trace.raised() if e.kind in ("sense_fallback", "sense_restored")]
    assert len(points) == len(onsets) == 2
    for point, onset in zip(points, onsets, strict=True):
        assert onset.earliest_utc_ns <= seen[point].end_utc_ns
        assert seen[point - 1].end_utc_ns <= onset.latest_utc_ns


@pytest.mark.parametrize("sense", ["local", "remote"])
@pytest.mark.parametrize("pulse", ["1", "4", "6"])
def test_measured_pulses_end_when_they_end_and_nothing_else_is_told(pulse: str, sense: str) -> None:
    """A 33 Ah cell, 30 A for 30 s (Wiggins, Allu, Wang, ORNL 2019, doi 10.5281/zenodo.2580327; MIT). There is no status to read: that the
    current stopped while the cell holds its voltage is all that can be said, with the alternatives named."""
    device = DeviceSpec("pack", "load", "b", 0.5, (number("voltage_v", "V", "0.001"), number("current_a", "A", "0.01")), sense=sense)
    pipeline = Pipeline([device], next_seq=1, next_event_id=1)
    with (DATA / "pouch33Ah_pulse_25C.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["pulse_no"] == pulse]
    events = []
    for row in rows:
        stamp = Stamp(T0_NS + round(float(row["time_s"]) * 1e9), 1_000_000)
        counts = {"voltage_v": round(float(row["voltage_V"]) * 1000), "current_a": round(max(0.0, -float(row["current_A"])) * 100)}
        events += pipeline.feed(Reading("pack", stamp, counts))[1]
    end = next(i for i, row in enumerate(rows) if row["phase"] == "rest" and rows[i - 1]["phase"] == "discharge")
    (event,) = {e.id: e for e in events}.values()
    assert {event.kind, *event.alternatives} >= {"load_trip", "input_switched"}
    assert covers(event, (float(rows[end - 1]["time_s"]) + float(rows[end]["time_s"])) / 2)
