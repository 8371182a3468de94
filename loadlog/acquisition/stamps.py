"""Source timestamps: midpoint of request and reply, with half the time between them as uncertainty, in UTC.

Invariants, whatever the system clock does
 - The stamps of one device strictly increase, are whole microseconds, and fall into different milliseconds: one series keeps every
   sample in a database that truncates to milliseconds.
 - When the clock steps back, stamps go on at the pace of the monotonic clock, and the lead over the clock is worked off at
   `SLEW_PPM`, the rate at which NTP itself slews (RFC 5905, 500 ppm). So intervals between stamps are right within 0.05 %, and no two
   samples change places. A step forward is followed at once.
A stamp that had to be moved says so: its half-width covers the instant that was measured. Half-width and lateness are whole microseconds
too, the half-width rounded up: finer digits say nothing, and cost a stored sample three bytes.
"""

from __future__ import annotations

from loadlog.model.clock import NS, Anchor
from loadlog.model.sample import Stamp

SLEW_PPM = 500
SPACING_NS = 1_000_000
_ROUND_NS = 1_000


class SteadyUtc:
    """UTC of monotonic instants that never runs backwards; follows ``anchor`` as the module says."""

    def __init__(self, anchor: Anchor) -> None:
        self._anchor = anchor
        self._offset_ns: int | None = None
        self._last_ns = 0

    def to_utc(self, monotonic_ns: int) -> int:
        """UTC nanoseconds of a monotonic instant."""
        offset_ns = self._anchor.to_utc(monotonic_ns) - monotonic_ns
        if self._offset_ns is not None and offset_ns < self._offset_ns:
            slewed_ns = max(0, monotonic_ns - self._last_ns) * SLEW_PPM // 1_000_000
            offset_ns = max(offset_ns, self._offset_ns - slewed_ns)
        self._offset_ns = offset_ns
        self._last_ns = max(self._last_ns, monotonic_ns)
        return monotonic_ns + offset_ns


class Stamper:
    """Stamps of one device."""

    def __init__(self, utc: SteadyUtc) -> None:
        self._utc = utc
        self._last_utc_ns: int | None = None

    def stamp(self, t_first_ns: int, t_last_ns: int, due_ns: int) -> Stamp:
        """For a poll whose first request left at ``t_first_ns`` and whose last reply had come at ``t_last_ns``, due at ``due_ns``."""
        middle_ns = (t_first_ns + t_last_ns) // 2
        half_width_ns = -(-((t_last_ns - t_first_ns + 1) // 2 + _ROUND_NS // 2) // _ROUND_NS) * _ROUND_NS
        t_utc_ns = (self._utc.to_utc(middle_ns) + _ROUND_NS // 2) // _ROUND_NS * _ROUND_NS
        if self._last_utc_ns is not None and t_utc_ns < self._last_utc_ns + SPACING_NS:
            half_width_ns += self._last_utc_ns + SPACING_NS - t_utc_ns
            t_utc_ns = self._last_utc_ns + SPACING_NS
        self._last_utc_ns = t_utc_ns
        late_ns = max(0, t_first_ns - due_ns + _ROUND_NS // 2) // _ROUND_NS * _ROUND_NS
        return Stamp(t_utc_ns, half_width_ns, middle_ns, late_ns / NS)
