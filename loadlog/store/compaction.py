"""Once a turn of the writing thread: hand one due group to the helper, or put in what it made.

Nothing here raises, nothing waits for the helper, and nothing is lost when it does not work: it is tried again later, and the minutes,
which overviews live on, are then made without it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence

from loadlog.model.clock import NS, Clock
from loadlog.model.errors import StoreError
from loadlog.store.sealing import GROUP_ROWS, RETRY_S, Sealed, Sealer
from loadlog.store.stream import Stream

UNROLLED_ROWS = 3 * GROUP_ROWS  # rows of one recording outside the minutes, at most, while no helper works
_log = logging.getLogger(__name__)


class Compaction:
    """``tell``: of a trouble, once."""

    def __init__(self, clock: Clock, tell: Callable[[str, str, str], None]) -> None:
        self._clock, self._tell = clock, tell
        self._sealer = Sealer()
        self._not_before_ns = 0
        self.groups = 0

    def turn(self, streams: Sequence[Stream]) -> None:
        """See the module."""
        try:
            if self._sealer.busy:
                done = self._sealer.take()
                if done is not None:
                    self._put_in(done, streams)
                elif self._sealer.trouble and not self._sealer.busy:
                    self._put_off(f"older rows are not compressed for now: {self._sealer.trouble}")
            elif self._clock.monotonic_ns() >= self._not_before_ns:
                self._begin(streams)
            else:
                self._roll_up(streams)
        except StoreError as exc:  # the disk may be full: the commits tell
            self._put_off(f"older rows are not compressed for now: {exc.args[0]}")

    def _begin(self, streams: Sequence[Stream]) -> None:
        for stream in streams:
            group = stream.recording.due() if stream.recording is not None else None
            if group is not None:
                self._sealer.offer(group)
                return

    def _put_in(self, done: Sealed, streams: Sequence[Stream]) -> None:
        for stream in streams:
            if stream.recording is not None and stream.recording.path == done.group.path:
                if not stream.recording.seal(done):
                    self._put_off("rows that were to be sealed are not as they were read")
                self.groups += 1

    def _roll_up(self, streams: Sequence[Stream]) -> None:
        for stream in streams:
            if stream.recording is not None and stream.recording.unrolled_rows > UNROLLED_ROWS:
                stream.recording.roll_up()

    def _put_off(self, why: str) -> None:
        _log.warning(why)
        self._tell("store_trouble", "sealing", why)
        self._not_before_ns = self._clock.monotonic_ns() + round(RETRY_S * NS)

    def close(self) -> None:
        """What is under way is done another time."""
        self._sealer.close()
