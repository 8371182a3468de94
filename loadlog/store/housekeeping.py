"""Room on the disk, every ten seconds: told when it gets low, the reserve held, outdated rolling recordings removed, runs never.

It looks whether or not recordings can be written at the moment, since removing what is outdated may be what makes room.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from loadlog.model.clock import NS, Clock
from loadlog.store.connect import SHM_SUFFIX, WAL_SUFFIX
from loadlog.store.disk import MIB, Reserve, free_bytes
from loadlog.store.trouble import Trouble

if TYPE_CHECKING:
    from loadlog.config import StoreConfig

LOOK_EVERY_NS = 10 * NS
DAY_NS = 86_400 * NS


class Housekeeping:
    """``closed_rolling``: rolling recording -> instant at which it was closed. ``free``: bytes at the last look."""

    def __init__(
        self, folder: Path, clock: Clock, settings: StoreConfig, reserve: Reserve, on_trouble: Callable[[Trouble], None]
    ) -> None:  # fmt: skip
        self._folder, self._clock, self._settings, self._reserve, self._on_trouble = folder, clock, settings, reserve, on_trouble
        self.closed_rolling: dict[Path, int] = {}
        self.free = 0
        self._is_low = False
        self._next_look_ns = 0

    def look_when_due(self) -> None:
        """Never raises."""
        if self._clock.monotonic_ns() < self._next_look_ns:
            return
        self._next_look_ns = self._clock.monotonic_ns() + LOOK_EVERY_NS
        for path in self._outdated():
            _remove(path)
            del self.closed_rolling[path]
        self._reserve.hold()
        self.free = free_bytes(self._folder)
        low = self.free < self._settings.low_mib * MIB
        if low != self._is_low:
            self._is_low = low
            message = f"{self._folder}: {self.free // MIB} MiB left, {self._settings.low_mib} MiB are wanted"
            self._on_trouble(Trouble("disk_low", message, active=low, key="free"))

    def _outdated(self) -> list[Path]:
        oldest_utc_ns = self._clock.utc_ns() - round(self._settings.rolling_keep_days * DAY_NS)
        return [path for path, closed_utc_ns in self.closed_rolling.items() if closed_utc_ns < oldest_utc_ns]

    def release_reserve(self) -> bool:
        """Give its room up. Returns True when there was any to give."""
        return self._reserve.release()


def _remove(path: Path) -> None:
    """The WAL goes last: a file without its WAL would be incomplete, a WAL without its file is nothing."""
    with contextlib.suppress(OSError):
        path.unlink(missing_ok=True)
        for suffix in (WAL_SUFFIX, SHM_SUFFIX):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
