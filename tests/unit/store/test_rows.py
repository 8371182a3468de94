"""Any sample comes back as it went in, whatever it holds, and so do events."""

from __future__ import annotations

import dataclasses
import random
import sqlite3
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from loadlog.model.clock import NS as NS_MODEL
from loadlog.model.clock import format_utc
from loadlog.model.event import EventState, Severity
from loadlog.model.sample import FailureCause, PollFailure, Quality, Reading, Sample, Stamp
from loadlog.store import Archive
from loadlog.validation import Validator
from tests.unit.store.recorded import NS, SPECS, T0, OpenJournal, event, failed, run_info, sample, sealing_at, snapshot

NUMBERS = ("voltage_v", "current_a", "temperature_c", "energy_wh")
CHANNELS = (*NUMBERS, "input_on", "mode")
# 2**53: beyond it, a held count cannot be told from its value any more, and the instruments' registers end at 2**64
counts_of = st.one_of(st.none(), st.integers(-(2**15), 2**15), st.integers(-(2**63), 2**64 - 1))
texts = st.text(max_size=20)


@st.composite
def samples(draw: st.DrawFn) -> Sample:
    """Everything that validation can hand on."""
    device = draw(st.sampled_from(sorted(SPECS)))
    t_utc_ns = draw(st.integers(0, 4_000_000_000 * NS_MODEL))
    stamp = Stamp(t_utc_ns, draw(st.integers(0, 10**10)), 0, draw(st.integers(-(10**12), 10**12)) / 1e9)
    if draw(st.booleans()):
        cause = draw(st.sampled_from(FailureCause))
        return Sample(0, device, stamp, Quality.BAD, {}, {}, {}, failure=cause, detail=draw(texts))
    read = draw(st.dictionaries(st.sampled_from(CHANNELS), counts_of, max_size=6))
    rest = [name for name in CHANNELS if name not in read]
    held = draw(st.dictionaries(st.sampled_from(rest), st.integers(-(2**31), 2**31), max_size=3)) if rest else {}
    uncertain = draw(st.dictionaries(st.sampled_from(CHANNELS), texts, max_size=3))
    bad = frozenset(draw(st.sets(st.sampled_from(sorted(uncertain)))) if uncertain else ())
    made = sample(1, device, t_utc_ns, read, held, uncertain, bad)
    quality = draw(st.sampled_from(Quality))
    return dataclasses.replace(made, stamp=stamp, quality=quality, detail=draw(texts), seq=0)


@given(st.lists(samples(), max_size=40), st.integers(0, 40), st.integers(0, 40), st.sampled_from([1, 3, 8, 1000]), st.data())
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_samples_come_back_across_recordings(
    tmp_path_factory: pytest.TempPathFactory, put: list[Sample], a: int, b: int, seal_rows: int, data: st.DataObject
) -> None:
    """Wherever they lie: in rows, in sealed bodies, in several recordings."""
    directory = tmp_path_factory.mktemp("data")
    start, stop = sorted((a, b))
    stored = []
    with pytest.MonkeyPatch.context() as patch, sealing_at(patch, seal_rows), OpenJournal(directory) as opened:
        for index, one in enumerate(put):
            if index == start:
                opened.journal.start_run(run_info(), snapshot())
            if index == stop and opened.journal.running:
                opened.journal.stop_run("soak-0001", T0, "done")
            seq = opened.journal.put_sample(one)
            stored.append(dataclasses.replace(one, seq=seq))
            if data.draw(st.booleans()):
                opened.flush()
        opened.flush()
        archive = Archive(directory)
        for device in SPECS:
            expected = [one for one in stored if one.device == device]
            assert list(archive.samples(device)) == expected
            assert [record.sample for record in archive.since(0) if record.sample.device == device] == expected
        in_run = [one for i, one in enumerate(stored) if start <= i < stop and one.device == "load-1"]
        assert list(archive.samples("load-1", run="soak-0001")) == in_run


def test_values_are_bit_for_bit_those_of_the_live_pipeline(tmp_path: Path) -> None:
    live = [sample(i, counts={"voltage_v": 3 * i, "current_a": -7 * i}) for i in range(1, 2000)]
    with OpenJournal(tmp_path) as opened:
        opened.put(*live)
    for before, after in zip(live, Archive(tmp_path).samples("load-1"), strict=True):
        assert after.values["voltage_v"] is not None
        assert after.values["voltage_v"].hex() == before.values["voltage_v"].hex()  # type: ignore[union-attr]
        assert after.uncertainty == before.uncertainty


def test_a_count_beyond_64_bits_is_exact(tmp_path: Path) -> None:
    put = [sample(1, counts={"energy_wh": 2**64 - 2}), sample(2, counts={"energy_wh": 2**63}), sample(3, counts={"energy_wh": -(2**63)})]
    with OpenJournal(tmp_path) as opened:
        opened.put(*put)
    assert [s.counts["energy_wh"] for s in Archive(tmp_path).samples("load-1")] == [2**64 - 2, 2**63, -(2**63)]


def test_the_instruments_no_value_code_is_kept_as_a_count_and_is_no_value(tmp_path: Path) -> None:
    put = sample(1, counts={"voltage_v": -32768}, uncertain={"voltage_v": "sentinel"}, bad=frozenset({"voltage_v"}))
    with OpenJournal(tmp_path) as opened:
        opened.put(put)
    (back,) = Archive(tmp_path).samples("load-1")
    assert (back.counts["voltage_v"], back.values["voltage_v"]) == (-32768, None)
    assert back == put


def test_held_counts_follow_what_is_held(tmp_path: Path) -> None:
    """The same channels are held in poll after poll, mostly at the same counts; whatever comes between, no earlier count is taken."""
    read = {"voltage_v": 24_001, "current_a": None, "energy_wh": 7, "input_on": 1}
    pairs = [(650, 0), (650, 0), (651, 0), (651, 1), (None, 1), (650, 1), (650, None), (650, 0)]
    put: list[Sample] = []
    for temperature, mode in pairs:
        held = {"temperature_c": temperature, "mode": mode}
        put += [
            sample(len(put) + 1, counts=read, held=held),
            sample(len(put) + 2, counts=read | {"temperature_c": 700, "mode": 0}),
            failed(len(put) + 3),
            sample(len(put) + 4, counts={"energy_wh": 7}, held=held | {"voltage_v": 5, "current_a": 6, "input_on": 0}),
            sample(len(put) + 5, counts=read, held={"mode": mode}),
        ]
    with OpenJournal(tmp_path) as opened:
        opened.put(*put)
    assert list(Archive(tmp_path).samples("load-1")) == put
    (path,) = (tmp_path / "recordings").glob("*.sqlite")
    with sqlite3.connect(path) as connection:
        rows = connection.execute("SELECT v2, v5 FROM sample WHERE held IS NOT NULL ORDER BY seq").fetchall()
        kinds = connection.execute("SELECT DISTINCT typeof(failure), typeof(held), typeof(marks), typeof(v1) FROM sample").fetchall()
    assert rows[0::3] == rows[1::3] == pairs
    assert {kind for kind, *_ in kinds} == {"null", "text"}
    assert {kind for _, *others in kinds for kind in others} == {"null", "integer", "text"}


def test_a_poll_that_failed_says_why(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(failed(1, cause=FailureCause.EXCEPTION))
    (back,) = Archive(tmp_path).samples("load-1")
    assert (back.failure, back.detail, back.quality) == (FailureCause.EXCEPTION, "no reply within 0.2 s", Quality.BAD)


def test_time_stamps_are_kept_to_the_nanosecond(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1, t_utc_ns=T0 + 123_456_789), sample(2, t_utc_ns=T0 + 123_456_790))
    assert [s.stamp.t_utc_ns - T0 for s in Archive(tmp_path).samples("load-1")] == [123_456_789, 123_456_790]


def test_an_event_comes_back_with_everything(tmp_path: Path) -> None:
    put = event(
        7, 1, severity=Severity.WARNING, acknowledged=True, acknowledged_by="näme", note="seen; 'ok'", group="stack-a",
        evidence={"list": [1, 2.5, None], "nested": {"x": "y"}},
    )  # fmt: skip
    with OpenJournal(tmp_path) as opened:
        opened.journal.put_events([put])
        opened.flush()
    assert Archive(tmp_path).events() == [put]


def test_evidence_that_is_no_json_does_not_cost_the_event(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.put_events([event(7, 1, evidence={"odd": {1, 2}, "nan": float("nan")})])
        opened.put(sample(2))
    (back,) = Archive(tmp_path).events()
    assert back.evidence["odd"] == "{1, 2}"
    assert back.evidence["nan"] != back.evidence["nan"]


def test_the_latest_state_of_an_event_counts(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.put_events([event(1, 1), event(2, 2, device="load-2")])
        opened.journal.put_events([event(1, 3, state=EventState.CLEARED), event(2, 4, device="load-2", acknowledged=True)])
        opened.flush()
        archive = Archive(tmp_path)
        assert [(e.id, e.seq, e.state) for e in archive.events()] == [(1, 3, EventState.CLEARED), (2, 4, EventState.ACTIVE)]
        assert [e.id for e in archive.events(active=True)] == [2]
        assert [e.id for e in archive.events(device="load-1")] == [1]
        assert [e.id for e in archive.events(kinds=["limit"], limit=1)] == [2]
        assert archive.events(kinds=["load_trip"]) == []
        assert [e.id for e in archive.events(since_ns=T0 + 35 * NS // 100)] == [2]


def test_an_acknowledgement_is_news_of_an_event(tmp_path: Path) -> None:
    """`/api/events`, since: detected, cleared or acknowledged since."""
    seen = format_utc(T0 + 3600 * NS)
    with OpenJournal(tmp_path) as opened:
        opened.journal.put_events([event(1, 1), event(2, 2, acknowledged=True, evidence={"acknowledged_at": seen})])
        opened.journal.put_events([event(3, 3, acknowledged=True, evidence={"acknowledged_at": "by a broken clock"})])
    assert [e.id for e in Archive(tmp_path).events(since_ns=T0 + 3600 * NS)] == [2]
    assert Archive(tmp_path).events(since_ns=T0 + 3601 * NS) == []


def test_what_validation_hands_on_comes_back_equal(tmp_path: Path) -> None:
    """The real maker of samples: slow channels held, not yet read, undecodable, sentinels, failures in between, a foreign identity."""
    chance = random.Random(7)
    validator = Validator(SPECS["load-1"])
    live: list[Sample] = []
    with OpenJournal(tmp_path) as opened:
        for seq in range(1, 400):
            stamp = Stamp(T0 + seq * NS // 10, 3_000_000, seq, seq / 1e6)
            item: Reading | PollFailure
            if chance.random() < 0.1:
                item = PollFailure("load-1", stamp, FailureCause.CRC, "CRC wrong")
            else:
                due = [n for n in CHANNELS if n not in ("temperature_c", "mode") or chance.random() < 0.1]
                options = (0, 1, 24_000, -32768, None, 2**40)
                item = Reading("load-1", stamp, {n: chance.choice(options) for n in due}, texts={"serial": "1" if seq < 300 else "2"})
            sample_now = validator.update(item, seq)
            live.append(dataclasses.replace(sample_now, stamp=dataclasses.replace(stamp, t_mono_ns=0)))
            opened.journal.put_sample(sample_now)
        opened.flush()
    assert list(Archive(tmp_path).samples("load-1")) == live
    assert any(one.held for one in live)
    assert any(one.bad for one in live)
