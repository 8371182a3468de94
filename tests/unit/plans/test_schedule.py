"""When plans start: crontab(5) fields, and wall-clock times that occur twice or never.

Daylight saving in Europe/Berlin from the IANA time zone database: on 2026-03-29 02:00 becomes 03:00, on 2026-10-25 03:00 becomes 02:00
again (directive 2000/84/EC: last Sundays of March and October, 01:00 UTC).
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from loadlog.config import PlanConfig
from loadlog.model.errors import ConfigError
from loadlog.plans.schedule import check_plan, due, next_start
from tests.checklists.traces import load_spec

BERLIN = "Europe/Berlin"
NS = 10**9


def plan(**more: Any) -> PlanConfig:
    return PlanConfig.model_validate({"name": "soak", "devices": ["load-1"], **more})


def utc(text: str) -> int:
    return int(dt.datetime.fromisoformat(text).timestamp()) * NS


def starts(after: str, count: int, **more: Any) -> list[str]:
    out, t = [], utc(after)
    for _ in range(count):
        found = next_start(plan(**more), t)
        if found is None:
            break
        t = found
        out.append(dt.datetime.fromtimestamp(t // NS, dt.UTC).strftime("%Y-%m-%dT%H:%MZ"))
    return out


def test_a_wall_clock_time_that_is_skipped_does_not_come() -> None:
    found = starts("2026-03-28T00:00Z", 3, cron="30 2 * * *", time_zone=BERLIN)
    assert found == ["2026-03-28T01:30Z", "2026-03-30T00:30Z", "2026-03-31T00:30Z"]


def test_a_wall_clock_time_that_comes_twice_starts_once_the_first_time() -> None:
    found = starts("2026-10-24T12:00Z", 2, cron="30 2 * * *", time_zone=BERLIN)
    assert found == ["2026-10-25T00:30Z", "2026-10-26T01:30Z"]


def test_the_wall_clock_hour_stays_the_same_across_the_change() -> None:
    assert starts("2026-03-28T12:00Z", 2, cron="0 22 * * *", time_zone=BERLIN) == ["2026-03-28T21:00Z", "2026-03-29T20:00Z"]


@pytest.mark.parametrize(
    ("weekday", "days"),
    [("1-5", ["02", "03", "04", "05", "06", "09"]), ("0", ["01", "08"]), ("7", ["01", "08"]), ("6,0", ["01", "07"]), ("mon", ["02", "09"])],
)
def test_weekdays_count_from_sunday_as_crontab_does(weekday: str, days: list[str]) -> None:
    """crontab(5): 0 and 7 are Sunday. 2026-02-01 is a Sunday."""
    found = starts("2026-01-31T23:00Z", len(days), cron=f"0 22 * * {weekday}")
    assert found == [f"2026-02-{day}T22:00Z" for day in days]


def test_steps_of_minutes_are_not_taken_for_weekdays() -> None:
    assert starts("2026-02-01T00:00Z", 2, cron="*/5 * * * *") == ["2026-02-01T00:05Z", "2026-02-01T00:10Z"]


def test_one_instant_comes_once() -> None:
    assert starts("2026-02-01T00:00Z", 2, at="2026-02-01T22:00:00+01:00") == ["2026-02-01T21:00Z"]


def test_of_several_missed_starts_the_last_counts() -> None:
    found = due(plan(cron="0 * * * *"), utc("2026-02-01T00:30Z"), utc("2026-02-01T05:10Z"))
    assert found is not None
    assert (found.t_utc_ns, found.late_s) == (utc("2026-02-01T05:00Z"), 600.0)


def test_nothing_is_due_before_its_time() -> None:
    assert due(plan(cron="0 22 * * *"), utc("2026-02-01T00:00Z"), utc("2026-02-01T21:59:59Z")) is None
    assert due(plan(), 0, utc("2026-02-01T21:59:59Z")) is None


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"cron": "0 25 * * *"}, "cron"),
        ({"cron": "0 22 1 * 1"}, "day of month and weekday"),
        ({"cron": "0 22 * * *", "time_zone": "Europe/Nowhere"}, "there is no time zone 'Europe/Nowhere'"),
        ({"cron": "0 22 * * *", "time_zone": "../etc/passwd"}, "there is no time zone"),
        ({"accept": [{"device": "load-1", "channel": "voltag", "statistic": "mean", "low": 1.0}]}, "voltag"),
        ({"accept": [{"device": "load-1", "channel": "voltage_v", "statistic": "men", "low": 1.0}]}, r"men.*mean"),
        ({"accept": [{"device": "load-1", "channel": "voltage_v", "statistic": "charge", "low": 1.0}]}, "charge is of current_a"),
    ],
)
def test_what_means_nothing_is_refused(more: dict[str, Any], says: str) -> None:
    with pytest.raises(ConfigError, match=says) as refused:
        check_plan(plan(**more), {"load-1": load_spec("load-1")}, "bench.toml")
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"cron": "0 22 * *"}, "five fields"),
        ({"at": "2026-02-01T22:00:00"}, "no offset"),
        ({"at": "tomorrow"}, "is no time"),
        ({"at": "2026-02-01T22:00:00Z", "cron": "0 22 * * *"}, "cron or at"),
        ({"duration": "12 moons"}, "is no duration"),
        ({"devices": ["load-1", "load-1"]}, "each once"),
        ({"stop": {}}, "give voltage_below"),
        ({"stop": {"charge_ah": 5.0}}, "stop.device is missing"),
        ({"stop": {"device": "load-2", "charge_ah": 5.0}}, "not 'load-2'"),
        ({"stop": {"events": ["supply_tripp"]}}, "no event kind 'supply_tripp'"),
        ({"accept": [{"device": "load-1", "channel": "voltage_v", "statistic": "mean"}]}, "low, high or both"),
        ({"accept": [{"device": "load-1", "channel": "voltage_v", "statistic": "mean", "low": 2.0, "high": 1.0}]}, "must be below"),
        ({"missed": "later"}, "missed"),
    ],
)
def test_what_contradicts_itself_is_refused(more: dict[str, Any], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        plan(**more)
