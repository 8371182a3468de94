"""Source timestamps: order, spacing and honesty over every kind of clock. Interval rule: NTP slews at 500 ppm (RFC 5905, from memory)."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from loadlog.acquisition.stamps import SPACING_NS, Stamper, SteadyUtc
from loadlog.model.clock import Anchor

NS = 1_000_000_000


class HandClock:
    """Both clocks set by the test."""

    def __init__(self) -> None:
        self.mono_ns = 5 * NS
        self.offset_ns = 1_700_000_000 * NS

    def monotonic_ns(self) -> int:
        return self.mono_ns

    def utc_ns(self) -> int:
        return self.mono_ns + self.offset_ns

    def sleep_until(self, monotonic_ns: int) -> None:
        self.mono_ns = max(self.mono_ns, monotonic_ns)


def test_midpoint_and_half_width() -> None:
    clock = HandClock()
    stamp = Stamper(SteadyUtc(Anchor(clock))).stamp(10_000_000, 34_000_000, due_ns=9_000_000)
    assert stamp.t_utc_ns == clock.offset_ns + 22_000_000
    assert abs(stamp.half_width_ns - 12_000_000) <= 1_000
    assert stamp.t_mono_ns == 22_000_000
    assert stamp.lateness_s == 0.001


@given(st.integers(0, 10**12), st.integers(0, 10**9), st.integers(0, 10**9))
def test_everything_is_in_whole_microseconds_and_the_half_width_covers_both_ends(first_ns: int, long_ns: int, late_ns: int) -> None:
    clock = HandClock()
    stamp = Stamper(SteadyUtc(Anchor(clock))).stamp(first_ns, first_ns + long_ns, due_ns=first_ns - late_ns)
    lateness_ns = round(stamp.lateness_s * NS)
    assert (stamp.t_utc_ns % 1000, stamp.half_width_ns % 1000, lateness_ns % 1000) == (0, 0, 0)
    assert abs(lateness_ns - late_ns) <= 500
    assert stamp.t_utc_ns - stamp.half_width_ns <= clock.offset_ns + first_ns
    assert clock.offset_ns + first_ns + long_ns <= stamp.t_utc_ns + stamp.half_width_ns <= clock.offset_ns + first_ns + long_ns + 3_000


@given(
    steps=st.lists(
        st.tuples(
            st.integers(0, 40_000_000),  # to the next poll
            st.integers(0, 300_000_000),  # how long the poll takes
            st.sampled_from([0, 0, 0, 30_000_000, -30_000_000, NS, -NS, 3600 * NS, -3600 * NS]),
        ),
        max_size=60,
    )
)
def test_stamps_of_a_device_increase_in_whole_microseconds_and_distinct_milliseconds(steps: list[tuple[int, int, int]]) -> None:
    clock = HandClock()
    anchor = Anchor(clock)
    stamper = Stamper(SteadyUtc(anchor))
    stamps = []
    for pause_ns, took_ns, step_ns in steps:
        clock.mono_ns += pause_ns
        clock.offset_ns += step_ns
        anchor.check()
        begun_ns = clock.mono_ns
        clock.mono_ns += took_ns
        stamps.append(stamper.stamp(begun_ns, clock.mono_ns, begun_ns).t_utc_ns)
    assert all(t % 1000 == 0 for t in stamps)
    assert all(b - a >= SPACING_NS for a, b in itertools.pairwise(stamps))
    assert len({t // 1_000_000 for t in stamps}) == len(stamps)


def test_after_a_step_back_intervals_stay_true_and_the_lead_shrinks() -> None:
    clock = HandClock()
    anchor = Anchor(clock)
    utc = SteadyUtc(anchor)
    stamper = Stamper(utc)
    before = stamper.stamp(clock.mono_ns, clock.mono_ns, clock.mono_ns)
    clock.offset_ns -= 10 * NS
    step = anchor.check()
    assert step is not None
    assert step.step_ns == -10 * NS
    clock.mono_ns += NS
    after = stamper.stamp(clock.mono_ns, clock.mono_ns, clock.mono_ns)
    assert abs(after.t_utc_ns - before.t_utc_ns - NS) <= NS // 1000
    clock.mono_ns += 25_000 * NS  # 10 s of lead at 500 ppm take 20,000 s
    assert utc.to_utc(clock.mono_ns) == clock.utc_ns()


def test_a_step_forward_is_followed_at_once() -> None:
    clock = HandClock()
    anchor = Anchor(clock)
    stamper = Stamper(SteadyUtc(anchor))
    stamper.stamp(clock.mono_ns, clock.mono_ns, clock.mono_ns)
    clock.offset_ns += 3600 * NS
    clock.mono_ns += NS
    anchor.check()
    assert stamper.stamp(clock.mono_ns, clock.mono_ns, clock.mono_ns).t_utc_ns == clock.utc_ns()


def test_a_moved_stamp_covers_the_instant_that_was_measured() -> None:
    clock = HandClock()
    stamper = Stamper(SteadyUtc(Anchor(clock)))
    stamper.stamp(clock.mono_ns, clock.mono_ns, clock.mono_ns)
    moved = stamper.stamp(clock.mono_ns + 200_000, clock.mono_ns + 200_000, clock.mono_ns)
    assert moved.t_utc_ns - moved.half_width_ns <= clock.utc_ns() + 200_000 <= moved.t_utc_ns + moved.half_width_ns
