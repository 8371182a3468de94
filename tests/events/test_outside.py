"""An independent oracle: where ruptures (offline, sees the whole trace) puts the change points of recorded runs, the events' onsets lie;
and there are no more of either."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import ruptures

from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event
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


def pulse_rows(pulse: str) -> list[dict[str, str]]:
    """A 33 Ah cell: rest, 30 A for 30 s, 40 s of rest, a charge pulse of 10 s (Wiggins, Allu, Wang, ORNL 2019, doi
    10.5281/zenodo.2580327; MIT)."""
    with (DATA / "pouch33Ah_pulse_25C.csv").open() as file:
        return [row for row in csv.DictReader(file) if row["pulse_no"] == pulse]


def told_of(rows: list[dict[str, str]], sense: str, shows: str) -> list[Event]:
    """By an instrument without status that ``shows`` of a charge nothing, as a load does, its magnitude, or its negative current."""
    device = DeviceSpec("pack", "load", "b", 0.5, (number("voltage_v", "V", "0.001"), number("current_a", "A", "0.01")), sense=sense)
    pipeline = Pipeline([device], next_seq=1, next_event_id=1)
    events: list[Event] = []
    for row in rows:
        stamp = Stamp(T0_NS + round(float(row["time_s"]) * 1e9), 1_000_000)
        current_a = -float(row["current_A"])
        current_a = {"nothing": max(0.0, current_a), "magnitude": abs(current_a), "sign": current_a}[shows]
        counts = {"voltage_v": round(float(row["voltage_V"]) * 1000), "current_a": round(current_a * 100)}
        events += pipeline.feed(Reading("pack", stamp, counts))[1]
    return events


def changes_of(rows: list[dict[str, str]]) -> dict[tuple[str, str], float]:
    """When one phase went over into another, s: half way between their readings."""
    pairs = [(a, b) for a, b in pairwise(rows) if a["phase"] != b["phase"]]
    return {(a["phase"], b["phase"]): 0.5 * (float(a["time_s"]) + float(b["time_s"])) for a, b in pairs}


@pytest.mark.parametrize("sense", ["local", "remote"])
@pytest.mark.parametrize("pulse", ["1", "4", "6"])
@pytest.mark.parametrize("shows", ["nothing", "magnitude", "sign"])
def test_measured_pulses_begin_and_end_when_they_do_and_nothing_else_is_told(pulse: str, sense: str, shows: str) -> None:
    """There is no status to read: that the current begins was a hand, that it stops while the cell holds its voltage has several causes,
    all named. That it flows again, as the charge pulse, is the end of that."""
    rows = pulse_rows(pulse)
    changes = changes_of(rows)
    assert list(changes) == [("rest", "discharge"), ("discharge", "rest"), ("rest", "charge")]
    events = told_of(rows, sense, shows)
    first = {e.id: e for e in reversed(events)}
    on, off = (first[key] for key in sorted(first))
    assert (on.kind, on.evidence["inferred"]) == ("input_switched", True)
    assert covers(on, changes["rest", "discharge"])
    assert {off.kind, *off.alternatives} >= {"load_trip", "input_switched"}
    assert "input" in off.evidence["would_decide"]
    assert covers(off, changes["discharge", "rest"])
    over = [e.cleared_utc_ns for e in events if e.id == off.id and e.cleared_utc_ns is not None]
    assert len(over) == (shows != "nothing")
    assert all(abs(at_s(t_ns) - changes["rest", "charge"]) <= 0.6 for t_ns in over)


@pytest.mark.parametrize("pulse", ["1", "4", "6"])
@pytest.mark.parametrize(("shows", "told"), [("nothing", 0), ("magnitude", 0), ("sign", 1)])
def test_a_measured_charge_pulse_alone_is_told_where_its_current_is_seen_to_charge(pulse: str, shows: str, told: int) -> None:
    """Watched from the middle of the rest on. What a load at rest sees of it is a source that rises; so is what an instrument sees that
    shows no sign: a load that holds its voltage shows just this behind a source that rises above it."""
    rows = [row for row in pulse_rows(pulse) if float(row["time_s"]) > 50.0]
    events = told_of(rows, "remote", shows)
    assert [e.kind for e in events] == ["input_switched"] * told
    for event in events:
        assert event.evidence["current_a"] < 0.0
        assert covers(event, changes_of(rows)["rest", "charge"])
