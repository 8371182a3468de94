"""`current_limit_entered`: the load asks for more than the source gives; the source leaves its regulation and holds its current instead.

Physical cause: a set-point above the source's current limit (or a limit that was set below it); the voltage then falls until the load finds
what the limit allows.
Rule for a load in CC or CP whose set-point is read: the regulated quantity (A, W) lies below its set-point by more than both could be apart
by accuracy and resolution, while the voltage has left its level of the last steady state under load by more than its accuracy's bound and
`LARGEST_SOURCE_OHM` times what the current rose, and the current stays at `CLAMPED` of what it was or more, for `POLLS` polls of everything
that decides and `HOLDS_S`; and in these it does not go on towards its set-point, as that of a load that slews does, or of an instrument
that shows means. A voltage below `COLLAPSED` of that level while the set-point has *not* risen, or with less current than before,
is the source's failure and left to `trips` (form ``current_limit``); after a rise it is this, whoever turned the knob, and however
little of the set-point is missed.
Rule for a supply that reports its mode: ``cv`` before, ``cc`` now, without an order of ours. Nothing is inferred then.
Cleared when the set-point is reached again, the input is off, or another mode holds.
Units: V, A, W. Confusions, and how they are told apart: a turned knob (the reading follows the set-point); a sense fallback (the current
keeps its set-point); a limit of the load itself (the voltage does not leave its level); foldback and collapse (the current does not stay);
CR regulates neither, so it shows nothing; in CV the load holds the voltage, and `sense` weighs the current that fell.
Expected false alarms: none at rest: two bounds of the specification must be exceeded at once.
Onset: from the last poll in regulation to the first outside. Source: trade practice of bench supplies (CV/CC crossover), no clause.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from loadlog.detectors.asked import GIVEN
from loadlog.detectors.base import NOTHING, ORDER_SETTLE_S, Context, Stateless, begin_ns, end_ns, finite, onset_between, usable
from loadlog.detectors.shared_source import current_left, drawn_by_others
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.quantity import REGULATED
from loadlog.model.sample import Sample

COLLAPSED, CLAMPED = 0.7, 0.4
LARGEST_SOURCE_OHM = 0.5
POLLS, HOLDS_S = 3, 0.5
GOES_ON_SHARE, GOES_ON_COUNTS = 0.05, 2.0  # of what is missing: more, and it is on its way
TRACK = 0.2
_LIMITED = ("cc", "cp")  # modes in which the set-point may be more than the source gives


@dataclass(slots=True)
class _Steady:
    """In regulation: levels, set-point, and the last sample of it."""

    voltage_v: float
    current_a: float
    setpoint: float
    last: Sample


class CurrentLimit(Stateless):
    """One load whose set-point is read, or one supply that reports its mode."""

    KINDS: ClassVar[tuple[str, ...]] = ("current_limit_entered",)

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._voltage = device.channel("voltage_v")
        self._setpoint_spec = device.channel("setpoint")
        self._specs = {mode: device.channel(name) for mode, name in REGULATED.items() if mode in _LIMITED}
        current = device.channel("current_a")
        self._least_a = 20.0 * current.resolution if current else 0.0
        self._tolerated: tuple[ChannelSpec | None, float, float] = (None, 0.0, 0.0)  # the last one asked for: of what, at what, how much
        self._steady: _Steady | None = None
        self._first: Sample | None = None
        self._polls = 0
        self._holds_at, self._holds_ns = 0.0, 0  # what was missing when it began to hold, and when that was
        self._fresh = False  # the set-point was read since the first departure
        self._active = False
        self._mode: tuple[str, Sample] | None = None

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """See the class."""
        names = {c.name for c in device.channels}
        if device.role == "supply":
            return "mode" in names
        return device.role == "load" and {"voltage_v", "current_a", "setpoint", "mode"} <= names

    def restore(self, event: Event) -> None:
        """The source was in its limit when the service stopped. One that a load in CV saw is `sense`'s."""
        self._active = "step_a" not in event.evidence

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None:
            return NOTHING
        return self._supply(sample, context) if self._device.role == "supply" else self._load(sample, context)

    # -- a supply says so itself

    def _supply(self, sample: Sample, context: Context) -> Sequence[Finding]:
        mode = None if "mode" in sample.held else context.mode(sample)
        if mode is None:
            return NOTHING
        before, self._mode = self._mode, (mode, sample)
        if self._active and mode != "cc":
            return self._clear(sample, "the supply regulates its voltage again")
        if before is None or before[0] != "cv" or mode != "cc" or self._active:
            return NOTHING
        since = begin_ns(before[1]) - int(ORDER_SETTLE_S * 1e9)
        if any(context.ordered(channel, since, end_ns(sample)) for channel in ("mode", "setpoint")):
            return NOTHING
        v, i = (finite(sample.values.get(channel)) for channel in ("voltage_v", "current_a"))
        evidence = {"reported": "cc", "voltage_v": v, "current_a": i}
        text = f"{self._device.name}: the supply reports that it limits its current"
        return self._raise(onset_between(before[1], sample), text, 1.0, evidence)

    # -- a load sees it

    def _load(self, sample: Sample, context: Context) -> Sequence[Finding]:
        spec = self._specs.get(context.mode(sample) or "")
        v, i = context.measured(sample)
        setpoint = finite(sample.values.get("setpoint"))
        if spec is None or sample.status.get("input_on", 1) == 0 or (i is not None and abs(i) < self._least_a):
            self._steady = self._first = None
            return self._clear(sample, "the load no longer asks for it") if self._active else NOTHING
        reading = i if spec.name == "current_a" else usable(sample, spec.name, spikes=True)
        if v is None or i is None or reading is None or setpoint is None:
            return NOTHING
        tolerance = self._tolerance(setpoint, spec)
        if abs(setpoint - abs(reading)) <= tolerance and not self._is_pulled_down(sample, v, setpoint):
            self._first = None
            self._track(sample, v, abs(i), setpoint)
            return self._clear(sample, "the set-point is reached again") if self._active else NOTHING
        if self._active:
            return NOTHING
        missing, least = setpoint - abs(reading), GOES_ON_COUNTS * spec.resolution
        is_read_now = self._holds_at < 0.0 < missing  # before, it was an old set-point that was exceeded
        if self._first is None or is_read_now or self._holds_at - missing > max(GOES_ON_SHARE * self._holds_at, least):
            self._holds_at, self._holds_ns, self._polls = missing, sample.stamp.t_utc_ns, 0
        return self._short(sample, v, abs(i), setpoint, missing < -tolerance, context)

    def _is_pulled_down(self, sample: Sample, v: float, setpoint: float) -> bool:
        """A set-point that rose little beyond the limit is missed by less than the accuracy: then the voltage shows it."""
        steady = self._steady
        if steady is None or v >= COLLAPSED * steady.voltage_v:
            return False
        return setpoint > steady.setpoint or "setpoint" in sample.held

    def _tolerance(self, setpoint: float, spec: ChannelSpec) -> float:
        """How far reading and set-point may be apart in regulation."""
        of, at, tolerance = self._tolerated
        if of is not spec or at != setpoint:
            bound = spec.accuracy.half_width(setpoint) if spec.accuracy else 0.0
            own = self._setpoint_spec.resolution if self._setpoint_spec else 0.0
            tolerance = 2.0 * bound + spec.resolution + own
            self._tolerated = (spec, setpoint, tolerance)
        return tolerance

    def _track(self, sample: Sample, v: float, i: float, setpoint: float) -> None:
        steady = self._steady
        if steady is None:
            self._steady = _Steady(v, i, setpoint, sample)
            return
        weight = 1.0 if setpoint != steady.setpoint else TRACK
        steady.voltage_v += weight * (v - steady.voltage_v)
        steady.current_a += weight * (i - steady.current_a)
        steady.setpoint, steady.last = setpoint, sample

    def _short(self, sample: Sample, v: float, i: float, setpoint: float, is_old: bool, context: Context) -> Sequence[Finding]:
        """The set-point is not reached: is the source in its limit? ``is_old``: it is exceeded, so another one holds, not read yet."""
        steady = self._steady
        if steady is None:
            return NOTHING
        bound = self._voltage.accuracy.half_width(steady.voltage_v) if self._voltage and self._voltage.accuracy else 0.0
        fell = steady.voltage_v - v > 2.0 * bound + LARGEST_SOURCE_OHM * max(i - steady.current_a, 0.0)
        if not fell or i < CLAMPED * steady.current_a:
            self._first = None
            return NOTHING
        if self._first is None:
            self._first, self._fresh = sample, False
        self._polls += 1
        self._fresh = self._fresh or "setpoint" not in sample.held
        is_brief = self._polls < POLLS or 0 <= sample.stamp.t_utc_ns - self._holds_ns < HOLDS_S * 1e9
        if is_brief or not self._fresh or is_old:
            return NOTHING
        rose = setpoint > steady.setpoint
        others_a = drawn_by_others(context, begin_ns(steady.last))
        left = current_left(context, others_a, end_ns(self._first), i, steady.current_a)
        if v < COLLAPSED * steady.voltage_v and not (rose and left >= GIVEN):
            return NOTHING
        evidence: dict[str, Any] = {
            "voltage_before_v": round(steady.voltage_v, 6), "voltage_v": round(v, 6), "current_a": round(i, 6), "setpoint": setpoint,
            "setpoint_before": steady.setpoint, "limit_a": round(i, 4),
        }  # fmt: skip
        why = "after the set-point rose" if rose else "at an unchanged set-point"
        text = f"{self._device.name}: the source limits its current at {i:.4g} A {why} ({setpoint:g}), voltage {v:.4g} V"
        return self._raise(onset_between(steady.last, self._first), text, 0.95 if rose else 0.85, evidence)

    def _raise(self, onset: Onset, text: str, confidence: float, evidence: dict[str, Any]) -> Sequence[Finding]:
        self._active, self._first = True, None
        others = {"supply_trip": round(1.0 - confidence, 4)} if confidence < 1.0 else {}
        return (
            Finding(
                "current_limit_entered", self._device.name, Severity.WARNING, onset, text, confidence=confidence, alternatives=others,
                evidence=evidence,
            ),
        )  # fmt: skip

    def _clear(self, sample: Sample, why: str) -> Sequence[Finding]:
        self._active = False
        onset = Onset(begin_ns(sample), end_ns(sample))
        text = f"{self._device.name}: {why}"
        return (
            Finding("current_limit_entered", self._device.name, Severity.WARNING, onset, text, clear=True, evidence={"ended": why}),
        )  # fmt: skip
