"""The plans that the recorder works with: those of the configuration that it read last, which need be neither the file's nor those that
this process began with.

The recorder tells the digest of its configuration; where that is another one than known here, it is asked for the text. A file that was
edited and not ordered to be read changes nothing, whenever this process began, and is told as `InForce.unread`.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from loadlog.config.plan import PlanConfig
from loadlog.control.client import Control
from loadlog.model.errors import LoadlogError

ASK_EVERY_S = 5.0
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class PlanSet:
    """The plans of one text of the configuration (``digest``: of that text)."""

    plans: Sequence[PlanConfig]
    digest: str = ""


class InForce:
    """``read``: the plans of a text of the configuration, raises `LoadlogError` where they are refused; ``file_digest``: of the file as it
    is now, raises `LoadlogError` where it cannot be read. One thread looks, any may ask for `now` and `unread`."""

    def __init__(
        self,
        first: PlanSet,
        control: Control,
        read: Callable[[str], PlanSet],
        file_digest: Callable[[], str],
        monotonic_s: Callable[[], float],
    ) -> None:
        self.now = first
        self.unread = False  # the file is another one than the recorder has
        self._control, self._read, self._file_digest, self._monotonic_s = control, read, file_digest, monotonic_s
        self._next_s = monotonic_s()
        self._refused = ""

    def look(self) -> PlanSet:
        """`now`, after a look at the recorder when one is due; while it does not answer nothing changes."""
        if self._monotonic_s() >= self._next_s:
            self._next_s = self._monotonic_s() + ASK_EVERY_S
            try:
                told = str(self._control.call("status").get("configuration", ""))
                self.unread = bool(told) and not self._is_file(told)
                if told and told not in (self.now.digest, self._refused):
                    self._take_over(told, str(self._control.call("configuration").get("text", "")))
            except LoadlogError:
                return self.now
        return self.now

    def _is_file(self, told: str) -> bool:
        try:
            return self._file_digest() == told
        except LoadlogError:
            return False

    def _take_over(self, told: str, text: str) -> None:
        try:
            self.now = self._read(text)
        except LoadlogError as exc:
            self._refused = told  # said once
            _log.warning("plans stay as they were: those of the recorder's configuration are refused: %s", exc)
            return
        _log.info("plans are those of the configuration that the recorder has")
