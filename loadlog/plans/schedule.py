"""When a plan starts: cron lines in a time zone, or one instant. APScheduler's triggers compute the times.

Cron fields are those of crontab(5): minute hour day month weekday, weekday 0 and 7 are Sunday (APScheduler counts from Monday, so
`CronTrigger.from_crontab` would start a Monday plan on Tuesday; the numbers are turned into names here). Daylight saving, checked in
tests with real zones: a wall-clock time that is skipped does not come on that day; one that is repeated comes once, the first time.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from apscheduler.triggers.cron import CronTrigger

from loadlog.analysis import AcceptanceLimit, check_limit
from loadlog.config import PlanConfig
from loadlog.model.clock import NS
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import ConfigError, UsageError

_DAYS = ("sun", "mon", "tue", "wed", "thu", "fri", "sat", "sun")
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True)
class Start:
    """A start that is due, UTC ns; ``late_s``: how long ago."""

    t_utc_ns: int
    late_s: float


def check_plan(plan: PlanConfig, devices: Mapping[str, DeviceSpec], where: str) -> None:
    """That its times can be computed and its limits judged.

    Raises:
        ConfigError: no such time zone, a cron line that means nothing, a channel or statistic that the device does not have.
    """
    asked: dict[tuple[str, str, str], tuple[float, float]] = {}
    for limit in plan.accept:
        wanted = AcceptanceLimit(limit.device, limit.channel, limit.statistic, limit.low, limit.high)
        try:
            full = check_limit(devices[limit.device], wanted)
        except UsageError as exc:
            raise ConfigError(f"plan[{plan.name}].accept: {exc}", where=where) from exc
        key = (full.device, full.channel, full.statistic)
        low, high = asked.get(key, (-math.inf, math.inf))
        low, high = max(low, -math.inf if full.low is None else full.low), min(high, math.inf if full.high is None else full.high)
        if low >= high:
            text = f"{' '.join(key)}: no value is at least {low:g} and at most {high:g}"
            raise ConfigError(f"plan[{plan.name}].accept: {text}", where=where, hint="these limits contradict each other")
        asked[key] = (low, high)
    try:
        _zone(plan)
    except (ZoneInfoNotFoundError, ValueError, OSError) as exc:
        hint = "an IANA name such as Europe/Berlin, or UTC"
        raise ConfigError(f"plan[{plan.name}].time_zone: there is no time zone {plan.time_zone!r}", where=where, hint=hint) from exc
    if plan.cron:
        try:
            _trigger(plan)
        except ValueError as exc:
            raise ConfigError(f"plan[{plan.name}].cron: {plan.cron!r}: {exc}", where=where, hint="minute hour day month weekday") from exc


def next_start(plan: PlanConfig, after_utc_ns: int) -> int | None:
    """The first start after an instant, UTC ns; None when there is none."""
    if plan.at:
        at_ns = _ns(dt.datetime.fromisoformat(plan.at))
        return at_ns if at_ns > after_utc_ns else None
    if not plan.cron:
        return None
    trigger, zone = _trigger(plan), _zone(plan)
    moment = (_EPOCH + dt.timedelta(microseconds=after_utc_ns // 1000 + 1)).astimezone(zone)
    while True:
        found = trigger.get_next_fire_time(None, moment)
        if found is None:
            return None
        if found.fold == 0 and _exists(found) and _ns(found) > after_utc_ns:
            return _ns(found)
        moment = (found.astimezone(dt.UTC) + dt.timedelta(minutes=1)).astimezone(zone)


def due(plan: PlanConfig, seen_utc_ns: int, now_utc_ns: int) -> Start | None:
    """The last start in (seen, now], when it may still be made: of several that were missed only the last one counts."""
    last, t = None, next_start(plan, seen_utc_ns)
    while t is not None and t <= now_utc_ns:
        last, t = t, next_start(plan, t)
    if last is None:
        return None
    late_s = (now_utc_ns - last) / NS
    return Start(last, late_s)


def _exists(moment: dt.datetime) -> bool:
    """False for a wall-clock time that daylight saving skips: going through UTC changes it."""
    back = moment.astimezone(dt.UTC).astimezone(moment.tzinfo)
    return back.replace(tzinfo=None) == moment.replace(tzinfo=None)


def _zone(plan: PlanConfig) -> ZoneInfo:
    return ZoneInfo(plan.time_zone)


def _trigger(plan: PlanConfig) -> CronTrigger:
    minute, hour, day, month, weekday = plan.cron.split()
    named = re.sub(r"(?<![/\d])[0-7](?!\d)", lambda m: _DAYS[int(m.group())], weekday)
    if day != "*" and weekday != "*":
        raise ValueError("day of month and weekday together mean different things to different programs: give one of them")
    return CronTrigger(minute=minute, hour=hour, day=day, month=month, day_of_week=named, timezone=_zone(plan))


def _ns(moment: dt.datetime) -> int:
    return (moment.astimezone(dt.UTC) - _EPOCH) // dt.timedelta(microseconds=1) * 1000
