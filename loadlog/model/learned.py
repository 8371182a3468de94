"""What a detector has learned of a device, one fact each: stored with the run, shown, and fixable in the configuration.

A fact is honest about its standing: *learning* (too little seen, nothing is judged by it yet), *learned* (with the standard uncertainty
that the data gave) or *fixed* (somebody wrote it into ``[device.fixed]``; nothing is learned then). Names end in their unit, like channels.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

NOISE = "noise_"  # + channel: deviation of one sample around its level, rounding included
CORRELATION = "correlation_"  # + channel + "_count": samples over which that noise is correlated
# What may be fixed beside the noise of a channel: name -> meaning.
FIXABLE: dict[str, str] = {
    "output_resistance_ohm": "of the source, seen by this device",
    "current_share": "of its group's current, 0 to 1",
    "thermal_resistance_k_per_w": "of the heatsink to the air around it",
    "thermal_time_constant_fast_s": "of what is next to the power stage",
    "thermal_time_constant_slow_s": "of the heatsink",
}


class Knowledge(StrEnum):
    """How much a fact is worth."""

    LEARNING = "learning"
    LEARNED = "learned"
    FIXED = "fixed"


@dataclass(frozen=True, slots=True)
class Learned:
    """One fact. ``value`` in ``unit`` with its standard ``uncertainty``, None when not known; ``n``: samples (or steps) it rests on;
    ``needed``: as many are needed before it is judged by, 0 when it only makes a judgement better. ``kinds``: the event kinds that wait
    for it, empty for all of its detector."""

    name: str
    unit: str
    value: float | None
    uncertainty: float | None
    n: int
    state: Knowledge
    needed: int = 0
    kinds: tuple[str, ...] = ()

    @property
    def waits(self) -> bool:
        """A detector is silent until more of it is known."""
        return self.state is Knowledge.LEARNING and self.needed > 0

    @property
    def rests_on(self) -> str:
        """For people: what it rests on as against what it needs."""
        if self.state is Knowledge.FIXED:
            return ""
        if self.state is Knowledge.LEARNED or not self.needed:
            return f"from {self.n}"
        return f"{self.n} of {self.needed}" if self.n < self.needed else f"from {self.n}, not settled yet"

    def to_json(self) -> dict[str, Any]:
        """Plain JSON; a number that is none is null."""
        return {
            "name": self.name, "unit": self.unit, "value": _finite(self.value), "uncertainty": _finite(self.uncertainty), "n": self.n,
            "state": str(self.state), "needed": self.needed,
        }  # fmt: skip

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Learned:
        """The inverse.

        Raises:
            KeyError, TypeError, ValueError: not written by `to_json`.
        """
        value, uncertainty = data["value"], data["uncertainty"]
        return cls(
            str(data["name"]), str(data["unit"]), None if value is None else float(value),
            None if uncertainty is None else float(uncertainty), int(data["n"]), Knowledge(data["state"]), int(data["needed"]),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Understanding:
    """What is known of a device at ``t_utc_ns``: facts by name, and the event kinds that still wait, each with what for."""

    t_utc_ns: int
    facts: tuple[Learned, ...]
    learning: Mapping[str, str]

    def to_json(self) -> dict[str, Any]:
        """Plain JSON."""
        return {"t_utc_ns": self.t_utc_ns, "facts": [f.to_json() for f in self.facts], "learning": dict(self.learning)}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Understanding:
        """The inverse; raises as `Learned.from_json`."""
        facts = tuple(Learned.from_json(f) for f in data["facts"])
        return cls(int(data["t_utc_ns"]), facts, {str(k): str(v) for k, v in data["learning"].items()})


def fact(
    name: str, unit: str, value: float | None, uncertainty: float | None = None, n: int = 0, needed: int = 0, kinds: tuple[str, ...] = ()
) -> Learned:
    """A fact that is learned when it has a value and ``n`` reaches ``needed``, else learning."""
    known = value is not None and math.isfinite(value) and n >= needed
    return Learned(name, unit, value, uncertainty, n, Knowledge.LEARNED if known else Knowledge.LEARNING, needed, kinds)


def fixed(name: str, unit: str, value: float) -> Learned:
    """A fact that the configuration gives."""
    return Learned(name, unit, value, None, 0, Knowledge.FIXED)


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None
