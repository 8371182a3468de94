"""All targets of a viewer, a thread each: a target that is dead, slow or refuses stalls nobody else.

What is wrong with a target is told to the recorder (order ``report``), which makes an event of it like of any other trouble: recorded,
shown, forwarded and notified in one way, and owned by the one process that writes events. While the recorder cannot be reached, the page,
the metrics and `forward status` show the same from here; it is told as soon as it answers.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from loadlog.config import ForwardConfig, nearest
from loadlog.control.client import Control
from loadlog.forwarder.courier import Around, Buses, Courier
from loadlog.forwarder.facts import State, TargetFacts
from loadlog.forwarder.sender import Credentials, Sender
from loadlog.model.clock import NS
from loadlog.model.errors import LoadlogError, StoreError, UsageError
from loadlog.process.workers import Workers
from loadlog.store import Archive
from loadlog.store.forward_state import ForwardState
from loadlog.store.viewer_state import StateHolder, ViewerState

OPEN_AGAIN_S = 10.0
REPORT_S = 2.0
END_S = 3.0  # how long `stop` waits for a request under way
_log = logging.getLogger(__name__)


class Forwarding:
    """Made with every target's configuration and credentials; `start` returns at once, whatever the servers do."""

    def __init__(
        self,
        bench: str,
        data_dir: Path,
        targets: Sequence[tuple[ForwardConfig, Credentials]],
        control: Control,
        base: Path = Path(),
        monotonic_s: Callable[[], float] = time.monotonic,
        utc_ns: Callable[[], int] = time.time_ns,
        state: StateHolder | None = None,
    ) -> None:
        self._bench, self._data_dir, self._targets, self._control, self._base = bench, data_dir, targets, control, base
        self._monotonic_s, self._utc_ns = monotonic_s, utc_ns
        self._state = state or StateHolder(data_dir)
        self._couriers: dict[str, Courier] = {}
        self._trouble = ""
        self._workers = Workers(END_S)
        self._reported: dict[tuple[str, str], bool] = {}

    # -- life

    def start(self, on_open: Callable[[], None] = lambda: None) -> None:
        """Begin; needs no server, no recorder and no recordings. ``on_open``: called when this is the viewer that forwards."""
        if self._targets:
            self._workers.run("forward", self._begin, on_open)

    def _begin(self, on_open: Callable[[], None]) -> None:
        """Open the viewer's state, as often as it takes; then let the couriers go; then report."""
        while (viewer := self._opened()) is None:
            if self._workers.wait(OPEN_AGAIN_S):
                return
        on_open()
        around = Around(self._bench, Archive(self._data_dir), self._health, self._monotonic_s, self._utc_ns)
        for config, credentials in self._targets:
            kept = ForwardState(viewer, config.name, round(config.rewind_s * NS))
            sender = Sender(config, credentials, self._base)
            courier = self._couriers[config.name] = Courier(config, around, kept, sender)
            self._workers.repeat(f"forward-{config.name}", courier.step, partial(_fault, config.name))
        while not self._workers.wait(REPORT_S):
            self._report()

    def _opened(self) -> ViewerState | None:
        try:
            viewer = self._state.opened()
        except StoreError as exc:
            if str(exc) != self._trouble:
                _log.error("nothing is forwarded: %s", exc)
            self._trouble = str(exc)
            return None
        self._trouble = ""
        return viewer

    def stop(self) -> None:
        """Let requests under way end, for a short while; what was not acknowledged is sent after the next start."""
        self._workers.stop()

    # -- what others ask

    def facts(self) -> list[TargetFacts]:
        """Every target, in the order of the configuration."""
        out = []
        for config, _ in self._targets:
            courier = self._couriers.get(config.name)
            if courier is not None:
                out.append(courier.facts)
            else:
                blank = TargetFacts(config.name, config.kind, config.url)
                out.append(replace(blank, state=State.STOPPED, detail=self._trouble) if self._trouble else blank)
        return out

    def retry(self, name: str) -> None:
        """Send what was set aside again, and try at once.

        Raises:
            UsageError: there is no such target.
        """
        names = [config.name for config, _ in self._targets]
        if name not in names:
            raise UsageError(f"there is no forwarding target {name!r}{nearest(name, names)}")
        if (courier := self._couriers.get(name)) is not None:
            courier.retry()
            self._workers.wake(f"forward-{name}")

    # -- the recorder

    def _health(self) -> Buses | None:
        try:
            buses: Mapping[str, Mapping[str, Any]] = self._control.call("status").get("buses", {})
        except LoadlogError:
            return None
        return buses

    def _report(self) -> None:
        """Tell the recorder what began or ended since it was last told."""
        for config, _ in self._targets:
            for (kind, key), message in troubles(self._couriers[config.name].facts, config.alarm_after_s).items():
                active = bool(message)
                if self._reported.get((kind, key)) == active:
                    continue
                try:
                    self._control.call("report", kind=kind, key=key, message=message or "over", active=active)
                except LoadlogError as exc:
                    _log.debug("not reported: %s", exc)
                    return
                self._reported[kind, key] = active


def _fault(name: str, exc: Exception) -> None:
    _log.error("forwarding to %s failed", name, exc_info=exc)


def troubles(facts: TargetFacts, alarm_after_s: float) -> dict[tuple[str, str], str]:
    """(event kind, key) -> what is wrong with a target, empty where nothing is."""
    refused = facts.detail if facts.state is State.REFUSED else ""
    late = facts.backlog_samples > 0 and max(facts.backlog_s, facts.failing_s) > alarm_after_s
    backlog = f"about {facts.backlog_samples} samples wait to be forwarded to {facts.name}" if late else ""
    if late:
        backlog += f": {facts.detail}" if facts.detail else " (check network and database; the recordings keep what waits)"
    aside = f"{facts.name} did not take {facts.set_aside} lines: see loadlog forward status" if facts.set_aside else ""
    return {
        ("forward_refused", facts.name): f"nothing gets through to {facts.name}: {refused}" if refused else "",
        ("forward_backlog", facts.name): backlog,
        ("forward_refused", f"{facts.name}.set_aside"): aside,
    }
