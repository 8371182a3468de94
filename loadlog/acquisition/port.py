"""Keeping the port of one bus open: opened again by its stable name, soon, and not without pause."""

from __future__ import annotations

import logging

from loadlog.bus import Link
from loadlog.config import BusConfig
from loadlog.model.clock import NS, Clock
from loadlog.model.errors import BusError

REOPEN_FIRST_S, REOPEN_MAX_S = 0.05, 0.5
STABLE_S = 2.0  # a port that goes again sooner than this after it was opened is not tried again at once
_log = logging.getLogger(__name__)


class PortKeeper:
    """Opens ``link`` when it is time to. ``fault`` is one line, empty while the port is open."""

    def __init__(self, bus: BusConfig, link: Link, clock: Clock) -> None:
        self._bus, self._link, self._clock = bus, link, clock
        self._wait_s = REOPEN_FIRST_S
        self._was_open = False
        self._opened_ns = 0
        self.retry_ns = clock.monotonic_ns()
        self.reopened = 0
        self.fault = ""

    def try_open(self, now_ns: int) -> bool:
        """True when it is open now; otherwise the next attempt is worth making at ``retry_ns``. An attempt may take the connection's
        time-out."""
        if now_ns < self.retry_ns:
            return False
        try:
            self._link.open()
        except BusError as exc:
            self._failed(str(exc))
            return False
        self._opened()
        return True

    def lost(self, fault: str) -> None:
        """A transaction found the port gone."""
        self.retry_ns = self._clock.monotonic_ns()
        self.fault = fault
        if self.retry_ns - self._opened_ns < STABLE_S * NS:
            self._wait()
        else:
            self._wait_s = REOPEN_FIRST_S
        _log.warning("bus %s: %s; it is opened again as soon as it is back", self._bus.name, fault)

    def _failed(self, fault: str) -> None:
        if fault != self.fault:
            _log.warning("bus %s: %s; it is tried again", self._bus.name, fault)
        self.fault = fault
        self._wait()

    def _wait(self) -> None:
        self.retry_ns = self._clock.monotonic_ns() + round(self._wait_s * NS)
        self._wait_s = min(2 * self._wait_s, REOPEN_MAX_S)

    def _opened(self) -> None:
        if self._was_open:
            self.reopened += 1
            _log.info("bus %s: %s is open again", self._bus.name, self._bus.address)
        for line in self._link.warnings:
            _log.warning("bus %s: %s", self._bus.name, line)
        self._was_open, self.fault = True, ""
        self._opened_ns = self._clock.monotonic_ns()
