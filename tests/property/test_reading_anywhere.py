"""Wherever samples lie (in rows, in sealed bodies, in recordings of several runs and parts, before and after a restart), every way of
reading gives what a plain list of them gives."""

from __future__ import annotations

import contextlib
import dataclasses
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

import loadlog
from loadlog.model.sample import Sample
from loadlog.store import Archive, series
from loadlog.store.verify import verify
from tests.unit.store.recorded import NS, PATIENCE_S, T0, HandClock, OpenJournal, failed, run_info, sample, sealing_at, snapshot
from tests.unit.store.test_series import plain

DEVICES = ("load-1", "load-2")
CHANNELS = ("voltage_v", "energy_wh")
Step = tuple[str, Any]


@st.composite
def polls(draw: st.DrawFn) -> Step:
    """Of either device, at uneven intervals, with failures, doubtful and missing values, codes for "no value", clocks that step."""
    device = draw(st.sampled_from(DEVICES))
    later_ns = draw(st.sampled_from([NS // 10, NS // 10, 7 * NS, 59 * NS, 400 * NS, -200 * NS]))
    if draw(st.integers(0, 9)) == 0:
        return "failed", (device, later_ns)
    counts = {
        "voltage_v": draw(st.one_of(st.none(), st.just(-32768), st.integers(-30_000, 30_000))),
        "energy_wh": draw(st.one_of(st.sampled_from([9, 2**64 - 1]), st.integers(0, draw(st.sampled_from([10**4, 2**64]))))),
    }
    doubtful = draw(st.sampled_from([(), (), ("voltage_v",), ("voltage_v", "energy_wh")]))
    return "poll", (device, later_ns, counts, doubtful, draw(st.booleans()))


ORDERS = st.tuples(st.sampled_from(["flush", "seal", "begin", "end", "restart", "midnight"]), st.sampled_from(DEVICES))
STORIES = st.lists(st.one_of(polls(), polls(), polls(), ORDERS), max_size=70)


class Teller:
    """Records a story, and keeps the list. ``run_of``: number -> the run that the sample was taken in."""

    def __init__(self, directory: Path) -> None:
        self._directory, self._clock, self._t_ns, self._runs = directory, HandClock(), T0, 0
        self._opened = OpenJournal(directory, self._clock)
        self.put: list[Sample] = []
        self.run_of: dict[int, str | None] = {}

    def tell(self, story: list[Step]) -> None:
        for what, with_ in story:
            getattr(self, what)(with_)
        self._opened.flush()

    def poll(self, one: tuple[str, int, dict[str, int | None], tuple[str, ...], bool]) -> None:
        device, later_ns, counts, doubtful, is_bad = one
        self._t_ns += later_ns
        bad = frozenset(doubtful[:1]) if is_bad else frozenset[str]()
        self._put(sample(0, device, self._t_ns, counts, uncertain=dict.fromkeys(doubtful, "too_fast"), bad=bad))

    def failed(self, one: tuple[str, int]) -> None:
        device, later_ns = one
        self._t_ns += later_ns
        self._put(failed(0, device, t_utc_ns=self._t_ns))

    def _put(self, one: Sample) -> None:
        seq = self._opened.journal.put_sample(one)
        self.put.append(dataclasses.replace(one, seq=seq))
        self.run_of[seq] = self._opened.journal.run_of(one.device)

    def flush(self, _: str) -> None:
        self._opened.flush()

    def seal(self, _: str) -> None:
        self._opened.seal()

    def begin(self, device: str) -> None:
        if self._opened.journal.run_of(device) is None:
            self._runs += 1
            self._opened.journal.start_run(run_info(f"soak-{self._runs:04d}", (device,)), snapshot())

    def end(self, device: str) -> None:
        if (run := self._opened.journal.run_of(device)) is not None:
            self._opened.journal.stop_run(run, self._t_ns, "done").result(PATIENCE_S)

    def restart(self, _: str) -> None:
        self.close()
        self._opened = OpenJournal(self._directory, self._clock)

    def midnight(self, _: str) -> None:
        """A new rolling recording."""
        self._clock.move(86_400 * NS)

    def close(self) -> None:
        self._opened.__exit__()


@contextlib.contextmanager
def told(directory: Path, story: list[Step], seal_rows: int) -> Iterator[Teller]:
    with pytest.MonkeyPatch.context() as patch, sealing_at(patch, seal_rows):
        for name in ("SEALED_ROWS", "HOT_ROWS"):
            patch.setattr(series, name, 5)  # so few that minutes are used
        teller = Teller(directory)
        try:
            teller.tell(story)
            yield teller
        finally:
            teller.close()


SETTINGS = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
SEAL_ROWS = st.sampled_from([1, 4, 1000])
WINDOWS = st.tuples(st.integers(-500, 3000), st.integers(1, 6000)).map(lambda w: (T0 + w[0] * NS, T0 + (w[0] + w[1]) * NS))


@SETTINGS
@given(STORIES, SEAL_ROWS, WINDOWS)
def test_samples_of_a_device_a_run_a_window(
    tmp_path_factory: pytest.TempPathFactory, story: list[Step], seal_rows: int, window: tuple[int, int]
) -> None:  # fmt: skip
    with told(tmp_path_factory.mktemp("data"), story, seal_rows) as teller:
        archive = Archive(teller._directory)
        event(f"recordings: {len(archive.recordings())}")
        for device in DEVICES:
            own = [one for one in teller.put if one.device == device]
            assert list(archive.samples(device)) == own
            inside = [one for one in own if window[0] <= one.stamp.t_utc_ns < window[1]]
            assert list(archive.samples(device, *window)) == inside
            assert archive.polls(device) == (len(own), sum(one.failure is not None for one in own))
            newest = archive.latest(device)
            assert (newest and newest.sample) == (own[-1] if own else None)
        for run in {run for run in teller.run_of.values() if run is not None}:
            for device in DEVICES:
                wanted = [one for one in teller.put if one.device == device and teller.run_of[one.seq] == run]
                if wanted:
                    assert list(archive.samples(device, run=run)) == wanted
                    assert loadlog.open(run, data=teller._directory)[device].seq.tolist() == [one.seq for one in wanted]
        result = verify(teller._directory)
        assert result.sound, result.findings


@SETTINGS
@given(STORIES, SEAL_ROWS, st.data())
def test_from_a_number_on_in_order(
    tmp_path_factory: pytest.TempPathFactory, story: list[Step], seal_rows: int, data: st.DataObject
) -> None:
    with told(tmp_path_factory.mktemp("data"), story, seal_rows) as teller:
        archive, last = Archive(teller._directory), teller.put[-1].seq if teller.put else 0
        after, limit = data.draw(st.integers(0, last + 1)), data.draw(st.integers(1, 40))
        later = [one for one in teller.put if one.seq > after]
        found = archive.since(after, limit=limit)
        assert [record.sample for record in found] == later[:limit]
        assert [record.run for record in found] == [teller.run_of[one.seq] for one in later[:limit]]
        assert [record.sample for record in archive.since(0, limit=10**6)] == teller.put
        follower, followed = archive.follow(0), list[Sample]()
        while fresh := follower.poll(limit):
            followed += [record.sample for record in fresh]
        assert sorted(followed, key=lambda one: one.seq) == teller.put


@SETTINGS
@given(STORIES, SEAL_ROWS, WINDOWS, st.sampled_from([1, 3, 40]))
def test_arrays_and_buckets(
    tmp_path_factory: pytest.TempPathFactory, story: list[Step], seal_rows: int, window: tuple[int, int], points: int
) -> None:  # fmt: skip
    with told(tmp_path_factory.mktemp("data"), story, seal_rows) as teller:
        archive = Archive(teller._directory)
        for device in {one.device for one in teller.put}:
            own = [one for one in teller.put if one.device == device and window[0] <= one.stamp.t_utc_ns < window[1]]
            got = archive.arrays(device, CHANNELS, *window)
            assert got.seq.tolist() == [one.seq for one in own]
            assert got.t_utc_ns.tolist() == [one.stamp.t_utc_ns for one in own]
            for name in CHANNELS:
                assert [None if math.isnan(v) else v for v in got[name].tolist()] == [one.values.get(name) for one in own]
            buckets = archive.series(device, list(CHANNELS), *window, points)
            for name in CHANNELS:
                if buckets.width_ns:
                    assert buckets.channels[name] == plain(own, name, *window, buckets.width_ns)
                else:
                    assert [b.t_utc_ns for b in buckets.channels[name]] == [one.stamp.t_utc_ns for one in own]
                    assert [b.mean for b in buckets.channels[name]] == [one.values.get(name) for one in own]
