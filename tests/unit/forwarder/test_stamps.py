"""No two points of a series share a stamp, whatever clock and server do."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loadlog.forwarder.stamps import Stamps

T = 1_800_000_000_000_000_000
KEPT_NS = {"ns": 1, "ms": 1_000_000}
MOVED_NS = {"ns": 500, "ms": 1_000_000}


@pytest.mark.parametrize("mode", ["ns", "ms"])
def test_ordinary_polls_keep_their_instants(mode: str) -> None:
    stamps = Stamps(mode)
    for i in range(1000):
        t = T + i * 12_345_678
        assert abs(stamps.unique("a", t) - t) <= MOVED_NS[mode]


@settings(deadline=None)
@given(st.sampled_from(["ns", "ms"]), st.lists(st.integers(0, 3_000), min_size=2, max_size=300))
def test_stamps_of_close_samples_differ(mode: str, gaps_us: list[int]) -> None:
    """In order, at any distance, down to none."""
    stamps, t, seen = Stamps(mode), T, set()
    for gap_us in gaps_us:
        t += gap_us * 1000
        seen.add(stamps.unique("a", t) // KEPT_NS[mode])
    assert len(seen) == len(gaps_us)


@pytest.mark.parametrize("mode", ["ns", "ms"])
@pytest.mark.parametrize("back_s", [0.02, 1, 3600])
def test_an_hour_that_is_recorded_twice_loses_no_point(mode: str, back_s: float) -> None:
    """200 Hz, then the clock is set back and the same instants come again, to the nanosecond."""
    stamps = Stamps(mode)
    times = [T + i * 5_000_000 for i in range(2000)]
    first = [stamps.unique("a", t) for t in times]
    again = [stamps.unique("a", t - round(back_s * 1e9)) for t in times]
    assert len({t // KEPT_NS[mode] for t in first + again}) == 4000


def test_repeating_from_a_stored_state_gives_the_same_stamps() -> None:
    times = [T + i * 700_000 - (i > 50) * 20_000_000 for i in range(100)]
    whole = Stamps("ms")
    expected = [whole.unique("a", t) for t in times]
    first = Stamps("ms")
    for t in times[:60]:
        first.unique("a", t)
    second = Stamps("ms", json.loads(json.dumps(first.state)))
    assert [second.unique("a", t) for t in times[60:]] == expected[60:]


def test_series_do_not_disturb_each_other_and_old_ones_are_forgotten() -> None:
    stamps = Stamps("ns")
    assert stamps.unique("a", T) == stamps.unique("b", T) == T
    for i in range(2000):
        stamps.unique(f"run-{i}", T)
    assert len(stamps.state) <= 256
