"""The faults that a timetable may name: what each does, to what, with which parameters. Pure data and its checks.

A fault *begins*, and *ends* after ``for_s`` where it has a duration. Physical faults act on the bench (bench_faults.py); wire faults act on
replies (wire_faults.py) of one instrument, or of a whole line when the target is a line.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loadlog.config import nearest
from loadlog.model.errors import ConfigError


@dataclass(frozen=True, slots=True)
class Param:
    """A parameter: number between ``low`` and ``high``, or one of ``choices``. ``default`` None: it must be given."""

    default: float | str | None
    low: float = 0.0
    high: float = 1e9
    choices: tuple[str, ...] = ()
    optional: bool = False


@dataclass(frozen=True, slots=True)
class FaultKind:
    """``target``: ``load``, ``supply``, ``battery``, ``thermocouples``, ``bench``, ``wire`` (an instrument or a line) or ``line``.
    ``lasts``: takes ``for_s``; without it the fault stays."""

    name: str
    target: str
    what: str
    params: Mapping[str, Param] = field(default_factory=dict)
    lasts: bool = True
    on_wire: bool = False


_FORMS = ("latch_off", "hiccup", "foldback", "current_limit", "thermal_cycling", "dropout")
_SHARE = {"share": Param(1.0, 0.0, 1.0)}


def _of_loads() -> list[FaultKind]:
    return [
        FaultKind("sense_lead_off", "load", "a sense lead falls off; the load measures at its own terminals and says nothing"),
        FaultKind("power_lead_off", "load", "a power lead is off; no current flows"),
        FaultKind(
            "knob",
            "load",
            "a hand turns the knob, or changes the mode with it",
            {"setpoint": Param(None, 0.0, 1e4), "mode": Param(None, choices=("CC", "CV", "CP", "CR"), optional=True)},
            lasts=False,
        ),
        FaultKind("input_off_by_hand", "load", "a hand presses the input key; at the end it is pressed again"),
        FaultKind("input_on_by_hand", "load", "a hand switches the input on, clearing latched protections", lasts=False),
        FaultKind(
            "load_trip",
            "load",
            "a protection of the load trips",
            {"protection": Param("over_current", choices=("over_voltage", "over_current", "over_power", "over_temperature"))},
            lasts=False,
        ),
        FaultKind("reverse_polarity", "load", "the power leads are swapped"),
        FaultKind("fan_stop", "load", "the fan of the heatsink stops"),
        FaultKind("regulation_error", "load", "the load regulates to another level than is set", {"share": Param(0.05, -0.9, 10.0)}),
        FaultKind(
            "cooling_blocked",
            "load",
            "dust or a worn fan: the heatsink gives its heat off worse",
            {"factor": Param(1.5, 1.0, 10.0), "over_s": Param(0.0)},
        ),
        FaultKind(
            "contact_resistance", "load", "a contact of the power path grows worse", {"ohm": Param(0.01, 0.0, 100.0), "over_s": Param(0.0)}
        ),
    ]


def _of_sources_and_sensors() -> list[FaultKind]:
    return [
        FaultKind(
            "supply_trip",
            "supply",
            "the supply fails in one of the forms of the trade",
            {
                "form": Param("latch_off", choices=_FORMS),
                "limit_a": Param(None, 0.01, 1e3, optional=True),
                "off_s": Param(None, 0.01, 1e5, optional=True),
                "on_s": Param(None, 0.01, 1e5, optional=True),
            },
        ),
        FaultKind("supply_droop", "supply", "the supply's voltage sags", {"volts": Param(None, 0.0, 1e3), "over_s": Param(0.0)}),
        FaultKind("supply_drift", "supply", "the supply's voltage drifts", {"volts_per_h": Param(None, -1e3, 1e3)}),
        FaultKind("supply_noise", "supply", "the supply's slow noise grows", {"volts": Param(None, 0.0, 10.0)}),
        FaultKind("supply_hot", "supply", "the supply reaches its thermal shutdown", lasts=False),
        FaultKind("battery_renew", "battery", "another pack is connected", {"soc": Param(0.95, 0.0, 1.0)}, lasts=False),
        FaultKind("thermocouple_open", "thermocouples", "a thermocouple breaks", {"channel": Param(None, 1, 4)}),
        FaultKind("ambient", "bench", "the room's temperature changes", {"celsius": Param(None, -40.0, 85.0)}),
    ]


def _wire() -> list[FaultKind]:
    def wire(name: str, what: str, target: str = "wire", **params: Param) -> FaultKind:
        share = _SHARE if target == "wire" else {}
        return FaultKind(name, target, what, {**share, **params}, on_wire=True)

    return [
        wire("silent_unit", "no answer"),
        wire("late_reply", "the answer comes late", delay_s=Param(0.5, 0.0, 3600.0)),
        wire("corrupt_reply", "bits of the answer flip on the wire", bits=Param(1.0, 1, 16)),
        wire("truncated_reply", "the answer breaks off", keep=Param(3.0, 0, 255)),
        wire("dropped_byte", "one byte of the answer is lost"),
        wire("foreign_unit", "the answer carries another unit's number", unit=Param(99.0, 0, 255)),
        wire("wrong_register", "the answer is that of other registers, as many", offset=Param(2.0, -65535, 65535)),
        wire("wrong_function", "the answer carries another function code"),
        wire("too_few_registers", "the answer holds one register less, correct in itself"),
        wire("too_many_registers", "the answer holds one register more, correct in itself"),
        wire("previous_reply", "the answer to the request before is sent once more"),
        wire("duplicate_reply", "the answer comes twice"),
        wire("exception_reply", "the answer is an exception", code=Param(4.0, 1, 255)),
        wire("garbage_before", "noise stands before the answer", count=Param(3.0, 1, 64)),
        wire("garbage_after", "noise follows the answer", count=Param(3.0, 1, 64)),
        wire("foreign_transaction", "the answer over TCP carries another transaction number"),
        wire("echo", "the adapter hears its own characters", target="line"),
        wire("adapter_unplugged", "the adapter (or the network cable) is gone", target="line"),
    ]


FAULTS: Mapping[str, FaultKind] = {kind.name: kind for kind in (*_of_loads(), *_of_sources_and_sensors(), *_wire())}


def check_params(kind: FaultKind, given: Mapping[str, Any], where: str) -> dict[str, float | str]:
    """The parameters of a fault with defaults filled in.

    Raises:
        ConfigError: unknown key (nearest named), missing, out of range, not a choice.
    """
    for key in given:
        if key not in kind.params:
            known = ", ".join(sorted(kind.params)) or "none"
            raise ConfigError(f"fault {kind.name}: unknown key {key!r}{nearest(key, kind.params)}; it takes {known}", where=where)
    out: dict[str, float | str] = {}
    for name, param in kind.params.items():
        value = given.get(name, param.default)
        if value is None:
            if param.optional:
                continue
            raise ConfigError(f"fault {kind.name}: {name} is missing", where=where)
        out[name] = _checked(kind, name, param, value, where)
    return out


def _checked(kind: FaultKind, name: str, param: Param, value: Any, where: str) -> float | str:
    if param.choices:
        if value not in param.choices:
            close = nearest(str(value), param.choices)
            raise ConfigError(f"fault {kind.name}: {name} = {value!r} is none of {', '.join(param.choices)}{close}", where=where)
        return str(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ConfigError(f"fault {kind.name}: {name} must be a number, not {value!r}", where=where)
    if not param.low <= value <= param.high:
        raise ConfigError(f"fault {kind.name}: {name} = {value:g} is outside {param.low:g} to {param.high:g}", where=where)
    return float(value)
