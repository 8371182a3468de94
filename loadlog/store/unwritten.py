"""What is told while the disk refuses what is to be written, and when it is tried again.

One trouble, told once, told again when it is another one, and once more when it is over. At the first "disk full" the reserve is released.
What is then written into its room is no end of the trouble: it ends when there is room for a reserve again, or it would come back with the
last of that room.
"""

from __future__ import annotations

import logging
from collections.abc import Callable

from loadlog.model.clock import Clock
from loadlog.model.errors import StoreError
from loadlog.store.connect import DiskFullError
from loadlog.store.housekeeping import Housekeeping
from loadlog.store.trouble import Trouble

WRITE = "write"  # key of the trouble
RETRY_MIN_S, RETRY_MAX_S = 0.2, 5.0
_log = logging.getLogger(__name__)


class Unwritten:
    """``blocked``: the disk refuses at present; ``retry_in_s``: until the next try."""

    def __init__(self, clock: Clock, housekeeping: Housekeeping, on_trouble: Callable[[Trouble], None]) -> None:
        self._clock, self._housekeeping, self._on_trouble = clock, housekeeping, on_trouble
        self._trouble: Trouble | None = None
        self._refusal = ""
        self._on_reserve = False
        self.blocked = False
        self.retry_in_s = RETRY_MIN_S

    @property
    def text(self) -> str:
        """Why nothing is written, or an empty text."""
        return self._trouble.message if self._trouble is not None and self.blocked else ""

    def go_on(self, message: str, since_utc_ns: int) -> None:
        """It was so when the recorder stopped; the first turn shows whether it still is."""
        self._trouble = Trouble("store_trouble", message, key=WRITE, since_utc_ns=since_utc_ns)

    def refused(self, exc: StoreError) -> None:
        """The disk did not take it."""
        self.blocked = True
        now_ns, meanwhile = self._clock.utc_ns(), "samples wait in memory"
        if isinstance(exc, DiskFullError) and self._housekeeping.release_reserve():
            _log.warning("disk full: the reserve was released")
            self.retry_in_s, self._on_reserve = 0.0, True
            meanwhile = "the reserve was released and is written into"
        else:
            self.retry_in_s = min(RETRY_MAX_S, max(RETRY_MIN_S, self.retry_in_s * 2))
        # told again when it is another trouble, not for another file: each try to begin a recording has a name of its own
        refusal = f"{exc.what}; {meanwhile}"
        if self._trouble is None or self._refusal != refusal:
            since_ns = now_ns if self._trouble is None else self._trouble.since_utc_ns
            self._trouble = Trouble("store_trouble", f"{exc.args[0]}; {meanwhile}", key=WRITE, since_utc_ns=since_ns)
            self._refusal = refusal
            self._on_trouble(self._trouble)

    def over(self) -> None:
        """The disk took everything."""
        self.blocked = False
        if self._trouble is None or (self._on_reserve and not self._housekeeping.hold_reserve()):
            return
        since_ns, self._trouble, self._on_reserve, self.retry_in_s = self._trouble.since_utc_ns, None, False, RETRY_MIN_S
        self._on_trouble(Trouble("store_trouble", "recordings are written again", active=False, key=WRITE, since_utc_ns=since_ns))
