"""What should have been told: from the simulator's log (`Bench.truth`) and the instruments' faults to expected events.

Invariant: nothing here looks at what detectors said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from loadlog.sim.bench import Truth


@dataclass(frozen=True)
class Expected:
    """One event that should be told. ``kind``: its true cause. ``others``: kinds that also count as found, with the wrong cause.
    ``both``: causes that the measured quantities cannot tell apart, all of which are to be named. ``slow``: it grows, so its onset is no
    instant and its delay no count of samples. ``at_source``: all devices of the group may tell it. ``within_s``, ``within_samples``: found
    later than both, it is missed."""

    kind: str
    device: str
    t_s: float
    form: str = ""
    others: frozenset[str] = frozenset()
    both: frozenset[str] = frozenset()
    slow: bool = False
    at_source: bool = False
    within_s: float = 30.0
    within_samples: int = 60


STEPS = frozenset({"sense_fallback", "sense_restored", "current_limit_entered", "contact_heating", "setpoint_changed"})
STOPS = frozenset({"supply_trip", "load_trip", "open_circuit", "input_switched", "cutoff_reached", "current_limit_entered", "protection"})
SLOW = {
    "drift": frozenset({"contact_heating", "cooling_degraded"}),
    "contact_heating": frozenset({"drift", "sense_fallback"}),
    "cooling_degraded": frozenset({"drift", "over_temperature", "temperature_rising"}),
    "sharing_imbalance": frozenset({"drift", "setpoint_changed"}),
}
# fault of the simulator -> kind that tells it, at its begin and at its end
BEGINS: Mapping[str, str] = {
    "sense_lead_off": "sense_fallback", "power_lead_off": "open_circuit", "input_off_by_hand": "input_switched",
    "load_trip": "load_trip", "supply_trip": "supply_trip", "supply_drift": "drift", "supply_noise": "noise_changed",
    "fan_stop": "cooling_degraded", "cooling_blocked": "cooling_degraded", "contact_resistance": "contact_heating",
    "regulation_error": "sharing_imbalance",
}  # fmt: skip
# what the instrument does of itself, at the instant at which it did
ITSELF: Mapping[str, str] = {"reverse_polarity": "protection"}
ENDS: Mapping[str, str] = {"sense_lead_off": "sense_restored", "input_off_by_hand": "input_switched"}
# told beside it, rightly
COMPANIONS: Mapping[str, frozenset[str]] = {
    "sense_lead_off": frozenset({"sense_intermittent"}),
    "load_trip": frozenset({"protection"}),
    "reverse_polarity": frozenset({"load_trip", "input_switched", "open_circuit", "reading_implausible", "supply_trip", "limit"}),
    "fan_stop": frozenset({"over_temperature", "temperature_rising", "protection", "load_trip"}),
    "cooling_blocked": frozenset({"over_temperature", "temperature_rising"}),
    "knob": frozenset({"setpoint_changed", "mode_changed"}),
    "contact_resistance": frozenset({"drift"}),
    "supply_trip": frozenset({"current_limit_entered"}),
}


def begin_kind(entry: Truth) -> str:
    """Kind that tells the begin of a fault; empty when none does."""
    if entry.what == "knob":
        return "mode_changed" if "mode" in entry.params else "setpoint_changed"
    return BEGINS.get(entry.what, "")


def others_of(kind: str) -> frozenset[str]:
    """Kinds with which it can be confused."""
    if kind in STOPS:
        return STOPS - {kind}
    if kind in SLOW:
        return SLOW[kind]
    return STEPS - {kind} if kind in STEPS else frozenset()


def from_log(log: list[Truth], device: str, both: frozenset[str], within_s: float) -> list[Expected]:
    """Expected events of what befell ``device`` or its source."""
    out = []
    for entry in log:
        kinds = {"begin": begin_kind(entry), "end": ENDS.get(entry.what, ""), "itself": ITSELF.get(entry.what, "")}
        kind = kinds[entry.phase]  # other consequences of the physics are companions, see `consequences`
        if not kind:
            continue
        who = entry.target if entry.target.startswith("load-") else device
        out.append(
            Expected(
                kind, who, entry.t_ns / 1e9, str(entry.params.get("form", "")), others_of(kind),
                both if entry.phase == "begin" else frozenset(), kind in SLOW or kind == "noise_changed",
                not entry.target.startswith("load-"), within_s,
            )
        )  # fmt: skip
    return out


def consequences(log: list[Truth]) -> frozenset[str]:
    """Kinds that may stand beside: what goes with a fault, and protections that the physics made trip."""
    kinds: frozenset[str] = frozenset()
    for entry in log:
        kinds |= COMPANIONS.get(entry.what, frozenset())
        if entry.phase == "itself" and entry.what.startswith("over_"):
            kinds |= {"protection", "load_trip", "over_temperature", "input_switched"}
        if entry.phase == "itself" and entry.what in ("source_hot", "source_latched", "source_hiccup", "source_limited"):
            kinds |= {"supply_trip", "current_limit_entered"}
    return kinds
