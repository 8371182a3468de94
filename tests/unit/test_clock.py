"""Instants and their text form; steps of the system clock.

RFC 3339 values: section 5.8 of the RFC.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from loadlog.model.clock import NS, Anchor, format_utc, parse_utc


class HandClock:
    """Both clocks, turned by hand; ns."""

    def __init__(self) -> None:
        self.mono, self.utc = 5 * NS, 1_900_000_000 * NS

    def monotonic_ns(self) -> int:
        return self.mono

    def utc_ns(self) -> int:
        return self.utc

    def sleep_until(self, monotonic_ns: int) -> None:
        self.pass_ns(max(0, monotonic_ns - self.mono))

    def pass_ns(self, ns: int) -> None:
        self.mono += ns
        self.utc += ns


def test_examples_of_rfc_3339() -> None:
    assert parse_utc("1996-12-19T16:39:57-08:00") == 851_042_397 * NS
    assert parse_utc("1985-04-12T23:20:50.52Z") == 482_196_050 * NS + 520_000_000
    # The leap second of 1990: POSIX time has no name for it; it is read as the second that follows.
    assert parse_utc("1990-12-31T23:59:60Z") == parse_utc("1991-01-01T00:00:00Z")
    assert parse_utc("1937-01-01T12:00:27.87+00:20") < 0


@given(st.integers(min_value=-(2**62), max_value=2**62))
def test_text_and_back_is_exact_to_the_nanosecond(t_ns: int) -> None:
    assert parse_utc(format_utc(t_ns)) == t_ns


@pytest.mark.parametrize(
    "text",
    [
        "", "2026-01-31", "2026-01-31T10:00:00", "2026-13-01T00:00:00Z", "2026-01-31T10:00:61Z", "now", "2026-01-31T10:00:00+24:00",
        "2026-01-31T10:00:00+01:60", "0001-01-01T00:00:00+01:00", "9999-12-31T23:00:00-01:00",
    ],
)  # fmt: skip
def test_what_is_no_instant_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        parse_utc(text)


def test_a_step_of_the_system_clock_is_noticed_and_slewing_is_followed() -> None:
    clock = HandClock()
    anchor = Anchor(clock)
    before = anchor.to_utc(clock.mono)
    clock.pass_ns(NS)
    assert anchor.check() is None
    clock.utc += 400_000  # slewed by 400 ppm over a second
    assert anchor.check() is None
    assert anchor.to_utc(clock.mono) == before + NS + 400_000
    clock.utc -= 3600 * NS  # an administrator sets it back by an hour
    step = anchor.check()
    assert step is not None
    assert step.step_ns == -3600 * NS
    assert step.t_utc_ns == clock.utc
    assert anchor.check() is None
