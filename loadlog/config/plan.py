"""``[[plan]]``: a run that can be started by name or at a time, that ends by itself, with what is asked of it."""

from __future__ import annotations

import datetime as dt
from typing import Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from loadlog.config.explained import explain, read_toml
from loadlog.config.section import Name, Section
from loadlog.model.duration import LONGEST_S, parse_duration
from loadlog.model.errors import ConfigError, UsageError
from loadlog.model.event import KINDS

CRON_FIELDS = 5  # minute hour day month weekday


def _seconds(text: str) -> float:
    try:
        return parse_duration(text)
    except UsageError as exc:
        raise ValueError(exc.what) from exc


class AcceptConfig(Section):
    """``low <= statistic of channel of device <= high``, in the statistic's unit; one of both may be left out."""

    device: str
    channel: str
    statistic: str
    low: float | None = None
    high: float | None = None

    @model_validator(mode="after")
    def _limits_fit(self) -> AcceptConfig:
        if self.low is None and self.high is None:
            raise ValueError("give low, high or both")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError(f"low = {self.low:g} must be below high = {self.high:g}")
        return self


class StopConfig(Section):
    """What ends the run before its duration; any one of them. ``device``: whose voltage (V), charge (A·h) and energy (W·h) count;
    ``events``: kinds that end the run when they are raised on one of its devices."""

    device: str = ""
    voltage_below: float | None = Field(default=None, gt=0)
    charge_ah: float | None = Field(default=None, gt=0)
    energy_wh: float | None = Field(default=None, gt=0)
    events: list[str] = Field(default_factory=list)

    @model_validator(mode="after")
    def _says_whose(self) -> StopConfig:
        measured = any(v is not None for v in (self.voltage_below, self.charge_ah, self.energy_wh))
        if measured and not self.device:
            raise ValueError("stop.device is missing: whose voltage, charge or energy ends the run")
        if not measured and not self.events:
            raise ValueError("stop: give voltage_below, charge_ah, energy_wh or events")
        for kind in self.events:
            if kind not in KINDS:
                raise ValueError(f"stop.events: there is no event kind {kind!r}")
        return self


class PlanConfig(Section):
    """``duration`` empty: until stopped. ``at``: one start (RFC 3339 with offset). ``cron``: minute hour day month weekday, in
    ``time_zone`` (IANA name); a wall-clock time that the zone skips does not come, one that it repeats comes once, the first time.
    ``missed``: what becomes of a start that nobody was there for: ``skip`` it, or ``start`` when not more than ``missed_within`` too late.
    ``keep``: never removed by retention."""

    name: Name
    devices: list[str] = Field(min_length=1)
    duration: str = ""
    cron: str = ""
    at: str = ""
    time_zone: str = "UTC"
    missed: Literal["skip", "start"] = "skip"
    missed_within: str = "1h"
    keep: bool = False
    stop: StopConfig | None = None
    accept: list[AcceptConfig] = Field(default_factory=list)

    @property
    def duration_s(self) -> float:
        """0: open end."""
        return parse_duration(self.duration) if self.duration else 0.0

    @property
    def missed_within_s(self) -> float:
        """Longest delay of a missed start."""
        return parse_duration(self.missed_within)

    @field_validator("duration")
    @classmethod
    def _takes_time(cls, text: str) -> str:
        if text and not 0 < _seconds(text) <= LONGEST_S:
            raise ValueError(f"{text!r} is not between 0 and ten years: leave it out for a run that goes on until it is stopped")
        return text

    @field_validator("missed_within")
    @classmethod
    def _is_a_duration(cls, text: str) -> str:
        _seconds(text)
        return text

    @field_validator("at")
    @classmethod
    def _is_an_instant(cls, text: str) -> str:
        if text:
            try:
                offset = dt.datetime.fromisoformat(text).utcoffset()
            except ValueError as exc:
                raise ValueError(f"{text!r} is no time such as 2026-02-01T22:00:00+01:00") from exc
            if offset is None:
                raise ValueError(f"{text!r} says no offset: write 2026-02-01T22:00:00+01:00, or Z for UTC")
        return text

    @model_validator(mode="after")
    def _fits_together(self) -> PlanConfig:
        if self.cron and self.at:
            raise ValueError("cron or at, not both")
        if self.cron and len(self.cron.split()) != CRON_FIELDS:
            raise ValueError(f"cron: {self.cron!r} must have five fields: minute hour day month weekday")
        devices = set(self.devices)
        if len(devices) != len(self.devices):
            raise ValueError("devices: each once")
        named = [a.device for a in self.accept] + ([self.stop.device] if self.stop and self.stop.device else [])
        for name in named:
            if name not in devices:
                raise ValueError(f"accept and stop can only be about devices of the plan, not {name!r}")
        return self


def recorded_plan(text: str, name: str) -> PlanConfig | None:
    """The plan of that name in a configuration as a run recorded it; None where there was none. A number in quotes, which earlier versions
    took, is taken here.

    Raises:
        ConfigError: it was there and cannot be read by this version.
    """
    found = next((plan for plan in read_toml(text, "as recorded").get("plan", []) if plan.get("name") == name), None)
    try:
        return None if found is None else PlanConfig.model_validate(found, strict=False)
    except ValidationError as exc:
        raise ConfigError(f"plan {name}: {explain(exc, PlanConfig, found)}", where="as recorded") from exc
