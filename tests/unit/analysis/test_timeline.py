"""An honest partial order: events whose onset intervals overlap are not ordered."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from loadlog.analysis import surely_before, timeline
from loadlog.model.event import Event, EventState, Onset, Severity


def event(id_: int, earliest: int, latest: int) -> Event:
    return Event(
        id=id_, seq=id_, kind="limit", key="", device="load-1", group=None, run=None, severity=Severity.ALARM, state=EventState.ACTIVE,
        onset=Onset(earliest, latest), detected_utc_ns=latest, message="",
    )  # fmt: skip


def test_apart_and_overlapping() -> None:
    placed = timeline([event(3, 50, 60), event(1, 0, 10), event(2, 5, 20)])
    assert [(p.event.id, p.step, p.unordered_with, p.may_be_first) for p in placed] == [
        (1, 0, (2,), True),
        (2, 0, (1,), True),
        (3, 1, (), False),
    ]


def test_a_long_interval_overlaps_both_of_an_ordered_pair() -> None:
    placed = {p.event.id: p for p in timeline([event(1, 0, 1), event(2, 2, 3), event(3, 0, 10)])}
    assert placed[3].unordered_with == (1, 2)
    assert surely_before(placed[1].event, placed[2].event)
    assert {p.step for p in placed.values()} == {0}
    assert [p.may_be_first for p in (placed[1], placed[2], placed[3])] == [True, False, True]


@pytest.mark.parametrize(
    ("a", "b", "before"),
    [((0, 5), (5, 9), True), ((0, 5), (5, 5), False), ((5, 5), (5, 9), True), ((5, 5), (5, 5), False), ((4, 4), (5, 5), True)],
)
def test_touching_intervals(a: tuple[int, int], b: tuple[int, int], before: bool) -> None:
    """An onset lies after its earliest and not after its latest instant."""
    assert surely_before(event(1, *a), event(2, *b)) is before
    assert not surely_before(event(2, *b), event(1, *a))


def test_against_every_pair() -> None:
    """Random intervals, many ties: the sweep says what comparing every pair says; steps never order what overlaps."""
    rng = np.random.default_rng(17)
    for _ in range(300):
        n = int(rng.integers(0, 9))
        begins = rng.integers(0, 12, n)
        events = [event(i, int(b), int(b + w)) for i, (b, w) in enumerate(zip(begins, rng.integers(0, 5, n), strict=True))]
        placed = timeline(events)
        assert sorted(p.event.id for p in placed) == list(range(n))
        for p in placed:
            others = [e for e in events if e.id != p.event.id]
            free = {e.id for e in others if not surely_before(e, p.event) and not surely_before(p.event, e)}
            assert set(p.unordered_with) == free
            assert p.may_be_first is not any(surely_before(e, p.event) for e in others)
        for p, q in itertools.combinations(placed, 2):
            assert not surely_before(q.event, p.event)
            if p.step != q.step:
                assert p.step < q.step
                assert surely_before(p.event, q.event)
        for p, q in itertools.pairwise(placed):
            assert q.step - p.step in (0, 1)


def test_nothing() -> None:
    assert timeline([]) == ()
