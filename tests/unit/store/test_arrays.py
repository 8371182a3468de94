"""Arrays in units against the samples themselves, wherever those lie; and the three lines of a notebook."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import loadlog
from loadlog.model.errors import StoreError, UsageError
from loadlog.model.sample import Quality, Sample
from loadlog.store import Archive
from tests.unit.store.recorded import NS, PATIENCE_S, T0, OpenJournal, failed, run_info, sample, sealing_at, snapshot
from tests.unit.store.test_series import histories


def quality_of(one: Sample, channel: str) -> Quality:
    if one.failure is not None or channel in one.bad:
        return Quality.BAD
    return Quality.UNCERTAIN if channel in one.uncertain else Quality.GOOD


@given(histories(), st.sampled_from([1, 4, 1000]), st.integers(-50, 2000), st.integers(1, 4000), st.data())
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_arrays_are_the_samples(
    tmp_path_factory: pytest.TempPathFactory, put: list[Sample], seal_rows: int, start_s: int, long_s: int, data: st.DataObject
) -> None:
    directory = tmp_path_factory.mktemp("data")
    switch = data.draw(st.integers(0, len(put)))
    with pytest.MonkeyPatch.context() as patch, sealing_at(patch, seal_rows), OpenJournal(directory) as opened:
        opened.put(sample(0, "case"))
        for index, one in enumerate(put):
            if index == switch:
                opened.journal.start_run(run_info(), snapshot())
            opened.journal.put_sample(one)
            if data.draw(st.booleans()):
                opened.flush()
        opened.seal()
        from_ns, to_ns = T0 + start_s * NS, T0 + (start_s + long_s) * NS
        for window in ((None, None), (from_ns, to_ns)):
            expected = list(Archive(directory).samples("load-1", *window))
            got = Archive(directory).arrays("load-1", (), *window)
            assert got.seq.tolist() == [one.seq for one in expected]
            assert got.t_utc_ns.tolist() == [one.stamp.t_utc_ns for one in expected]
            assert got.quality.tolist() == [one.quality for one in expected]
            assert got.failed.tolist() == [one.failure is not None for one in expected]
            for name in ("voltage_v", "current_a", "energy_wh", "temperature_c"):
                values = [one.values.get(name) for one in expected]
                assert [None if math.isnan(v) else v for v in got[name].tolist()] == values, name
                assert got.qualities[name].tolist() == [quality_of(one, name) for one in expected]
                good = [None if math.isnan(v) else v for v in got.good(name).tolist()]
                assert good == [one.good(name) for one in expected]
                assert got.held[name].tolist() == [name in one.held for one in expected]
            assert got.half_width_ns.tolist() == [one.stamp.half_width_ns for one in expected]
            assert got.lateness_ns.tolist() == [round(one.stamp.lateness_s * NS) for one in expected]


@pytest.mark.parametrize("rows", [1, 7, 40, 1000])
def test_a_run_by_parts_is_the_run(tmp_path: Path, rows: int) -> None:
    with pytest.MonkeyPatch.context() as patch, sealing_at(patch, 10), OpenJournal(tmp_path) as opened:
        opened.put(*(sample(n) for n in range(1, 4)))  # before the run
        opened.journal.start_run(run_info(), snapshot())
        opened.put(*(failed(n) if n % 9 == 0 else sample(n) for n in range(4, 80)))
        opened.seal()
        opened.put(*(sample(n) for n in range(80, 95)))
        archive = Archive(tmp_path)
        whole = archive.arrays("load-1", run="soak-0001")
        parts = list(archive.arrays_by_parts("load-1", "soak-0001", ("voltage_v",), rows))
        assert np.concatenate([p.seq for p in parts]).tolist() == whole.seq.tolist() == list(range(4, 95))
        assert np.array_equal(np.concatenate([p["voltage_v"] for p in parts]), whole["voltage_v"], equal_nan=True)
        assert len(parts) > 1 or rows == 1000
        with pytest.raises(UsageError, match="in run soak-0001"):
            archive.arrays_by_parts("load-9", "soak-0001")
        with pytest.raises(UsageError, match="there is no run"):
            archive.arrays_by_parts("load-1", "soak-9")


def test_three_lines_give_arrays_with_units(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(devices=("load-1", "case")), snapshot())
        opened.put(sample(1), failed(2), sample(3, "case"), sample(4))
        opened.journal.stop_run("soak-0001", T0 + NS, "done").result(PATIENCE_S)
    run = loadlog.open("soak", data=tmp_path)
    load = run["load-1"]
    assert (load["voltage_v"][0], load.units["voltage_v"]) == (24.001, "V")
    assert np.isnan(load["voltage_v"][1])
    assert load["mode"].tolist()[0] == 0
    assert load.time.tolist() == load.t_utc_ns.tolist()
    assert str(load.time[0]) == "2027-01-15T07:00:00.100000000"
    assert (list(run), len(run), len(load)) == (["load-1", "case"], 2, 3)
    assert run.events == []
    same = loadlog.open(tmp_path / "recordings" / "run-soak-0001.sqlite")
    assert same["case"]["current_a"].tolist() == [5.0]
    with pytest.raises(UsageError, match=r"no channel 'volts' \(there are voltage_v"):
        load["volts"]
    with pytest.raises(UsageError, match=r"no device 'load-9' \(there are load-1, case\)"):
        run["load-9"]
    with pytest.raises(UsageError, match=r"no run 'other' \(the latest are soak-0001\)"):
        loadlog.open("other", data=tmp_path)
    with pytest.raises(StoreError, match="cannot be read"):
        loadlog.open("last", data=tmp_path / "none")
