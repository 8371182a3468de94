"""Times of day over the changes of daylight saving in Berlin: in 2027 on 28 March and 31 October, at 01:00 UTC (Directive 2000/84/EC)."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from loadlog.model.clock import NS
from loadlog.notify.hours import QuietHours, instant, last_due, local

BERLIN = ZoneInfo("Europe/Berlin")


def utc(text: str) -> int:
    return round(dt.datetime.fromisoformat(text + "+00:00").timestamp()) * NS


def at(text: str) -> dt.time:
    return dt.time.fromisoformat(text)


@pytest.mark.parametrize(
    ("day", "time", "expected"),
    [
        ("2027-01-15", "07:00", "2027-01-15T06:00:00"),
        ("2027-07-15", "07:00", "2027-07-15T05:00:00"),
        ("2027-03-28", "01:59", "2027-03-28T00:59:00"),
        ("2027-03-28", "02:00", "2027-03-28T01:00:00"),  # skipped: the clock goes from 02:00 to 03:00
        ("2027-03-28", "02:30", "2027-03-28T01:00:00"),
        ("2027-03-28", "03:00", "2027-03-28T01:00:00"),
        ("2027-03-28", "03:30", "2027-03-28T01:30:00"),
        ("2027-10-31", "02:30", "2027-10-31T00:30:00"),  # repeated: the first one
        ("2027-10-31", "03:00", "2027-10-31T02:00:00"),
        ("2027-10-31", "00:00", "2027-10-30T22:00:00"),
    ],
)
def test_a_time_of_day_is_the_first_instant_that_shows_it_or_later(day: str, time: str, expected: str) -> None:
    assert instant(dt.date.fromisoformat(day), at(time), BERLIN) == utc(expected)


@pytest.mark.parametrize("time", ["00:00", "02:00", "02:30", "02:59", "03:00", "12:00", "23:59"])
def test_a_digest_comes_once_a_day_on_every_day_of_a_year(time: str) -> None:
    """Minute by minute over both changes, then hour by hour over a year: never twice on a day, never not at all."""
    for first in ("2027-03-26T12:00:00", "2027-10-29T12:00:00"):
        t, end = utc(first), utc(first) + 4 * 86_400 * NS
        last, days = last_due(at(time), BERLIN, t), []
        while (t := t + 60 * NS) < end:
            due = last_due(at(time), BERLIN, t)
            assert due <= t
            if due > last:
                days.append(local(due, BERLIN).date())
                last = due
        assert len(days) == len(set(days)) == 4
    hours = range(utc("2027-01-01T12:00:00"), utc("2028-01-01T12:00:00"), 3600 * NS)
    assert len({last_due(at(time), BERLIN, t) for t in hours}) in (365, 366)


def test_quiet_hours_over_midnight_end_at_the_time_of_day_also_when_the_night_is_an_hour_shorter_or_longer() -> None:
    quiet = QuietHours(at("22:00"), at("07:00"), BERLIN)
    for evening, end in (("2027-01-15T21:00:00", "2027-01-16T06:00:00"), ("2027-03-27T21:00:00", "2027-03-28T05:00:00"),
                         ("2027-10-30T20:00:00", "2027-10-31T06:00:00")):  # fmt: skip
        start_ns, end_ns = utc(evening), utc(end)
        assert quiet.until(start_ns - 1) is None
        assert quiet.until(start_ns) == end_ns
        assert quiet.until(end_ns - 1) == end_ns
        assert quiet.until(end_ns) is None


def test_quiet_hours_that_begin_in_the_repeated_hour_begin_once() -> None:
    """02:30 comes twice on 31 October: quiet from the first on, without a gap when the clock goes back to 02:00."""
    quiet = QuietHours(at("02:30"), at("04:00"), BERLIN)
    start, end = utc("2027-10-31T00:30:00"), utc("2027-10-31T03:00:00")
    assert [quiet.until(t) for t in range(start, end, 600 * NS)] == [end] * 15
    assert quiet.until(start - 1) is None
    assert quiet.until(end) is None


def test_quiet_hours_within_the_skipped_hour_do_not_come() -> None:
    quiet = QuietHours(at("02:10"), at("02:50"), BERLIN)
    day = utc("2027-03-28T00:00:00")
    assert {quiet.until(day + minute * 60 * NS) for minute in range(300)} == {None}


def test_quiet_hours_within_a_day() -> None:
    quiet = QuietHours(at("12:00"), at("13:00"), ZoneInfo("UTC"))
    assert quiet.until(utc("2027-01-01T12:30:00")) == utc("2027-01-01T13:00:00")
    assert quiet.until(utc("2027-01-01T23:30:00")) is None
    assert quiet.until(utc("2027-01-01T11:59:59")) is None
