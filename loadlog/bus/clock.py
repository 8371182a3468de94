"""The system's clocks behind `model.clock.Clock`, and timers fine enough for a serial line.

Linux lets an ordinary thread sleep up to 50 µs longer than asked, to group wake-ups (timer slack, prctl(2)). At 115200 baud that is half
a character at every wait, so threads that drive a bus ask for the smallest slack; it is a setting of one thread, inherited by threads
that it starts.
"""

from __future__ import annotations

import ctypes
import time

_PR_SET_TIMERSLACK = 29  # linux/prctl.h
_LEAST_SLACK_NS = 1


class SystemClock:
    """CLOCK_MONOTONIC and CLOCK_REALTIME in nanoseconds."""

    monotonic_ns = staticmethod(time.monotonic_ns)
    utc_ns = staticmethod(time.time_ns)

    def sleep_until(self, monotonic_ns: int) -> None:
        """Return at or after that instant of `monotonic_ns`."""
        while (left_ns := monotonic_ns - time.monotonic_ns()) > 0:
            time.sleep(left_ns * 1e-9)


def ask_for_fine_timers() -> bool:
    """Set the least timer slack for the calling thread; False where the system has none (it then sleeps a little longer)."""
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        return bool(libc.prctl(_PR_SET_TIMERSLACK, _LEAST_SLACK_NS, 0, 0, 0) == 0)
    except (OSError, AttributeError):
        return False
