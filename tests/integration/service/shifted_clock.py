"""A recorder as its own process whose system clock is set by a file: `python -m tests.integration.service.shifted_clock CONFIG FILE`.

The file holds by how many nanoseconds the clock was set; the monotonic clock goes on, as when somebody sets a machine's clock.
"""

from __future__ import annotations

import sys
from pathlib import Path

from loadlog.bus import SystemClock
from loadlog.loading import load_bench
from loadlog.process.systemd import Notifier
from loadlog.recorder.process import Recorder


class ShiftedClock(SystemClock):
    """See the module."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path = path

    def utc_ns(self) -> int:
        """As somebody set it."""
        return super().utc_ns() + int(self._path.read_text() or 0)


if __name__ == "__main__":
    sys.exit(Recorder(load_bench(Path(sys.argv[1])), ShiftedClock(Path(sys.argv[2])), Notifier({})).run())
