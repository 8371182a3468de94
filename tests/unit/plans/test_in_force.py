"""Which plans are in force: those of the configuration that the recorder has, whatever the file says meanwhile."""

from __future__ import annotations

from typing import Any

import pytest

from loadlog.config import PlanConfig
from loadlog.model.errors import ConfigError, RefusedError
from loadlog.plans.in_force import ASK_EVERY_S, InForce, PlanSet


class Around:
    """The recorder with its configuration, the file, and the time. A configuration is the names of its plans; its digest the same."""

    def __init__(self) -> None:
        self.recorder: str | None = "soak"
        self.file: str | None = "soak"
        self.now_s = 0.0
        self.asked: list[str] = []

    def call(self, order: str, **_fields: Any) -> dict[str, Any]:
        if self.recorder is None:
            raise RefusedError("no recorder is running")
        self.asked.append(order)
        return {"configuration": self.recorder} if order == "status" else {"text": self.recorder}

    def read(self, text: str) -> PlanSet:
        if "broken" in text:
            raise ConfigError("bench.toml: there is no time zone 'Mars'")
        return PlanSet([PlanConfig(name=name, devices=["load-1"]) for name in text.split()], text)

    def file_digest(self) -> str:
        if self.file is None:
            raise ConfigError("cannot read the configuration file")
        return self.file

    def viewer(self) -> InForce:
        """Of a viewer that begins now: it reads the file."""
        return InForce(self.read(self.file or ""), self, self.read, self.file_digest, lambda: self.now_s)

    def later(self, in_force: InForce) -> list[str]:
        self.now_s += ASK_EVERY_S
        return [plan.name for plan in in_force.look().plans]


@pytest.fixture
def around() -> Around:
    return Around()


def test_what_the_recorder_has_read_again_is_taken_over(around: Around) -> None:
    in_force = around.viewer()
    first = in_force.look()
    assert around.later(in_force) == ["soak"]
    assert in_force.now is first, "one object until something changes"
    around.file = "soak night"
    assert (around.later(in_force), in_force.unread) == (["soak"], True), "edited, and not ordered to be read"
    around.recorder = "soak night"
    assert (around.later(in_force), in_force.unread) == (["soak", "night"], False)
    assert around.later(in_force) == ["soak", "night"]
    assert around.asked.count("configuration") == 1


def test_a_viewer_that_begins_after_an_unread_edit_has_the_recorder_s_plans(around: Around) -> None:
    around.file = "soak night"
    in_force = around.viewer()
    assert [plan.name for plan in in_force.look().plans] == ["soak"], "at the first look, before anything is started"
    assert in_force.unread
    around.file = "soak"
    assert (around.later(in_force), in_force.unread) == (["soak"], False), "the edit was taken back"


@pytest.mark.parametrize("file", [None, "other", "broken"])
def test_a_file_that_is_gone_broken_or_another_one_changes_nothing(around: Around, file: str | None) -> None:
    in_force = around.viewer()
    in_force.look()
    around.file = file
    assert (around.later(in_force), in_force.unread) == (["soak"], True)
    around.recorder = None
    assert around.later(in_force) == ["soak"], "nor does a recorder that is away"


def test_plans_that_are_refused_change_nothing_and_are_said_once(around: Around, caplog: pytest.LogCaptureFixture) -> None:
    in_force = around.viewer()
    around.recorder = around.file = "broken"
    assert around.later(in_force) == around.later(in_force) == ["soak"]
    assert caplog.text.count("refused") == 1
    around.recorder = around.file = "night"
    assert around.later(in_force) == ["night"]


def test_the_recorder_is_not_asked_at_every_look(around: Around) -> None:
    in_force = around.viewer()
    in_force.look()
    around.recorder = around.file = "night"
    assert [plan.name for plan in in_force.look().plans] == ["soak"]
    assert around.later(in_force) == ["night"]
