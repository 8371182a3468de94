"""Lines made a column at a time are, to the byte, those made a row at a time, whatever lies in the recording and wherever it lies."""

from __future__ import annotations

import contextlib
import random
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from line_protocol_parser import parse_line

from loadlog.forwarder.columns import ColumnLines
from loadlog.forwarder.lines import SampleLines
from loadlog.forwarder.stamps import Stamps
from loadlog.model.clock import NS
from loadlog.model.sample import Quality, Sample
from loadlog.store import Archive
from loadlog.store.follower import Follower
from tests.unit.store.recorded import DAY_NS, T0, OpenJournal, failed, run_info, sample, sealing_at, snapshot

DEVICES = ("load-1", "load-2", "case")


def history(rows: int, chance: random.Random) -> list[Sample]:
    """Everything that can lie in a row: failed polls, codes for "no value", integers beyond 64 bits, held and absent channels, doubtful and
    bad values, stamps that coincide, a clock that is set back."""
    out, t_ns = [], T0
    for seq in range(1, rows + 1):
        device = chance.choice(DEVICES)
        t_ns += chance.choice([0, 300, 2_000_000, NS // 10])
        if chance.random() < 0.01:
            t_ns -= 3600 * NS
        what = chance.random()
        if what < 0.05:
            out.append(failed(seq, device, t_utc_ns=t_ns))
        elif what < 0.1:
            counts = {
                "voltage_v": chance.choice([-32768, 7]),
                "energy_wh": chance.choice([2**64 - 1, 2**64 - seq, 2**100, 2**63 - 1, -(2**63), 9]),
            }
            out.append(sample(seq, device, t_ns, counts))
        elif what < 0.15:
            doubt = {"voltage_v": "range"}
            bad = frozenset(doubt)
            out.append(sample(seq, device, t_ns, {"voltage_v": 99_000}, uncertain=doubt, bad=bad, quality=Quality.BAD))
        elif what < 0.5:
            out.append(
                sample(seq, device, t_ns, {"voltage_v": chance.randrange(1 << 40), "input_on": 0}, {"mode": 1, "temperature_c": seq})
            )
        else:
            out.append(sample(seq, device, t_ns))
    return out


def by_rows(follower: Follower, mode: str) -> list[str]:
    lines = SampleLines("bench a", Stamps(mode))
    return [lines.line(row) for row in follower.poll_rows(10**6)]


def by_columns(follower: Follower, mode: str, limit: int) -> list[str]:
    stamps = Stamps(mode)
    columns, out = ColumnLines(SampleLines("bench a", stamps), stamps), list[str]()
    while stretches := follower.poll_slabs(limit):
        made = columns.body(stretches).decode().split("\n")
        assert len(made) == sum(len(stretch.seqs) for stretch in stretches) <= limit
        out += made
    return out


def of_series(lines: list[str]) -> dict[str, list[str]]:
    """In the order in which they came."""
    out: dict[str, list[str]] = {}
    for line in lines:
        tags = parse_line(line)["tags"]
        out.setdefault(f"{tags['device']}/{tags['run']}", []).append(line)
    return out


@pytest.mark.parametrize("mode", ["ns", "ms"])
@pytest.mark.parametrize("limit", [7, 500, 10**6])
@pytest.mark.parametrize("seed", [1, 2])
def test_columns_say_what_rows_say(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int, limit: int, mode: str) -> None:
    """Sealed and hot, in a run and between runs, in bodies of any size."""
    put = history(1500, random.Random(seed))
    with sealing_at(monkeypatch, 100), OpenJournal(tmp_path) as opened:
        for n in range(0, 1500, 50):
            if n == 400:
                opened.journal.start_run(run_info(), snapshot())
            if n == 1200:
                opened.journal.stop_run("soak-0001", T0 + DAY_NS, "done")
            opened.put(*put[n : n + 50])
            if n == 1300:
                opened.seal()
        archive = Archive(tmp_path)
        rows, follower = archive.follow(0), archive.follow(0)
        expected = by_rows(rows, mode)
        assert len(expected) == 1500
        assert of_series(by_columns(follower, mode, limit)) == of_series(expected)
        assert follower.places == rows.places
        opened.put(sample(1501, "case", T0 + DAY_NS))
        assert len(by_columns(follower, mode, limit)) == 1, "what was read at the end is not read again"


@pytest.mark.parametrize("mode", ["ns", "ms"])
def test_a_clock_that_is_set_while_it_runs(tmp_path: Path, mode: str) -> None:
    """Instants of a clock that was never set have fewer digits, before 1970 a sign; then it is set."""
    begins = (-(10**18) - 3600 * NS, -3 * NS, 0, 40 * NS, 10**18 - 3600 * NS, 10**18 - 27 * NS, T0)
    with OpenJournal(tmp_path) as opened:
        opened.put(*(sample(seq, DEVICES[seq % 3], begins[seq // 12] + seq * NS // 2) for seq in range(1, 12 * len(begins))))
        expected = by_rows(Archive(tmp_path).follow(0), mode)
        assert {len(line.rpartition(" ")[2]) for line in expected} >= {10, 11, 18, 19, 20}
        assert of_series(by_columns(Archive(tmp_path).follow(0), mode, 10)) == of_series(expected)


def test_what_lies_before_a_damaged_body_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with sealing_at(monkeypatch, 100), OpenJournal(tmp_path) as opened:
        for n in range(0, 600, 50):
            opened.put(*(sample(seq, DEVICES[seq % 3], T0 + seq * NS) for seq in range(n + 1, n + 51)))
        opened.seal()
    (path,) = (tmp_path / "recordings").glob("*.sqlite")
    with contextlib.closing(sqlite3.connect(path)) as db, db:
        ends = [row[0] for row in db.execute("SELECT last_seq FROM sealed ORDER BY last_seq")]
        first = db.execute("SELECT min(first_seq) FROM sealed WHERE last_seq = ?", (ends[-1],)).fetchone()[0]
        assert 1 < first < ends[-1]
        db.execute("UPDATE sealed SET body = zeroblob(length(body)) WHERE last_seq = ?", (ends[-1],))
    follower = Archive(tmp_path).follow(0)
    numbers = [int(seq) for stretches in iter(follower.poll_slabs, []) for stretch in stretches for seq in stretch.seqs]
    assert follower.damaged
    assert sorted(numbers) == list(range(1, len(numbers) + 1))
    assert first - len(DEVICES) <= len(numbers) < ends[-1]


@settings(deadline=None)
@given(
    st.sampled_from(["ns", "ms"]), st.lists(st.sampled_from([0, 400, 900_000, NS, -5_000_000, -3600 * NS]), max_size=60), st.integers(0, 60)
)
def test_stamps_all_at_once_are_those_in_turn(mode: str, steps: list[int], cut: int) -> None:
    import numpy as np

    times, t_ns = [], T0
    for step in steps:
        t_ns += step
        times.append(t_ns)
    one, many = Stamps(mode), Stamps(mode)
    expected = [one.unique("a", t) for t in times]
    found = [many.unique_all("a", np.array(part, np.int64)).tolist() for part in (times[:cut], times[cut:])]
    assert found[0] + found[1] == expected
    assert many.state == one.state
