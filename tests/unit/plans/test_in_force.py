"""Which plans are in force: those of the configuration that the recorder has, whatever the file says meanwhile."""

from __future__ import annotations

from typing import Any

import pytest

from loadlog.config import PlanConfig
from loadlog.model.errors import ConfigError, RefusedError
from loadlog.plans.in_force import ASK_EVERY_S, InForce, PlanSet


def plan_set(digest: str, *names: str) -> PlanSet:
    return PlanSet([PlanConfig(name=name, devices=["load-1"]) for name in names], {}, digest)


class Around:
    """The recorder's answers, the file, and the time."""

    def __init__(self) -> None:
        self.told: str | None = "a"
        self.file: PlanSet | None = plan_set("a", "soak")
        self.now_s = 0.0
        self.reads = 0

    def call(self, order: str, **_fields: Any) -> dict[str, Any]:
        if self.told is None:
            raise RefusedError("no recorder is running")
        return {"configuration": self.told} if order == "status" else {}

    def read(self) -> PlanSet:
        self.reads += 1
        if self.file is None:
            raise ConfigError("bench.toml: unknown key")
        return self.file

    def later(self, in_force: InForce) -> list[str]:
        self.now_s += ASK_EVERY_S
        return [plan.name for plan in in_force.look().plans]


@pytest.fixture
def around() -> Around:
    return Around()


@pytest.fixture
def in_force(around: Around) -> InForce:
    return InForce(plan_set("a", "soak"), around, around.read, lambda: around.now_s)  # type: ignore[arg-type]


def test_what_the_recorder_has_read_again_is_taken_over(around: Around, in_force: InForce) -> None:
    first = in_force.look()
    assert around.later(in_force) == ["soak"]
    assert in_force.now is first, "one object until something changes"
    around.file = plan_set("b", "soak", "night")
    assert around.later(in_force) == ["soak"], "edited, and not ordered to be read"
    assert around.reads == 0
    around.told = "b"
    assert around.later(in_force) == ["soak", "night"]
    assert around.later(in_force) == ["soak", "night"]
    assert around.reads == 1


@pytest.mark.parametrize("file", [None, plan_set("c", "other")])
def test_a_file_that_is_broken_or_another_one_changes_nothing(around: Around, in_force: InForce, file: PlanSet | None) -> None:
    around.told, around.file = "b", file
    assert around.later(in_force) == ["soak"]
    around.told = None
    assert around.later(in_force) == ["soak"], "nor does a recorder that is away"
    around.told, around.file = "d", plan_set("d", "night")
    assert around.later(in_force) == ["night"]


def test_the_recorder_is_not_asked_at_every_look(around: Around, in_force: InForce) -> None:
    in_force.look()
    around.told, around.file = "b", plan_set("b", "night")
    assert [plan.name for plan in in_force.look().plans] == ["soak"]
    assert around.later(in_force) == ["night"]
