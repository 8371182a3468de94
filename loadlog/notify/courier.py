"""One address: brings its notices to the server, oldest first, with back-off. `step` does one attempt and says when it wants to be called
again; it waits for the server, and for nothing else.

A notice that nobody accepts within `GIVE_UP_NS` and `GIVE_UP_ATTEMPTS` is old news: it is dropped, counted and logged. Meanwhile no further
notice of events is made for the address: what happens is told in one when the server is back.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace

from loadlog.model.clock import NS
from loadlog.model.errors import StoreError
from loadlog.notify.facts import AddressFacts, State
from loadlog.notify.sender import Address
from loadlog.store.notify_state import Notice, NotifyState

RETRY_MIN_S, RETRY_MAX_S = 5.0, 600.0
IDLE_S = 60.0  # it is woken when there is something
STORE_S = 10.0
GIVE_UP_NS, GIVE_UP_ATTEMPTS = 24 * 3600 * NS, 20  # the clock of a board without a battery may leap by months once the network is there
REPEAT = "(You may have had this before: the last attempt ended without a clear answer.)\n\n"
_log = logging.getLogger(__name__)


class Courier:
    """Not thread-safe, except `facts`."""

    def __init__(
        self, address: Address, state: NotifyState, severity: str, monotonic_s: Callable[[], float], utc_ns: Callable[[], int]
    ) -> None:
        self.address, self._kept, self._monotonic_s, self._utc_ns = address, state, monotonic_s, utc_ns
        self._retry_s = RETRY_MIN_S
        self._next_try_s = monotonic_s()
        self._failing_since_s: float | None = None
        self._facts = AddressFacts(address.name, address.service, severity)

    @property
    def facts(self) -> AddressFacts:
        """As of now."""
        now_s = self._monotonic_s()
        since_s = self._failing_since_s
        return replace(
            self._facts,
            failing_s=0.0 if since_s is None else now_s - since_s,
            retry_in_s=0.0 if since_s is None else max(0.0, self._next_try_s - now_s),
        )

    def step(self) -> float:
        """One attempt when there is something and its time has come; returns how long to wait before the next call, s."""
        wait_s = self._next_try_s - self._monotonic_s()
        if wait_s > 0:
            return wait_s
        try:
            return self._work()
        except StoreError as exc:
            self._facts = replace(self._facts, detail=str(exc))
            return STORE_S

    def _work(self) -> float:
        notice = self._kept.first(self.address.name)
        if notice is None:
            self._succeed()
            self._tally()
            return IDLE_S
        if notice.attempts >= GIVE_UP_ATTEMPTS and self._utc_ns() - notice.made_utc_ns > GIVE_UP_NS:
            self._kept.give_up(notice)
            _log.error("a notice was given up after a day", extra={"fields": {"address": self.address.name, "subject": notice.subject}})
            self._tally()
            return 0.0
        self._attempt(notice)
        return max(0.0, self._next_try_s - self._monotonic_s())

    def _attempt(self, notice: Notice) -> None:
        self._kept.begin(notice)
        before = self._facts.state
        self._facts = replace(self._facts, state=State.SENDING if self._failing_since_s is None else State.FAILING)
        body = (REPEAT if notice.begun else "") + notice.body
        outcome = self.address.deliver(notice.subject, body, notice.severity)
        if outcome.accepted:
            self._kept.accepted(notice, self._utc_ns())
            _log.info("notice accepted", extra={"fields": {"address": self.address.name, "subject": notice.subject}})
            self._succeed()
        else:
            self._fail(outcome.reason, before)
            if not outcome.doubtful:
                self._kept.failed(notice)
        self._tally()

    def _succeed(self) -> None:
        self._failing_since_s, self._retry_s = None, RETRY_MIN_S
        self._facts = replace(self._facts, state=State.READY, detail="")

    def _fail(self, reason: str, before: State) -> None:
        """Wait twice as long as the last time."""
        now_s = self._monotonic_s()
        if before is not State.FAILING or reason != self._facts.detail:
            _log.warning("a notice was not accepted", extra={"fields": {"address": self.address.name, "reason": reason}})
        self._failing_since_s = now_s if self._failing_since_s is None else self._failing_since_s
        self._facts = replace(self._facts, state=State.FAILING, detail=reason, failures=self._facts.failures + 1)
        self._next_try_s = now_s + self._retry_s
        self._retry_s = min(2 * self._retry_s, RETRY_MAX_S)

    def _tally(self) -> None:
        tally = self._kept.tally(self.address.name)
        self._facts = replace(
            self._facts, notices=tally.waiting, accepted=tally.accepted, given_up=tally.given_up,
            last_accepted_utc_ns=tally.accepted_utc_ns, last_subject=tally.subject,
        )  # fmt: skip
        self._kept.tell(self.address.name, {"state": str(self._facts.state), "detail": self._facts.detail})
