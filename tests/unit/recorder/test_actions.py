"""Protective actions: off by default, once per event, repeated on a bad line, read back, and their failure an alarm."""

from __future__ import annotations

import dataclasses
from concurrent.futures import Future

import pytest

from loadlog.config import ProtectiveActionConfig
from loadlog.model.clock import NS
from loadlog.model.event import Event, EventState, Onset, Severity
from loadlog.model.sample import FailureCause, Quality, Sample, Stamp
from loadlog.model.wire import LinkFailure, ModbusWrite, Reply
from loadlog.recorder.actions import ATTEMPTS, EFFECT_S, Actions, Outcome

OFF = ModbusWrite(6, 0x40, (0,))
DONE = Reply(OFF, (), "", 0, 1)
LOST = LinkFailure(OFF, FailureCause.TIMEOUT, "no reply within 0.2 s", 0, 1)


class Line:
    """The bus of the device: answers each order with the next prepared outcome; None: not answered yet."""

    def __init__(self, *outcomes: Outcome | None) -> None:
        self.outcomes = list(outcomes)
        self.sent: list[str] = []
        self.told: list[tuple[str, int]] = []

    def submit(self, device: str) -> Future[Outcome]:
        self.sent.append(device)
        future: Future[Outcome] = Future()
        outcome = self.outcomes.pop(0)
        if outcome is not None:
            future.set_result(outcome)
        return future

    def actions(self, *configured: ProtectiveActionConfig) -> Actions:
        return Actions(configured, self.submit, lambda device, t: self.told.append((device, t)))


def event(kind: str, device: str = "load-1", number: int = 1, state: EventState = EventState.ACTIVE) -> Event:
    return Event(number, 1, kind, "", device, None, None, Severity.ALARM, state, Onset(0, 1), NS, "m")


def sample(t_s: float, input_on: int, device: str = "load-1") -> Sample:
    stamp = Stamp(round(t_s * NS), 0)
    return Sample(1, device, stamp, Quality.GOOD, {}, {}, {"input_on": input_on})


RULE = ProtectiveActionConfig(on=["over_temperature"], device="load-1")


def test_nothing_happens_unless_configured_and_triggered() -> None:
    line = Line()
    line.actions().on_events([event("over_temperature")])
    actions = line.actions(RULE)
    actions.on_events([event("limit"), event("over_temperature", "load-2"), event("over_temperature", state=EventState.CLEARED)])
    assert line.sent == []


def test_the_input_is_switched_off_once_and_the_effect_read_back() -> None:
    line = Line(DONE)
    actions = line.actions(RULE)
    actions.on_events([event("over_temperature")])
    actions.on_events([event("over_temperature")])
    assert (line.sent, line.told) == (["load-1"], [("load-1", NS)])
    assert actions.on_sample(sample(1.2, 1)) == []
    (finding,) = actions.on_sample(sample(1.4, 0))
    assert (finding.kind, finding.device) == ("action_taken", "load-1")
    assert actions.on_sample(sample(1.6, 0)) == []


def test_a_sample_from_before_the_order_proves_nothing() -> None:
    line = Line(DONE)
    actions = line.actions(RULE)
    actions.on_events([event("over_temperature")])
    assert actions.on_sample(sample(0.9, 0)) == []


def test_a_bad_line_is_tried_again_and_then_reported() -> None:
    line = Line(*[LOST] * ATTEMPTS)
    actions = line.actions(RULE)
    actions.on_events([event("over_temperature")])
    findings = [f for k in range(60) for f in actions.on_sample(sample(1.1 + 0.1 * k, 1))]
    assert len(line.sent) == ATTEMPTS
    (finding,) = findings
    assert (finding.kind, finding.severity) == ("action_failed", Severity.ALARM)
    assert "no reply within 0.2 s" in finding.message


@pytest.mark.parametrize(("outcome", "why"), [(DONE, "still on"), (None, "could not be sent")])
def test_an_effect_that_does_not_show_is_an_alarm(outcome: Outcome | None, why: str) -> None:
    line = Line(outcome)
    actions = line.actions(RULE)
    actions.on_events([event("over_temperature")])
    assert actions.on_sample(sample(1 + EFFECT_S, 1)) == []
    (finding,) = actions.on_sample(sample(1.1 + EFFECT_S, 1))
    assert finding.kind == "action_failed"
    assert why in finding.message


def test_another_device_can_be_watched_and_a_second_event_triggers_again() -> None:
    line = Line(DONE, DONE)
    actions = line.actions(ProtectiveActionConfig(on=["over_temperature"], device="load-1", watch=["case"]))
    actions.on_events([event("over_temperature", "load-1")])
    assert line.sent == []
    actions.on_events([event("over_temperature", "case", 2)])
    actions.on_sample(sample(2, 0))
    actions.on_events([event("over_temperature", "case", 3)])
    assert line.sent == ["load-1", "load-1"]


def test_a_trial_at_start_only_where_asked() -> None:
    line = Line(DONE)
    line.actions(RULE, ProtectiveActionConfig(on=["limit"], device="load-2", try_at_start=True)).try_at_start(5 * NS)
    assert line.sent == ["load-2"]


@pytest.mark.parametrize(("confidence", "sure"), [(0.55, ", probability 0.55"), (1.0, "")])
def test_the_first_statement_counts_and_the_record_says_how_sure_it_was(confidence: float, sure: str) -> None:
    line = Line(DONE)
    actions = line.actions(RULE)
    actions.on_events([dataclasses.replace(event("over_temperature", number=7), confidence=confidence)])
    (finding,) = actions.on_sample(sample(1.4, 0))
    assert finding.evidence["reason"] == f"over_temperature on load-1 (event 7{sure})"
