"""The schedule alone, on instants given by hand. The rule it is held to is the one its module states; neighbours of a dead unit keep 95 %
of their polls.
"""

from __future__ import annotations

import itertools
from collections import Counter
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadlog.acquisition.schedule import Schedule, Turn

NS = 1_000_000_000


def serve(schedule: Schedule, start_ns: int, until_ns: int, cost_ns: dict[int, int]) -> list[tuple[int, Turn]]:
    """Take every turn as soon as the bus is free; each costs the bus the device's time."""
    now_ns, turns = start_ns, []
    while now_ns < until_ns:
        turn = schedule.take(now_ns)
        if turn is None:
            now_ns = max(now_ns + 1, schedule.next_ns() or until_ns)
            continue
        turns.append((now_ns, turn))
        now_ns += cost_ns[turn.device]
    return turns


@pytest.mark.parametrize("period_s", [0.005, 1 / 3])
def test_no_drift_over_a_million_polls(period_s: float) -> None:
    schedule = Schedule([period_s], 0)
    exact = Fraction(period_s)
    for _ in range(1_000_000):
        turn = schedule.take(schedule.next_ns())  # type: ignore[arg-type]
        assert turn is not None
        assert turn.missed.count == 0
    assert abs(turn.due_ns - exact * 999_999 * NS) <= 1


def test_a_late_poll_does_not_move_the_deadlines_that_follow() -> None:
    schedule = Schedule([0.1], 0)
    assert schedule.take(0).due_ns == 0  # type: ignore[union-attr]
    assert schedule.take(NS // 10 + 70_000_000).due_ns == NS // 10  # type: ignore[union-attr]
    assert schedule.next_ns() == 2 * NS // 10


@pytest.mark.parametrize("count", [2, 3, 8, 32])
def test_devices_of_one_rate_start_evenly_apart(count: int) -> None:
    schedule = Schedule([0.1] * count, 0)
    dues = []
    for _ in range(count):
        now_ns = schedule.next_ns()
        assert now_ns is not None
        dues.append(schedule.take(now_ns).due_ns)  # type: ignore[union-attr]
    gaps = [b - a for a, b in itertools.pairwise(dues)]
    assert min(gaps) >= 0.1 * NS / count - 1


def test_devices_of_harmonic_rates_never_come_due_together() -> None:
    schedule = Schedule([0.1, 1.0, 0.5], 0)
    dues: list[int] = []
    now_ns = 0
    while now_ns < 10 * NS:
        now_ns = schedule.next_ns() or 0
        dues.append(schedule.take(now_ns).due_ns)  # type: ignore[union-attr]
    assert min(b - a for a, b in itertools.pairwise(dues)) > 30_000_000


def test_missed_deadlines_are_passed_over_and_told() -> None:
    schedule = Schedule([0.1], 0)
    schedule.take(0)
    turn = schedule.take(450_000_000)
    assert turn is not None
    assert turn.due_ns == 400_000_000
    assert (turn.missed.count, turn.missed.first_ns, turn.missed.last_ns) == (3, 100_000_000, 300_000_000)


@given(
    periods=st.lists(st.sampled_from([0.005, 0.02, 0.1, 1 / 3, 1.0]), min_size=1, max_size=6),
    costs=st.lists(st.integers(100_000, 400_000_000), min_size=6, max_size=6),
)
def test_every_deadline_is_polled_or_counted_as_missed(periods: list[float], costs: list[int]) -> None:
    schedule = Schedule(periods, 0)
    seen: dict[int, list[int]] = {}
    for now_ns, turn in serve(schedule, 0, 5 * NS, dict(enumerate(costs))):
        period_ns = round(periods[turn.device] * NS)
        assert 0 <= now_ns - turn.due_ns < period_ns + 1, "a poll stands for the latest deadline"
        dues = seen.setdefault(turn.device, [])
        if turn.missed.count:
            dues += [turn.missed.first_ns] + [-1] * (turn.missed.count - 1)
            assert turn.missed.last_ns < turn.due_ns
        dues.append(turn.due_ns)
    for device, dues in seen.items():
        first = dues[0]
        for index, due in enumerate(dues):
            assert due == -1 or abs(due - first - index * Fraction(periods[device]) * NS) <= 2


def test_an_overloaded_bus_serves_all_in_turn() -> None:
    """Demand is five times what fits: nobody gets nothing, and equal devices get equal shares."""
    periods = [0.01, 0.01, 0.01, 0.1]
    polls = Counter(turn.device for _, turn in serve(Schedule(periods, 0), 0, 60 * NS, dict.fromkeys(range(4), 15_000_000)))
    assert polls[3] > 0.9 * 60 / 0.1 * (1 / 3)
    assert max(polls[i] for i in range(3)) - min(polls[i] for i in range(3)) <= 2


def test_a_bus_with_room_serves_every_deadline() -> None:
    """Load 0.83 with one long transaction: earliest deadline first misses none of them."""
    periods, costs = [0.02, 0.1, 1.0], {0: 10_000_000, 1: 25_000_000, 2: 8_000_000}
    turns = serve(Schedule(periods, 0), 0, 60 * NS, costs)
    assert sum(turn.missed.count for _, turn in turns) == 0


def test_a_device_that_is_backed_off_is_asked_at_its_probes_only() -> None:
    schedule = Schedule([0.1], 0)
    schedule.take(0)
    schedule.back_off(0, 0, 2 * NS)
    assert schedule.take(NS) is None
    turn = schedule.take(schedule.next_ns())  # type: ignore[arg-type]
    assert turn is not None
    assert turn.due_ns == 2 * NS, "on the grid, so that a probe is not late by construction"
    assert turn.missed.count == 19
    schedule.resume(0)
    assert schedule.next_ns() == 2 * NS + NS // 10


def test_an_extra_poll_comes_at_once_and_leaves_the_grid_alone() -> None:
    schedule = Schedule([60.0], 0)
    schedule.take(0)
    schedule.hasten(0, 3 * NS)
    assert schedule.next_ns() == 3 * NS
    turn = schedule.take(3 * NS)
    assert turn is not None
    assert turn.extra
    assert turn.missed.count == 0
    assert schedule.next_ns() == 60 * NS


def test_an_extra_poll_reaches_a_device_that_is_backed_off() -> None:
    schedule = Schedule([0.1], 0)
    schedule.take(0)
    schedule.back_off(0, 0, 100 * NS)
    schedule.hasten(0, NS)
    assert schedule.take(NS).extra  # type: ignore[union-attr]
    assert schedule.next_ns() == 100 * NS


def test_a_bus_without_devices_is_never_due() -> None:
    schedule = Schedule([], 0)
    assert schedule.next_ns() is None
    assert schedule.take(NS) is None
