"""What is told although nothing can be kept: on a full disk the viewer's database takes no notice, and the one that the disk is full would
wait for room.

One notice an address, each time that it begins; it comes from memory, so a restart of the viewer tells it again. Its end is told in the
usual way, with what the recorder could not store meanwhile: the desks are given what was told here, or they would tell it a second time.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from loadlog.notify.desk import Draft, Entry, Policy
from loadlog.notify.news import News
from loadlog.notify.sender import Address
from loadlog.notify.text import Letterhead, notice
from loadlog.notify.watch import UNWRITTEN, news_of

LASTS_S = 10.0  # somebody who holds the database for a moment is nothing to tell
RETRY_S = 60.0
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Told:
    """What was told so, to which addresses."""

    news: News
    addresses: tuple[str, ...]


class Unkept:
    """Not thread-safe; `look` waits for the servers."""

    def __init__(
        self, addresses: Sequence[Address], policies: Mapping[str, Policy], head: Letterhead,
        monotonic_s: Callable[[], float], utc_ns: Callable[[], int],
    ) -> None:  # fmt: skip
        self._addresses, self._policies, self._head = addresses, policies, head
        self._monotonic_s, self._utc_ns = monotonic_s, utc_ns
        self.over()

    @property
    def told(self) -> Told | None:
        """Since it began."""
        left = {one.name for one in self._left}
        names = tuple(one.name for one in self._addresses if one.name not in left)
        return Told(self._news, names) if self._news is not None and names else None

    def over(self) -> None:
        """The database takes what is to be kept."""
        self._since: tuple[float, int] | None = None
        self._news: News | None = None
        self._left = list(self._addresses)
        self._next_try_s = 0.0

    def look(self, why: str) -> None:
        """It does not, or not yet."""
        now_s, now_ns = self._monotonic_s(), self._utc_ns()
        since_s, since_ns = self._since = self._since or (now_s, now_ns)
        if now_s - since_s < LASTS_S or now_s < self._next_try_s:
            return
        self._next_try_s = now_s + RETRY_S
        self._news = news_of(UNWRITTEN, why, since_ns)
        text = notice(Draft((Entry(self._news, now_ns),)), self._head)
        for address in [one for one in self._left if not self._sleeps(one, now_ns)]:
            outcome = address.deliver(text.subject, text.body, text.severity)
            if outcome.accepted or outcome.doubtful:
                self._left.remove(address)
                _log.info("notice accepted", extra={"fields": {"address": address.name, "subject": text.subject}})
            else:
                _log.warning("a notice was not accepted", extra={"fields": {"address": address.name, "reason": outcome.reason}})

    def _sleeps(self, address: Address, now_ns: int) -> bool:
        """Quiet hours that hold up alarms too are on."""
        policy = self._policies[address.name]
        return policy.quiet is not None and policy.passes is None and policy.quiet.until(now_ns) is not None
