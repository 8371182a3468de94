"""Series against a plain walk over a list: from rows and from the rollup, across recordings, with clocks that step and values of any
size."""

from __future__ import annotations

import dataclasses
import math
import random
from collections import defaultdict
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loadlog.model.errors import UsageError
from loadlog.model.sample import Quality, Sample
from loadlog.store import Archive, series
from loadlog.store.series import Bucket
from loadlog.store.verify import verify
from tests.unit.store.recorded import NS, PATIENCE_S, SPECS, T0, OpenJournal, failed, run_info, sample, sealing_at, snapshot

MINUTE_NS = 60 * NS


def plain(samples: list[Sample], name: str, from_ns: int, to_ns: int, width_ns: int) -> list[Bucket]:
    """The definition, in the shortest words."""
    scale = SPECS["load-1"].channels[0].scale if name == "voltage_v" else SPECS["load-1"].channels[3].scale
    buckets: dict[int, list[Sample]] = defaultdict(list)
    for one in samples:
        if from_ns <= one.stamp.t_utc_ns < to_ns:
            buckets[one.stamp.t_utc_ns // width_ns].append(one)
    out = []
    for key, members in sorted(buckets.items()):
        counts = [c for m in members if (c := m.counts.get(name)) is not None and m.values[name] is not None]
        values = [scale.value(c) for c in counts]
        worst = max(
            Quality.BAD if m.failure or name in m.bad else Quality.UNCERTAIN if name in m.uncertain else Quality.GOOD for m in members
        )  # fmt: skip
        if counts:
            exact = sum((Fraction(c * scale.num + scale.off, scale.den) for c in counts), Fraction(0)) / len(counts)
            out.append(Bucket(key * width_ns, min(values), float(exact), max(values), len(counts), worst))
        else:
            out.append(Bucket(key * width_ns, None, None, None, 0, worst))
    return out


@st.composite
def histories(draw: st.DrawFn) -> list[Sample]:
    """A recorded hour in short: polls at uneven intervals, failures, bad values, steps of the clock in both directions."""
    t = T0
    out: list[Sample] = []
    for _ in range(draw(st.integers(0, 60))):
        t += draw(st.sampled_from([NS // 10, NS, 7 * NS, 59 * NS, 61 * NS, 400 * NS, -200 * NS]))
        if draw(st.integers(0, 9)) == 0:
            out.append(failed(0, t_utc_ns=t))
            continue
        big = draw(st.sampled_from([10**4, 2**62, 2**64]))
        counts = {
            "voltage_v": draw(st.one_of(st.none(), st.just(-32768), st.integers(-30000, 30000))),
            "energy_wh": draw(st.one_of(st.sampled_from([9, 2**64 - 1]), st.integers(0, big))),
        }
        doubtful = draw(st.sampled_from([(), (), ("voltage_v",), ("voltage_v", "energy_wh")]))
        bad = frozenset(doubtful[:1]) if draw(st.booleans()) else frozenset[str]()
        out.append(sample(0, t_utc_ns=t, counts=counts, uncertain=dict.fromkeys(doubtful, "too_fast"), bad=bad))
    return out


@given(
    histories(), st.integers(-100, 4000), st.integers(1, 4000), st.sampled_from([1, 3, 40]), st.sampled_from([0, 10]),
    st.sampled_from([1, 3, 8, 1000]), st.data(),
)  # fmt: skip
@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_series_agree_with_a_plain_walk(
    tmp_path_factory: pytest.TempPathFactory, put: list[Sample], start_s: int, long_s: int, points: int, raw_rows: int, seal_rows: int,
    data: st.DataObject,
) -> None:  # fmt: skip
    """Wherever the samples lie: in rows, in sealed bodies, in several recordings."""
    directory = tmp_path_factory.mktemp("data")
    switch = data.draw(st.integers(0, len(put)))
    with pytest.MonkeyPatch.context() as patch, sealing_at(patch, seal_rows), OpenJournal(directory) as opened:
        for name in ("SEALED_ROWS", "HOT_ROWS"):
            patch.setattr(series, name, raw_rows)  # so few rows that the rollup is used
        for index, one in enumerate(put):
            if index == switch:
                opened.journal.start_run(run_info(), snapshot())
            opened.journal.put_sample(one)
            if data.draw(st.booleans()):
                opened.flush()
        opened.flush()
        from_ns, to_ns = T0 + start_s * NS, T0 + (start_s + long_s) * NS
        got = Archive(directory).series("load-1", ["voltage_v", "energy_wh"], from_ns, to_ns, points)
        for name in ("voltage_v", "energy_wh"):
            inside = [one for one in put if from_ns <= one.stamp.t_utc_ns < to_ns]
            if got.width_ns == 0:
                assert [b.t_utc_ns for b in got.channels[name]] == [one.stamp.t_utc_ns for one in inside]
                assert len(inside) <= points
            else:
                assert got.channels[name] == plain(put, name, from_ns, to_ns, got.width_ns)
                assert len(got.channels[name]) <= points + 1
    assert verify(directory).sound


def hour(seconds: int = 3600, dip_at: int = 1234) -> list[Sample]:
    """One sample a second with one sample of a dip."""
    noise = random.Random(4)
    return [
        sample(i + 1, t_utc_ns=T0 + i * NS, counts={"voltage_v": 11000 if i == dip_at else 24000 + noise.randrange(-3, 4)})
        for i in range(seconds)
    ]  # fmt: skip


def test_a_dip_of_one_sample_is_seen_at_any_width(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        for one in hour():
            opened.journal.put_sample(one)
        opened.flush()
        archive = Archive(tmp_path)
        for points in (1, 7, 60, 500, 2000):
            got = archive.series("load-1", ["voltage_v"], T0, T0 + 3600 * NS, points)
            assert min(b.minimum for b in got.channels["voltage_v"] if b.minimum is not None) == 11.0
            assert len(got.channels["voltage_v"]) <= points + 1


def test_a_gap_is_not_filled(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(*(one for i, one in enumerate(hour(600)) if not 200 <= i < 400))
        got = Archive(tmp_path).series("load-1", ["voltage_v"], T0, T0 + 600 * NS, 60)
    starts = [(b.t_utc_ns - T0) // NS for b in got.channels["voltage_v"]]
    assert starts == [*range(0, 200, 10), *range(400, 600, 10)]


def test_few_samples_come_one_by_one(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(*hour(50))
        got = Archive(tmp_path).series("load-1", ["voltage_v"], T0, T0 + 50 * NS, 50)
    assert got.width_ns == 0
    assert all(b.minimum == b.mean == b.maximum and b.count == 1 for b in got.channels["voltage_v"])


def test_failed_polls_are_shown_as_bad_and_without_a_value(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(*(failed(i + 1, t_utc_ns=T0 + i * NS) for i in range(300)))
        got = Archive(tmp_path).series("load-1", ["voltage_v"], T0, T0 + 300 * NS, 5)
    assert [(b.minimum, b.mean, b.count, b.worst) for b in got.channels["voltage_v"]] == [(None, None, 0, Quality.BAD)] * 5


def test_the_mean_is_exact_for_counters_beyond_53_bits(tmp_path: Path) -> None:
    big = 2**64 - 5
    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(i + 1, t_utc_ns=T0 + i * NS, counts={"energy_wh": big + i % 2}) for i in range(130)))
        opened.put(sample(200, t_utc_ns=T0 + 300 * NS))
        got = Archive(tmp_path).series("load-1", ["energy_wh"], T0, T0 + 120 * NS, 2)
    assert [b.mean for b in got.channels["energy_wh"]] == [float(Fraction(2 * big + 1, 2))] * 2


def test_an_unknown_channel_or_an_empty_span_is_refused_with_what_there_is(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(*hour(5))
        archive = Archive(tmp_path)
        with pytest.raises(UsageError, match=r"no channel 'volts' \(there are voltage_v, current_a"):
            archive.series("load-1", ["volts"], T0, T0 + NS)
        with pytest.raises(UsageError, match="empty"):
            archive.series("load-1", ["voltage_v"], T0, T0)
        assert archive.series("load-1", ["voltage_v"], 0, NS).channels == {"voltage_v": []}


def test_the_rollup_is_rebuilt_from_the_rows_after_a_restart_in_mid_minute(tmp_path: Path) -> None:
    samples = hour(200)
    for start in range(0, 200, 37):
        with OpenJournal(tmp_path) as opened:
            opened.put(*samples[start : start + 37])
    assert verify(tmp_path).sound
    got = Archive(tmp_path).series("load-1", ["voltage_v"], T0, T0 + 180 * NS, 3)
    assert got.channels["voltage_v"] == plain(samples, "voltage_v", T0, T0 + 180 * NS, 60 * NS)


def test_a_view_shows_the_same_readings_in_units(tmp_path: Path) -> None:
    """The sqlite3 shell is the reader of last resort: same values, RFC 3339 instants, names of enumerations."""
    import sqlite3

    put = [
        sample(1),
        dataclasses.replace(failed(2), detail="x"),
        sample(3, held={"temperature_c": 651, "mode": 1}, counts={"energy_wh": 7}),
    ]
    with OpenJournal(tmp_path) as opened:
        opened.put(*put)
    (recording,) = Archive(tmp_path).recordings()
    with sqlite3.connect(recording.path) as connection:
        connection.row_factory = sqlite3.Row
        first, second, third = (dict(row) for row in connection.execute('SELECT * FROM "load-1" ORDER BY seq'))
    assert math.isclose(first["voltage_v"], 24.001, rel_tol=1e-15)
    assert (first["time"], first["quality"], first["mode"]) == ("2027-01-15T07:00:00.100000000Z", "good", "CC")
    assert (second["failure"], second["voltage_v"], second["quality"]) == ("timeout", None, "bad")
    assert (third["mode"], third["energy_wh"]) == ("CV's", 7.0)
    assert math.isclose(third["temperature_c"], 25.1, rel_tol=1e-15)


def test_flush_waits_for_the_disk(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.put_sample(sample(41))
        assert opened.journal.flush().result(PATIENCE_S) == 41
