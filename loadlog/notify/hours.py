"""Times of day in a time zone: quiet hours, and when the digest is due. Pure; instants are UTC ns.

A time of day that daylight saving repeats is the first of both; one that it skips is the first instant after the gap. So quiet hours begin
and end once a day, and a digest comes once a day, on every day.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from loadlog.model.clock import NS

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_DAY = dt.timedelta(days=1)


def local(t_utc_ns: int, zone: ZoneInfo) -> dt.datetime:
    """An instant as the clock on the wall shows it."""
    return (_EPOCH + dt.timedelta(microseconds=t_utc_ns // 1000)).astimezone(zone)


def instant(day: dt.date, at: dt.time, zone: ZoneInfo) -> int:
    """The first instant of ``day`` at which the clock on the wall shows ``at`` or later."""
    wall = dt.datetime.combine(day, at)
    first, second = (_utc_s(wall.replace(tzinfo=zone, fold=fold)) for fold in (0, 1))
    if second >= first:
        return first * NS
    # Skipped (PEP 495: the instants of both folds then stand the wrong way round): the gap ends between them.
    low, high = second, first
    while high - low > 1:
        middle = (low + high) // 2
        if local(middle * NS, zone).replace(tzinfo=None) < wall:
            low = middle
        else:
            high = middle
    return high * NS


def _utc_s(moment: dt.datetime) -> int:
    return (moment.astimezone(dt.UTC) - _EPOCH) // dt.timedelta(seconds=1)


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From one time of day to another, over midnight where ``start`` is not before ``end``."""

    start: dt.time
    end: dt.time
    zone: ZoneInfo

    def until(self, t_utc_ns: int) -> int | None:
        """When the quiet hours end that are on, or None."""
        today = local(t_utc_ns, self.zone).date()
        for day in (today - _DAY, today):
            end_day = day if self.start < self.end else day + _DAY
            end = instant(end_day, self.end, self.zone)
            if instant(day, self.start, self.zone) <= t_utc_ns < end:
                return end
        return None


def last_due(at: dt.time, zone: ZoneInfo, t_utc_ns: int) -> int:
    """The newest daily instant that is not after ``t_utc_ns``."""
    today = local(t_utc_ns, zone).date()
    return max(due for day in (today - _DAY, today) if (due := instant(day, at, zone)) <= t_utc_ns)
