"""Fewer points: each n-th, or minimum, mean and maximum per interval, the same after a restart at any place."""

from __future__ import annotations

import json
import math
import statistics

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from line_protocol_parser import parse_line

from loadlog.forwarder.lines import SampleLines
from loadlog.forwarder.reduction import Reduction, make_reduction
from loadlog.forwarder.stamps import Stamps
from loadlog.model.sample import Quality
from tests.unit.forwarder.rows import stored
from tests.unit.store.recorded import T0, failed, sample


def make(every: int, interval_s: float, state: str = '{"stamps": {}, "reduction": {}}') -> tuple[Reduction, Stamps]:
    kept = json.loads(state)
    stamps = Stamps("ns", kept["stamps"])
    reduction = make_reduction(SampleLines("b", stamps), stamps, every, interval_s, kept["reduction"])
    assert reduction is not None
    return reduction, stamps


def test_nothing_is_left_out_unless_it_is_asked_for() -> None:
    assert make_reduction(SampleLines("b", Stamps("ns")), Stamps("ns"), 1, 0.0, {}) is None


def test_every_nth_sample_of_each_device() -> None:
    reduction, _ = make(3, 0)
    out: list[str] = []
    for seq in range(1, 21):
        reduction.feed(stored(sample(seq, "load-1" if seq % 2 else "case")), out)
    times = [(parse_line(line)["tags"]["device"], (parse_line(line)["time"] - T0) // 100_000_000) for line in out]
    assert times == [("load-1", 1), ("case", 2), ("load-1", 7), ("case", 8), ("load-1", 13), ("case", 14), ("load-1", 19), ("case", 20)]


def test_minimum_mean_and_maximum_of_an_interval() -> None:
    reduction, _ = make(1, 2.0)
    counts = [24000 + (seq * 37) % 101 for seq in range(40)]
    out: list[str] = []
    for seq, count in enumerate(counts):
        reduction.feed(stored(sample(seq, counts={"voltage_v": count, "input_on": int(seq < 30)})), out)
    assert len(out) == 1  # 20 samples an interval; the second one is not over yet
    point = parse_line(out[0])
    fields = point["fields"]
    assert point["time"] == T0
    assert fields["voltage_v_min"] == min(counts[:20]) / 1000
    assert fields["voltage_v_max"] == max(counts[:20]) / 1000
    assert fields["voltage_v"] == pytest.approx(statistics.fmean(c / 1000 for c in counts[:20]), rel=1e-15)
    assert fields["input_on"] == 1.0
    assert fields["quality"] == 0


def test_bad_values_and_failed_polls_show_in_the_quality_alone() -> None:
    reduction, _ = make(1, 1.0)
    out: list[str] = []
    reduction.feed(stored(sample(0, counts={"voltage_v": 24000})), out)
    wild = sample(1, counts={"voltage_v": 999_000}, bad=frozenset({"voltage_v"}), quality=Quality.BAD, uncertain={"voltage_v": "range"})
    reduction.feed(stored(wild), out)
    reduction.feed(stored(sample(10)), out)
    assert parse_line(out[0])["fields"] == {"voltage_v": 24.0, "voltage_v_min": 24.0, "voltage_v_max": 24.0, "quality": 2}
    for seq in range(20, 22):
        reduction.feed(stored(failed(seq)), out)
    reduction.feed(stored(sample(30)), out)
    assert parse_line(out[2])["fields"] == {"quality": 2}


def test_intervals_of_a_run_and_of_the_time_around_it_do_not_mix_whichever_recording_is_read_first() -> None:
    """A commit of the run may become readable before, or after, that of what came before or after the run."""
    plan = [(seq, None if seq < 25 or seq >= 60 else "soak-0001") for seq in range(300)]
    late = sorted(plan, key=lambda pair: (pair[0] // 10, pair[1] is None))
    lines = []
    for order in (plan, late):
        reduction, _ = make(1, 2.0)
        out: list[str] = []
        for seq, run in order:
            reduction.feed(stored(sample(seq, counts={"voltage_v": 24000 + seq}), run=run), out)
        lines.append(sorted(out))
    assert lines[0] == lines[1]
    runs = [parse_line(line)["tags"]["run"] for line in lines[0]]
    assert runs.count("soak-0001") == 2, "25..39 and 40..59: the last one too, though nothing of the run comes after it"


@settings(deadline=None)
@given(st.integers(0, 200), st.sampled_from([(7, 0.0), (1, 0.7), (1, 3.0)]))
def test_a_restart_at_any_place_changes_no_line(cut: int, kind: tuple[int, float]) -> None:
    rows = [stored(sample(seq, ("load-1", "case", "load-2")[seq % 3], counts={"voltage_v": 24000 + seq * seq % 977})) for seq in range(200)]
    whole, _ = make(*kind)
    expected: list[str] = []
    for row in rows:
        whole.feed(row, expected)
    first, stamps = make(*kind)
    out: list[str] = []
    for row in rows[:cut]:
        first.feed(row, out)
    second, _ = make(*kind, json.dumps({"stamps": stamps.state, "reduction": first.state}))
    for row in rows[cut:]:
        second.feed(row, out)
    assert out == expected


def test_the_mean_of_a_long_interval_is_exact() -> None:
    """A million samples of 0.1 and one large value: a plain sum would be off by many units in the last place."""
    reduction, _ = make(1, 86_400.0)
    out: list[str] = []
    counts = [10**9, *[1] * 200_000]
    for seq, count in enumerate(counts):
        reduction.feed(stored(sample(seq, counts={"voltage_v": count}, t_utc_ns=T0 - T0 % 86_400_000_000_000 + seq * 1000)), out)
    reduction.feed(stored(sample(1, t_utc_ns=T0 + 86_400_000_000_000)), out)
    assert parse_line(out[0])["fields"]["voltage_v"] == math.fsum(c / 1000 for c in counts) / len(counts)
