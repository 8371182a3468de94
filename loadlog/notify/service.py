"""Notices of a viewer: one thread that reads and decides, one per address that sends, one for the heartbeat. None waits for another.

What cannot be sent is told to the recorder (order ``report``, kind ``notify_failed``), which makes an event of it: recorded, shown, and
told to the other addresses. While the recorder cannot be reached, metrics and `notify status` show the same from here.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from loadlog.config import NotifyConfig
from loadlog.config.notify import HEARTBEAT
from loadlog.control.client import Control
from loadlog.model.errors import ConfigError, LoadlogError, StoreError
from loadlog.notify.courier import Courier
from loadlog.notify.desks import Around, Desks, policy_of
from loadlog.notify.facts import AddressFacts, State
from loadlog.notify.sender import Address, Outcome
from loadlog.notify.text import Letterhead
from loadlog.notify.unkept import Unkept
from loadlog.notify.watch import GONE, STALLED, UNREADABLE, UNWRITTEN, Progress
from loadlog.process.workers import Workers
from loadlog.store import Archive
from loadlog.store.notify_state import NotifyState
from loadlog.store.viewer_state import StateHolder

LOOK_S = 1.0
ASK_S = 5.0  # how often the recorder is asked
OPEN_AGAIN_S = 10.0
END_S = 3.0
FAILING_S = 60.0  # an address that accepts nothing for so long is an event
_log = logging.getLogger(__name__)


def check_notify(config: NotifyConfig, where: str) -> ZoneInfo:
    """The time zone of a configuration.

    Raises:
        ConfigError: there is none of that name.
    """
    try:
        return ZoneInfo(config.time_zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as exc:
        hint = "an IANA name such as Europe/Berlin, or UTC"
        raise ConfigError(f"notify.time_zone: there is no time zone {config.time_zone!r}", where=where, hint=hint) from exc


def _fault(name: str, exc: Exception) -> None:
    """What it holds may hold the address: only its type is told."""
    _log.error("notices to %s failed: %s", name, type(exc).__name__)


class Notices:
    """Made with what `load_addresses` and `load_heartbeat` gave; `start` returns at once. ``period_s``: of the fastest device."""

    def __init__(
        self,
        bench: str,
        data_dir: Path,
        config: NotifyConfig,
        addresses: Sequence[Address],
        control: Control,
        state: StateHolder,
        *,
        heartbeat: Callable[[], Outcome] | None = None,
        period_s: float = 1.0,
        monotonic_s: Callable[[], float] = time.monotonic,
        utc_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._data_dir, self._config, self._addresses, self._control, self._state = data_dir, config, addresses, control, state
        self._ping, self._progress = heartbeat, Progress(period_s)
        self._monotonic_s, self._utc_ns = monotonic_s, utc_ns
        self._head = Letterhead(bench, check_notify(config, bench), config.page_url)
        policies = {address.name: policy_of(address, config) for address in addresses}
        self._unkept = Unkept(addresses, policies, self._head, monotonic_s, utc_ns)
        self._couriers: dict[str, Courier] = {}
        self._desks: Desks | None = None
        self._status: Mapping[str, Any] | None = None
        self._gone = ""
        self._asked_s = -ASK_S
        self._trouble = ""
        self._beat = AddressFacts(HEARTBEAT, "HTTP GET", "")
        self._beat_failing_s: float | None = None
        self._workers = Workers(END_S)
        self._reported: dict[str, bool] = {}

    # -- life

    def start(self, on_open: Callable[[], None] = lambda: None) -> None:
        """Begin; needs no server, no recorder and no recordings. ``on_open``: called when this is the viewer that keeps the state."""
        self._workers.run("notify", self._begin, on_open)

    def _begin(self, on_open: Callable[[], None]) -> None:
        while (kept := self._opened()) is None:
            if self._workers.wait(OPEN_AGAIN_S):
                return
        on_open()
        around = Around(Archive(self._data_dir), self._monotonic_s, self._utc_ns, self._failing)
        self._desks = Desks(self._config, self._addresses, self._head, around, kept)
        for address in self._addresses:
            courier = Courier(address, kept, str(address.target.severity), self._monotonic_s, self._utc_ns)
            self._couriers[address.name] = courier
            self._workers.repeat(f"notify-{address.name}", courier.step, partial(_fault, address.name))
        if self._ping is not None:
            self._workers.run("notify-heartbeat", self._beats, self._ping)
        while not self._workers.wait(LOOK_S):
            self._turn(self._desks)

    def _opened(self) -> NotifyState | None:
        try:
            kept = NotifyState(self._state.opened())
        except StoreError as exc:
            if str(exc) != self._trouble:
                _log.error("nobody is told: %s", exc)
            self._trouble = str(exc)
            return None
        self._trouble = ""
        return kept

    def _turn(self, desks: Desks) -> None:
        try:
            self._ask()
            if desks.look(self._troubles(desks), self._status, self._unkept.told):
                self._workers.wake_all()
            self._trouble = ""
            self._unkept.over()
            self._report()
        except StoreError as exc:
            if str(exc) != self._trouble:
                _log.error("nothing is kept of whom to tell: %s", exc)
            self._trouble = str(exc)
            if not desks.has_kept(UNWRITTEN):
                self._unkept.look(self._troubles(desks).get(UNWRITTEN) or str(exc))
        except Exception:  # a fault of ours must not end the notices for good
            _log.exception("notices failed")
            self._workers.wait(OPEN_AGAIN_S)

    def stop(self) -> None:
        """Let attempts under way end, for a short while; what was not accepted is sent after the next start."""
        self._workers.stop()

    # -- the recorder

    def _ask(self) -> None:
        now_s = self._monotonic_s()
        if now_s - self._asked_s < ASK_S:
            return
        self._asked_s = now_s
        try:
            self._status, self._gone = self._control.call("status"), ""
        except LoadlogError as exc:
            self._status, self._gone = None, str(exc)

    def _troubles(self, desks: Desks) -> dict[str, str]:
        if self._status is None:
            return {GONE: self._gone or "it does not answer", UNREADABLE: desks.trouble}
        stalled = self._progress.stalled(self._status.get("samples"), self._monotonic_s())
        unwritten = str(self._status.get("store", {}).get("trouble", ""))
        return {
            STALLED: "its count of samples does not grow" if stalled else "", UNWRITTEN: unwritten, UNREADABLE: desks.trouble,
        }  # fmt: skip

    def _failing(self) -> dict[str, str]:
        """Addresses, and the heartbeat, that have been failing for long."""
        return {facts.name: facts.detail for facts in self.facts() if facts.state is State.FAILING and facts.failing_s > FAILING_S}

    def _report(self) -> None:
        """Tell the recorder what began or ended since it was last told."""
        failing = self._failing()
        for name in (*(address.name for address in self._addresses), HEARTBEAT):
            active = name in failing
            if self._reported.get(name, False) == active:
                continue
            message = f"no notices get through to {name}: {failing[name]}" if active else "over"
            try:
                self._control.call("report", kind="notify_failed", key=name, message=message, active=active)
            except LoadlogError as exc:
                _log.debug("not reported: %s", exc)
                return
            self._reported[name] = active

    # -- heartbeat

    def _beats(self, ping: Callable[[], Outcome]) -> None:
        while not self._workers.wait(0):
            if self._status is not None and not self._progress.is_stalled:
                self._judge(ping())
            self._workers.wait(self._config.heartbeat_s)

    def _judge(self, outcome: Outcome) -> None:
        beat, now_s = self._beat, self._monotonic_s()
        if outcome.accepted:
            self._beat_failing_s = None
            self._beat = replace(beat, state=State.READY, detail="", accepted=beat.accepted + 1, last_accepted_utc_ns=self._utc_ns())
            return
        if beat.state is not State.FAILING or beat.detail != outcome.reason:
            _log.warning("the heartbeat was not accepted", extra={"fields": {"reason": outcome.reason}})
        self._beat_failing_s = now_s if self._beat_failing_s is None else self._beat_failing_s
        self._beat = replace(beat, state=State.FAILING, detail=outcome.reason, failures=beat.failures + 1)

    # -- what others ask

    def facts(self) -> list[AddressFacts]:
        """Every address in the order of the configuration, then the heartbeat."""
        waiting = self._desks.waiting if self._desks is not None else {}
        quiet = self._desks.quiet() if self._desks is not None else set()
        out = []
        for address in self._addresses:
            courier = self._couriers.get(address.name)
            facts = courier.facts if courier else AddressFacts(address.name, address.service, str(address.target.severity))
            facts = replace(facts, waiting=waiting.get(address.name, 0), quiet=address.name in quiet)
            out.append(replace(facts, state=State.STOPPED, detail=self._trouble) if self._trouble else facts)
        if self._ping is not None:
            since_s = self._beat_failing_s
            out.append(replace(self._beat, failing_s=0.0 if since_s is None else self._monotonic_s() - since_s))
        return out
