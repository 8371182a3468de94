"""Reading while the recorder writes, in bounded memory, and out into CSV."""

from __future__ import annotations

import csv
import io
import threading
import tracemalloc
from pathlib import Path

import pytest

from loadlog.cli.store import until_full
from loadlog.model.clock import parse_utc
from loadlog.model.errors import UsageError
from loadlog.model.event import EventState
from loadlog.store import Archive
from loadlog.store.export_csv import export_csv
from loadlog.store.status import status
from tests.unit.store.recorded import NS, PATIENCE_S, T0, OpenJournal, event, failed, run_info, sample, snapshot


def test_a_follower_sees_every_sample_once_while_runs_begin_and_end(tmp_path: Path) -> None:
    total = 3000
    with OpenJournal(tmp_path, commit_interval_s=0.05) as opened:
        follower = Archive(tmp_path).follow(0)
        seen: list[int] = []
        done = threading.Event()

        def read() -> None:
            while not done.is_set():
                seen.extend(record.seq for record in follower.poll(500))

        thread = threading.Thread(target=read)
        thread.start()
        for seq in range(1, total + 1):
            if seq % 500 == 0:
                opened.journal.start_run(run_info(f"r-{seq:04d}"), snapshot())
            if seq % 500 == 250 and opened.journal.running:
                opened.journal.stop_run(opened.journal.running[0].id, T0, "done")
            opened.journal.put_sample(sample(seq, "load-1" if seq % 2 else "case"))
            if seq % 100 == 0:
                opened.flush()
        opened.flush()
        done.set()
        thread.join(PATIENCE_S)
        seen.extend(record.seq for record in follower.poll())
        assert sorted(seen) == list(range(1, total + 1))


def test_an_event_that_waited_for_the_recording_to_be_made_is_news(tmp_path: Path) -> None:
    """Raised before the first commit: it stands in the recording once, and a follower tells it."""
    with OpenJournal(tmp_path) as opened:
        opened.journal.put_sample(sample(1))
        opened.journal.put_events([event(7, 2)])
        opened.flush()
        assert [e.id for e in Archive(tmp_path).follow(0).poll_events()] == [7]


def test_a_follower_goes_on_where_another_one_stood(tmp_path: Path) -> None:
    """Two recordings are committed one after the other, so a single number would skip what came late in one of them."""
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(*(sample(seq, "load-1" if seq % 2 else "case") for seq in range(1, 100)))
        first = Archive(tmp_path).follow(0)
        seen = [stored.seq for stored in first.poll_rows(31)]
        second = Archive(tmp_path).follow(0, places=first.places)
        opened.put(*(sample(seq, "load-1" if seq % 2 else "case") for seq in range(100, 200)))
        rest = second.poll_rows()
        assert seen + [stored.seq for stored in rest] == list(range(1, 200))
        assert {stored.run for stored in rest} == {"soak-0001", None}
        assert rest[-1].record.sample == next(s for s in Archive(tmp_path).samples("load-1") if s.seq == 199)
        assert sorted(second.places.values()) == [198, 199]


def test_a_follower_sees_every_state_of_every_event_once(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        journal = opened.journal
        opened.put(sample(1, "load-2"))
        follower = Archive(tmp_path).follow(1)
        journal.put_events([event(1, 2), event(2, 3, device=None)])
        journal.start_run(run_info(), snapshot()).result(PATIENCE_S)
        assert [(e.id, e.seq) for e in follower.poll_events()] == [(1, 2), (2, 3)]
        journal.put_events(
            [event(3, 4, device="load-2"), event(2, 5, device=None, state=EventState.CLEARED), event(1, 6, acknowledged=True)]
        )
        opened.flush()
        assert [(e.id, e.seq) for e in follower.poll_events()] == [(3, 4), (2, 5), (1, 6)]
        assert follower.poll_events() == []


def test_pages_of_several_recordings_come_in_one_order(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(*(sample(seq, "load-1" if seq % 5 else "case") for seq in range(1, 9001)))
    archive = Archive(tmp_path)
    assert [r.seq for r in archive.since(0, limit=10**6)] == list(range(1, 9001))
    assert [r.seq for r in archive.since(0, limit=5000)] == list(range(1, 5001))
    assert archive.polls("case") == (1800, 0)


def test_since_pages_on(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(seq, ("load-1", "load-2", "case")[seq % 3]) for seq in range(1, 101)))
    archive = Archive(tmp_path)
    assert [r.seq for r in archive.since(0, limit=30)] == list(range(1, 31))
    assert [r.seq for r in archive.since(95)] == [96, 97, 98, 99, 100]
    assert archive.since(100) == []


def test_the_latest_sample_of_a_device(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        archive = Archive(tmp_path)
        opened.put(sample(1), sample(2, "case"))
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(3))
        latest = archive.latest("load-1")
        assert latest is not None
        assert (latest.seq, latest.run) == (3, "soak-0001")
        opened.journal.stop_run("soak-0001", T0, "done").result(PATIENCE_S)
        latest = archive.latest("load-1")
        assert latest is not None
        assert latest.seq == 3
        opened.put(failed(4))
        latest = archive.latest("load-1")
        assert latest is not None
        assert (latest.seq, latest.run) == (4, None)
        assert archive.latest("load-2") is None


def test_samples_of_a_span_are_found_although_the_clock_stepped_back(tmp_path: Path) -> None:
    instants = [T0 + s * NS for s in (0, 50, 100, 150, 200, 30, 80, 130, 400)]
    with OpenJournal(tmp_path) as opened:
        for seq, t_utc_ns in enumerate(instants, start=1):
            opened.put(sample(seq, t_utc_ns=t_utc_ns))
    archive = Archive(tmp_path)
    for low in instants:
        for high in instants:
            expected = [seq for seq, t_utc_ns in enumerate(instants, start=1) if low <= t_utc_ns < high]
            assert [s.seq for s in archive.samples("load-1", low, high)] == expected


def test_memory_does_not_depend_on_the_length_of_the_span(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        for seq in range(1, 30_001):
            opened.journal.put_sample(sample(seq))
        opened.flush()
    archive = Archive(tmp_path)
    peaks = []
    for last in (5_000, 30_000):
        tracemalloc.start()
        count = sum(1 for _ in archive.samples("load-1", None, T0 + (last + 1) * NS // 10))
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert count == last
    assert peaks[1] < 1.2 * peaks[0]


def test_a_reader_in_the_middle_of_a_span_holds_up_neither_writer_nor_checkpoint(tmp_path: Path) -> None:
    """WAL (wal.html, "Avoiding Excessively Large WAL Files"): a snapshot that is held lets the WAL grow without bound."""
    with OpenJournal(tmp_path) as opened:
        for seq in range(1, 10_001):
            opened.journal.put_sample(sample(seq))
        opened.flush()
        slow = Archive(tmp_path).samples("load-1")
        assert next(slow).seq == 1
        (wal,) = (tmp_path / "recordings").glob("*-wal")
        for start in range(10_001, 210_001, 4_000):
            for seq in range(start, start + 4_000):
                opened.journal.put_sample(sample(seq))
            opened.flush()
        assert wal.stat().st_size < 7 << 20  # the commits wrote far more
        assert sum(1 for _ in slow) >= 9_999


def rows_of(tmp_path: Path, **choice: object) -> list[dict[str, str]]:
    out = io.StringIO(newline="")
    count = export_csv(Archive(tmp_path), out, **choice)  # type: ignore[arg-type]
    rows = list(csv.DictReader(io.StringIO(out.getvalue(), newline="")))
    assert len(rows) == count
    return rows


def test_csv_holds_every_sample_with_units_quality_and_reasons(tmp_path: Path) -> None:
    put = [
        sample(1),
        sample(
            2, "load-2", counts={"voltage_v": -32768}, uncertain={"voltage_v": "sentinel", "mode": "stale"}, bad=frozenset({"voltage_v"})
        ),
        failed(3),
        sample(4, counts={"mode": 1, "energy_wh": 2**64 - 2}),
    ]
    with OpenJournal(tmp_path) as opened:
        opened.put(*put)
    first, second, third, fourth = rows_of(tmp_path)
    assert list(first)[:5] == ["seq", "time_utc", "time_uncertainty_s", "device", "quality"]
    assert {"voltage_v", "current_a", "temperature_c", "energy_wh", "input_on", "mode", "reasons"} < set(first)
    assert parse_utc(first["time_utc"]) == put[0].stamp.t_utc_ns
    assert (first["device"], first["voltage_v"], first["mode"], first["held"]) == ("load-1", "24.001", "CC", "temperature_c mode")
    assert (second["voltage_v"], second["reasons"]) == ("", "voltage_v=sentinel(bad) mode=stale")
    assert (third["failure"], third["detail"], third["voltage_v"], third["quality"]) == ("timeout", "no reply within 0.2 s", "", "bad")
    assert (fourth["mode"], float(fourth["energy_wh"])) == ("CV's", float(2**64 - 2))


def test_csv_follows_the_standard(tmp_path: Path) -> None:
    """RFC 4180, 2: CR LF after each record (1), a header (3), equal numbers of fields (4), quotes doubled inside quotes (6, 7)."""
    import dataclasses

    with OpenJournal(tmp_path) as opened:
        opened.put(dataclasses.replace(failed(1), detail='says "no", then\nnothing'), sample(2))
    out = io.StringIO(newline="")
    export_csv(Archive(tmp_path), out)
    assert '"says ""no"", then\nnothing"\r\n' in out.getvalue()
    assert len({len(record) for record in csv.reader(io.StringIO(out.getvalue(), newline=""))}) == 1


def test_csv_of_one_run_one_device_one_span(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1))
        opened.journal.start_run(run_info(devices=("load-1", "case")), snapshot())
        opened.put(*(sample(seq, "load-1" if seq % 2 else "case") for seq in range(2, 20)))
    assert [int(r["seq"]) for r in rows_of(tmp_path, run="soak-0001")] == list(range(2, 20))
    assert [int(r["seq"]) for r in rows_of(tmp_path, run="soak-0001", devices=["case"])] == list(range(2, 20, 2))
    span = {"from_ns": T0 + NS // 2, "to_ns": T0 + NS}
    assert [int(r["seq"]) for r in rows_of(tmp_path, **span)] == [5, 6, 7, 8, 9]
    with pytest.raises(UsageError, match=r"no device 'load-7' \(there are load-1, case\)"):
        rows_of(tmp_path, run="soak-0001", devices=["load-7"])
    with pytest.raises(UsageError, match="no run 'x'"):
        rows_of(tmp_path, run="x")


def test_runs_are_found_by_id_by_name_and_as_the_last(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        for run_id in ("soak-0001", "soak-0002", "other-0003"):
            opened.journal.start_run(run_info(run_id), snapshot())
            opened.journal.stop_run(run_id, T0, "done").result(PATIENCE_S)
    archive = Archive(tmp_path)
    assert archive.run("soak-0002").id == "soak-0002"
    assert archive.run("other").id == "other-0003"
    with pytest.raises(UsageError, match=r"2 runs are named 'soak' \(give the id: soak-0001, soak-0002\)"):
        archive.run("soak")
    with pytest.raises(UsageError, match="no run 'nope'"):
        archive.run("nope")


def test_the_status_says_when_the_disk_is_full(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(seq) for seq in range(1, 36_001, 10)))  # an hour
    facts = status(tmp_path, T0 + 3600 * NS)
    assert (facts.samples, len(facts.recordings)) == (3600, 1)
    assert facts.growth_bytes_per_day == pytest.approx(24 * facts.size_bytes, rel=0.01)
    assert facts.recorded_s == pytest.approx(3600, rel=0.01)
    assert facts.days_until_full == pytest.approx(facts.free_bytes / (24 * facts.size_bytes), rel=0.01)


def test_of_a_recording_that_began_before_the_last_week_its_share_counts(tmp_path: Path) -> None:
    """One that goes on after a pause of years made the disk last for thousands."""
    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(seq) for seq in range(1, 36_001, 10)))  # an hour
    facts = status(tmp_path, T0 + (7 * 86_400 + 1800) * NS)
    assert facts.recorded_s == pytest.approx(1800, rel=0.01)
    assert facts.growth_bytes_per_day == pytest.approx(24 * facts.size_bytes, rel=0.01)


def test_days_until_the_disk_is_full_are_told_as_far_as_they_mean_anything() -> None:
    said = {None: "", 12.4: ", full in 12 days", 3600.0: ", full in 3600 days", 4998301.0: ", full in more than ten years"}
    assert {days: until_full(days) for days in said} == said


def test_the_status_of_too_short_a_record_makes_no_promise(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1))
    assert status(tmp_path, T0).days_until_full is None
