"""What the plan asked of a run, judged by what was measured (JCGM 106; `loadlog.analysis.verdict`).

The plan is the one that the run began with, so a later change of the configuration changes no verdict.
"""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Iterable, Mapping
from typing import Protocol

from loadlog.analysis import AcceptanceLimit, Decision, Figure, LimitVerdict, RunVerdict, check_limit, judge, judge_run
from loadlog.config.plan import AcceptConfig
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import UsageError
from loadlog.model.run import RunInfo
from loadlog.review.cause import Verdict


class Reported(Protocol):
    """A device of the run with its figures."""

    @property
    def spec(self) -> DeviceSpec: ...

    @property
    def figures(self) -> Mapping[tuple[str, str], Figure]: ...


def limits_of(run: RunInfo, config: str) -> tuple[AcceptanceLimit, ...]:
    """The acceptance limits that the recorded configuration gives for a run of this name; none when it cannot be read."""
    try:
        plans = tomllib.loads(config).get("plan", [])
        plan = next((p for p in plans if p.get("name") == run.name), None)
        found = [AcceptConfig.model_validate(a, strict=False) for a in (plan or {}).get("accept", [])]  # as earlier versions took it
        return tuple(AcceptanceLimit(a.device, a.channel, a.statistic, a.low, a.high) for a in found)
    except (tomllib.TOMLDecodeError, AttributeError, TypeError, ValueError, UsageError):
        return ()


def judge_plan(run: RunInfo, config: str, devices: Iterable[Reported]) -> RunVerdict:
    """Every limit, and what follows for the run."""
    reported = {d.spec.name: d for d in devices}
    return judge_run([_judge(limit, reported.get(limit.device)) for limit in limits_of(run, config)])


def _judge(limit: AcceptanceLimit, device: Reported | None) -> LimitVerdict:
    if device is None:
        return judge(limit, Figure.missing(limit.statistic, "", f"{limit.device} was not in the run"))
    try:
        full = check_limit(device.spec, limit)
    except UsageError as exc:
        return judge(limit, Figure.missing(limit.statistic, "", str(exc)))
    figure = device.figures.get((full.channel, full.statistic))
    return judge(full, figure or Figure.missing(full.statistic, "", "it is not computed for this channel"))


def with_limits(said: Verdict, accepted: RunVerdict) -> Verdict:
    """The verdict of the events with that of the limits: the worse one gives the word, and both are told."""
    if accepted.decision is Decision.NOT_JUDGED:
        return said
    if accepted.decision is Decision.FAIL:
        return dataclasses.replace(said, word="did not hold", sentence=f"Fail: {accepted.reason}. {said.sentence}")
    if said.word in ("did not hold", "going on"):
        return dataclasses.replace(said, sentence=f"{said.sentence} Acceptance limits: {accepted.decision}: {accepted.reason}.")
    if accepted.decision is Decision.PASS and said.word == "held":
        return dataclasses.replace(said, sentence=f"Pass: {accepted.reason}. {said.sentence}")
    return dataclasses.replace(said, word="cannot be judged", sentence=f"Cannot be decided: {accepted.reason}. {said.sentence}")
