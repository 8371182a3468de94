"""The plans that the recorder works with: those of the configuration that it read last, which may be later than this process.

The recorder tells the digest of its configuration; when it is another one than known here, the file is read again and taken over if it is
the very text that the recorder has. A file that was edited and not ordered to be read changes nothing, and neither does a broken one.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from loadlog.config.plan import PlanConfig
from loadlog.control.client import Control
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import LoadlogError

ASK_EVERY_S = 5.0
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class PlanSet:
    """The plans of one text of the configuration (``digest``: of that text), with the devices that it describes."""

    plans: Sequence[PlanConfig]
    devices: Mapping[str, DeviceSpec]
    digest: str = ""


class InForce:
    """``read``: the file as it is now; raises `LoadlogError` where it is refused. One thread looks, any may ask for `now`."""

    def __init__(
        self, first: PlanSet, control: Control, read: Callable[[], PlanSet], monotonic_s: Callable[[], float]
    ) -> None:  # fmt: skip
        self.now = first
        self._control, self._read, self._monotonic_s = control, read, monotonic_s
        self._next_s = monotonic_s()
        self._refused = ""

    def look(self) -> PlanSet:
        """`now`, after a look at the recorder when one is due; while it does not answer nothing changes."""
        if self._monotonic_s() >= self._next_s:
            self._next_s = self._monotonic_s() + ASK_EVERY_S
            try:
                told = str(self._control.call("status").get("configuration", ""))
            except LoadlogError:
                return self.now
            if told and told not in (self.now.digest, self._refused):
                self._take_over(told)
        return self.now

    def _take_over(self, told: str) -> None:
        try:
            found = self._read()
        except LoadlogError as exc:
            self._refused = told  # said once
            _log.warning("plans stay as they were: the recorder has another configuration than the file: %s", exc)
            return
        if found.digest == told:
            self.now = found
            _log.info("plans are those of the configuration that the recorder has read again")
