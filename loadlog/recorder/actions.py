"""Protective actions: input off on named events, for a named device. A convenience, **not a safety device**.

Rule: an event of a listed kind that becomes active on a watched device triggers the action once per event. The order is sent up to
`ATTEMPTS` times (switching an input off twice does no harm, so this is the one request that may be repeated), its effect is read back
from the samples that follow; an effect that does not show within `EFFECT_S` raises `action_failed`, an alarm.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass

from loadlog.config import ProtectiveActionConfig
from loadlog.model.clock import NS
from loadlog.model.event import Event, EventState, Finding, Onset, Severity, probability_words
from loadlog.model.sample import Sample
from loadlog.model.wire import LinkFailure, Reply

ATTEMPTS = 3
EFFECT_S = 3.0
_log = logging.getLogger(__name__)

Outcome = Reply | LinkFailure
Submit = Callable[[str], "Future[Outcome]"]


@dataclass(slots=True)
class _UnderWay:
    """One action waiting for its effect; instants in UTC ns."""

    device: str
    reason: str
    ordered_utc_ns: int
    attempts: int
    answer: Future[Outcome]


class Actions:
    """Decides, orders and watches. ``submit(device)`` queues the switch-off on the device's bus; ``ordered(device, t)`` tells the pipeline
    that what follows is an order of ours."""

    def __init__(self, configured: Sequence[ProtectiveActionConfig], submit: Submit, ordered: Callable[[str, int], None]) -> None:
        self._configured, self._submit, self._ordered = configured, submit, ordered
        self._triggered: set[tuple[int, str]] = set()
        self._under_way: dict[str, _UnderWay] = {}

    def try_at_start(self, t_utc_ns: int) -> None:
        """Carry out the actions that ask for it once, to see that they work."""
        for device in dict.fromkeys(a.device for a in self._configured if a.try_at_start):
            self._begin(device, "trial at start", t_utc_ns)

    def on_events(self, events: Sequence[Event]) -> None:
        """Trigger what these events ask for. The first statement counts, however probable: an input that is off needlessly costs a run, one
        that stays on may cost more; the record says how sure it was."""
        for event in events:
            if event.state is not EventState.ACTIVE:
                continue
            for action in self._configured:
                watched = action.watch or [action.device]
                mark = (event.id, action.device)
                if event.kind in action.on and event.device in watched and mark not in self._triggered:
                    self._triggered.add(mark)
                    self._begin(action.device, _reason(event), event.detected_utc_ns)

    def on_sample(self, sample: Sample) -> list[Finding]:
        """Watch for the effect; returns what is to be recorded."""
        waiting = self._under_way.get(sample.device)
        if waiting is None:
            return []
        t_utc_ns = sample.stamp.t_utc_ns
        if sample.failure is None and sample.status.get("input_on") == 0 and t_utc_ns > waiting.ordered_utc_ns and waiting.answer.done():
            del self._under_way[sample.device]
            return [self._finding("action_taken", Severity.WARNING, waiting, t_utc_ns, "input off, read back")]
        if waiting.answer.done() and isinstance(waiting.answer.result(), LinkFailure) and waiting.attempts < ATTEMPTS:
            waiting.attempts += 1
            waiting.answer = self._submit(sample.device)
            return []
        if t_utc_ns - waiting.ordered_utc_ns > EFFECT_S * NS:
            del self._under_way[sample.device]
            return [self._finding("action_failed", Severity.ALARM, waiting, t_utc_ns, self._why(waiting))]
        return []

    def _begin(self, device: str, reason: str, t_utc_ns: int) -> None:
        if device in self._under_way:
            return
        _log.warning("protective action: input off", extra={"fields": {"device": device, "reason": reason}})
        self._ordered(device, t_utc_ns)
        self._under_way[device] = _UnderWay(device, reason, t_utc_ns, 1, self._submit(device))

    @staticmethod
    def _why(waiting: _UnderWay) -> str:
        if not waiting.answer.done():
            return "the order could not be sent"
        answer = waiting.answer.result()
        if isinstance(answer, LinkFailure):
            return f"the order was not answered after {waiting.attempts} attempts: {answer.detail}"
        return "the order was answered, but the input is still on"

    @staticmethod
    def _finding(kind: str, severity: Severity, waiting: _UnderWay, t_utc_ns: int, what: str) -> Finding:
        return Finding(
            kind=kind,
            device=waiting.device,
            severity=severity,
            onset=Onset(waiting.ordered_utc_ns, t_utc_ns),
            message=f"protective action 'input off' because of {waiting.reason}: {what}",
            momentary=True,
            evidence={"reason": waiting.reason, "attempts": waiting.attempts},
        )


def _reason(event: Event) -> str:
    about = ", ".join(filter(None, (f"event {event.id}", probability_words(event.confidence))))
    return f"{event.kind} on {event.device} ({about})"
