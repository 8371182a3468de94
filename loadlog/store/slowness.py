"""Whether the disk answers. A write that hangs (a stick that fails, a network that is gone, another program's flood) raises no error: its
writer waits and cannot tell, so somebody else looks, and says it while it lasts."""

from __future__ import annotations

from collections.abc import Callable

from loadlog.model.clock import NS, Clock
from loadlog.store.trouble import Trouble

SLOW = "slow"  # key of the trouble
SLOW_S = 10.0  # one turn of writing; usual are some milliseconds


class Slowness:
    """`begin` and `end` for the writing thread, around each turn; `look` for another one. ``text``: what is wrong, or empty; at first what
    was when the recorder stopped."""

    def __init__(self, where: str, clock: Clock, on_trouble: Callable[[Trouble], None], text: str = "") -> None:
        self._where, self._clock, self._on_trouble = where, clock, on_trouble
        self._begun_ns: int | None = None
        self._is_over = False
        self._since_utc_ns = 0
        self.text = text

    def begin(self) -> None:
        """The writing thread turns to the disk."""
        self._begun_ns = self._clock.monotonic_ns()

    def end(self) -> None:
        """It is back. Where it took nearly too long, the next turn shows whether the disk is well."""
        begun_ns, self._begun_ns = self._begun_ns, None
        if begun_ns is not None and self._clock.monotonic_ns() - begun_ns < SLOW_S / 2 * NS:
            self._is_over = True

    def look(self) -> None:
        """Tell what has changed."""
        begun_ns = self._begun_ns
        lasts_ns = 0 if begun_ns is None else self._clock.monotonic_ns() - begun_ns
        if lasts_ns > SLOW_S * NS and not self.text:
            self._is_over, self._since_utc_ns = False, self._clock.utc_ns() - lasts_ns
            what = f"the disk has not answered for {SLOW_S:.0f} s (check it, its cable, and what else writes to it)"
            self.text = f"{self._where}: {what}; samples wait in memory"
            self._on_trouble(Trouble("store_trouble", self.text, key=SLOW, since_utc_ns=self._since_utc_ns))
        elif self.text and self._is_over:
            self.text = ""
            message = "the disk answers again"
            self._on_trouble(Trouble("store_trouble", message, active=False, key=SLOW, since_utc_ns=self._since_utc_ns))
