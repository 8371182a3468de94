"""Time as an argument: the clock that acquisition stamps with, and its text form.

Source timestamps come from the monotonic clock and are anchored once to UTC, so a step of the system clock never reorders samples; a step
is noticed by comparing both clocks and moves the anchor (an event records it). All instants are integer nanoseconds; UTC is counted from
1970-01-01T00:00:00Z without leap seconds (POSIX). Text form: RFC 3339, nanoseconds, Z.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Protocol

NS = 1_000_000_000
_RFC3339 = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d{1,9})\d*)?([Zz]|[+-]\d\d:\d\d)")


class Clock(Protocol):
    """What the runners need of time; tests give a clock that they turn by hand."""

    def monotonic_ns(self) -> int:
        """Nanoseconds that never step and never go back; the origin has no meaning."""
        ...

    def utc_ns(self) -> int:
        """Nanoseconds since the epoch by the system's clock; may step."""
        ...

    def sleep_until(self, monotonic_ns: int) -> None:
        """Return at or after that instant of `monotonic_ns`."""
        ...


@dataclass(frozen=True, slots=True)
class ClockStep:
    """The system clock stepped by ``step_ns`` (positive: forward), noticed at ``t_utc_ns`` of the new time."""

    t_utc_ns: int
    step_ns: int


class Anchor:
    """Maps monotonic instants to UTC and notices steps of the system clock.

    ``tolerance_ns``: smaller differences are slewing (NTP, at most 500 ppm) and are followed silently at each check, in moves so small
    that stamps of successive polls keep their order.
    """

    def __init__(self, clock: Clock, tolerance_ns: int = 50_000_000) -> None:
        self._clock = clock
        self._tolerance_ns = tolerance_ns
        self._offset_ns = self._measure()

    def _measure(self) -> int:
        before = self._clock.monotonic_ns()
        utc = self._clock.utc_ns()
        after = self._clock.monotonic_ns()
        return utc - (before + after) // 2

    def to_utc(self, monotonic_ns: int) -> int:
        """UTC nanoseconds of a monotonic instant under the anchor in force."""
        return monotonic_ns + self._offset_ns

    def check(self) -> ClockStep | None:
        """Compare both clocks; re-anchor. Returns the step, or None when the clocks agree within the tolerance."""
        offset_ns = self._measure()
        step_ns = offset_ns - self._offset_ns
        self._offset_ns = offset_ns
        if abs(step_ns) <= self._tolerance_ns:
            return None
        return ClockStep(t_utc_ns=self._clock.monotonic_ns() + offset_ns, step_ns=step_ns)


def format_utc(t_utc_ns: int) -> str:
    """RFC 3339 text with nine decimals, e.g. ``2026-01-31T02:12:07.412345678Z``."""
    seconds, ns = divmod(t_utc_ns, NS)
    stamp = dt.datetime(1970, 1, 1) + dt.timedelta(seconds=seconds)  # noqa: DTZ001 - the text carries the zone
    return f"{stamp.isoformat(timespec='seconds')}.{ns:09d}Z"


def utc_words(t_utc_ns: int, decimals: int = 3) -> str:
    """For people: ``2026-01-31 02:12:07.412 UTC``. The page knows the form and shows it in its reader's zone."""
    text = format_utc(t_utc_ns)[: 20 + decimals if decimals else 19]
    return f"{text.replace('T', ' ')} UTC"


def parse_utc(text: str) -> int:
    """UTC nanoseconds of an RFC 3339 instant; a zone is required. Second 60 is read as the second after 59 (RFC 3339, 5.7).

    Raises:
        ValueError: not an RFC 3339 instant.
    """
    match = _RFC3339.fullmatch(text.strip())
    if not match:
        raise ValueError(f"{text!r} is no RFC 3339 instant such as 2026-01-31T22:00:00Z")
    day, hour, minute, second, fraction, zone = match.groups()
    if int(second) > 60:
        raise ValueError(f"{text!r}: there is no second {second}")
    leap = int(second) == 60
    moment = dt.datetime.fromisoformat(f"{day}T{hour}:{minute}:{'59' if leap else second}+00:00")
    if zone not in "Zz":
        ahead = dt.timedelta(hours=int(zone[1:3]), minutes=int(zone[4:6]))
        if int(zone[1:3]) > 23 or int(zone[4:6]) > 59:
            raise ValueError(f"{text!r}: there is no zone {zone}")
        try:
            moment += ahead if zone[0] == "-" else -ahead
        except OverflowError as exc:
            raise ValueError(f"{text!r} lies outside of the years 1 to 9999") from exc
    delta = moment - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    return (delta.days * 86_400 + delta.seconds + leap) * NS + int((fraction or "0").ljust(9, "0"))
