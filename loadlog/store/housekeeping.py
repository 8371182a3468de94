"""Room on the disk, every ten seconds: told when it gets low, the reserve held, recordings removed as `retention` allows.

It looks whether or not recordings can be written at the moment, since removing what is outdated may be what makes room.
"""

from __future__ import annotations

import contextlib
import dataclasses
import logging
from collections.abc import Callable, Collection
from pathlib import Path
from typing import TYPE_CHECKING

from loadlog.model.clock import NS, Clock
from loadlog.model.errors import StoreError
from loadlog.store.connect import WAL_SUFFIX, open_for_writing, translated
from loadlog.store.disk import MIB, Reserve, free_bytes
from loadlog.store.info import Listing, RecordingInfo, file_size
from loadlog.store.retention import ForwardedUpTo, Rules, plan, remove
from loadlog.store.trouble import Trouble

if TYPE_CHECKING:
    from loadlog.config import StoreConfig

LOOK_EVERY_NS = 10 * NS
GIB = 1 << 30
_log = logging.getLogger(__name__)


def rules_of(settings: StoreConfig, forwarded_up_to: ForwardedUpTo | None) -> Rules:
    """What the configuration says about keeping; ``forwarded_up_to`` None: nothing is forwarded."""
    return Rules(
        rolling_days=settings.rolling_keep_days,
        run_days=settings.run_keep_days,
        max_bytes=None if settings.max_gib is None else round(settings.max_gib * GIB),
        forwarded_up_to=forwarded_up_to if settings.keep_unforwarded else None,
    )


class Housekeeping:
    """``free``: bytes at the last look."""

    def __init__(
        self, folder: Path, clock: Clock, settings: StoreConfig, reserve: Reserve, on_trouble: Callable[[Trouble], None],
        forwarded_up_to: ForwardedUpTo | None = None,
    ) -> None:  # fmt: skip
        self._folder, self._clock, self._settings, self._reserve, self._on_trouble = folder, clock, settings, reserve, on_trouble
        self._rules = rules_of(settings, forwarded_up_to)
        self._listing = Listing()
        self.free = 0
        self._is_low = False
        self._refused: set[str] = set()
        self._next_look_ns = 0

    def look_when_due(self, being_written: Collection[Path]) -> None:
        """Never raises. What this process writes is not opened a second time: closing it would drop the locks of the writing connection
        (fcntl(2); https://www.sqlite.org/howtocorrupt.html, 2.2)."""
        if self._clock.monotonic_ns() < self._next_look_ns:
            return
        self._next_look_ns = self._clock.monotonic_ns() + LOOK_EVERY_NS
        with contextlib.suppress(StoreError):  # the folder is gone: the commits tell
            found = self._listing.recordings(self._folder, leave_out=being_written)
            self._remove_outdated(found, sum(map(file_size, being_written)))
            self._tidy(found)
        self._reserve.hold()
        self.free = free_bytes(self._folder)
        low = self.free < self._settings.low_mib * MIB
        if low != self._is_low:
            self._is_low = low
            room = f"{self.free // MIB} MiB left, {self._settings.low_mib} MiB are wanted"
            message = f"{self._folder}: {room} (make room: loadlog store prune --dry-run says what may go)"
            self._on_trouble(Trouble("disk_low", message, active=low, key="free"))

    def _tidy(self, recordings: list[RecordingInfo]) -> None:
        """A recording that was closed while somebody read it keeps its WAL, and a plain copy of the file would lack what is in there: the
        next one who closes it alone empties and removes it."""
        left = {path.name for path in self._folder.glob(f"*{WAL_SUFFIX}")}
        for recording in recordings:
            if recording.closed_utc_ns is not None and recording.name + WAL_SUFFIX in left and recording.path.exists():
                connection = open_for_writing(recording.path, create=False)
                with translated(recording.path), contextlib.closing(connection):
                    connection.execute("SELECT count(*) FROM meta").fetchone()

    def _remove_outdated(self, recordings: list[RecordingInfo], written_bytes: int) -> None:
        rules = self._rules
        if rules.max_bytes is not None:
            rules = dataclasses.replace(rules, max_bytes=max(0, rules.max_bytes - written_bytes))
        for removal in plan(recordings, self._clock.utc_ns(), rules).removals:
            names = [r.name for r in removal.recordings]
            try:
                remove(removal)
            except StoreError as exc:
                if names[0] not in self._refused:  # once, not every ten seconds; what can go goes
                    self._refused.add(names[0])
                    _log.warning("not removed", extra={"fields": {"files": names, "why": str(exc)}})
                continue
            why = "; ".join(filter(None, (removal.why, removal.written)))
            _log.info("recordings removed", extra={"fields": {"files": names, "why": why}})

    def was_low(self) -> None:
        """When the recorder stopped; the first look shows whether it still is."""
        self._is_low = True

    def hold_reserve(self) -> bool:
        """Take room for it again. Returns True when it is there, or none is wanted."""
        return not self._settings.reserve_mib or self._reserve.hold()

    def release_reserve(self) -> bool:
        """Give its room up. Returns True when there was any to give."""
        return self._reserve.release()
