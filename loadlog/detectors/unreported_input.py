"""`input_switched` of a load that reports neither input nor set-point: inferred from a current that begins to flow.

Physical cause: a hand on the input key, another program on the bus, a tester of batteries that goes to its next phase. A load that reports
its input is `operated`'s; that a current stops is `trips`', which names the hand among the causes.
Rule: hardly any current (a quarter of what counts as one, half where its noise is known) for `REST_S` and `REST_POLLS` polls at a voltage
that is there, then a current in `READINGS` readings in a row, at most `BETWEEN` after the last without. What a current is says
`rest_current`. The voltage must answer against it by `SIGNIFICANT` deviations of its own noise (widened by Student's t), as behind any
source: fall, or rise where the current is negative, as an instrument that charges too shows it. Where the load tells a mode other than CV
it is enough that it does not move the other way. No order of ours from `ORDER_SETTLE_S` before the last reading without current on, nor one
to switch the input on since the rest began.
That the current flows again after a stop that `trips` told is told there: nothing is told here then (``Context.stop_told``).
Confusions, named with probabilities, which are judgements: a set-point turned up from nothing; with remote sense, a power lead that is
connected while the sense leads hang on the source already. Told apart: a source that is switched on or turned up under a load, and one that
rises above the level of a load in CV (the voltage was not there, or rises); a load that starts by itself once its source is there
(`REST_S`, also from a rise by `TURNED_UP` on, and a voltage on its way is one of large deviation); a spike (one reading).
Limits: a load that tells that it is in CV is not judged, nor one of unknown mode on a source so stiff that its voltage does not answer, nor
an instrument that shows a charge as a current without its sign.
Expected false alarms: as above, in noise that need not be white: both readings are counted as one. Onset: from the last reading without
current to the first with it. Units: A, V.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from loadlog.detectors.base import NOTHING, ORDER_SETTLE_S, Context, Stateless, Watched, end_ns, least_shown, onset_since
from loadlog.detectors.rest_current import RestCurrent
from loadlog.detectors.statistics import student_quantile
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Finding, Severity
from loadlog.model.sample import Sample, Stamp

FALSE_ALARMS_PER_1000_H = 0.1
REST_S, REST_POLLS = 5.0, 3
READINGS = 2
BETWEEN = 1  # readings that are neither: an instrument that averages shows half of a step, and validation doubts the first
TRACK = 0.1  # weight of a new reading in the voltage at rest
SIGNIFICANT = 3.5
TURNED_UP = 1.1
COLLAPSED = 0.7
LONGEST_GAP_PERIODS = 30.0
KEY, LEAD = 0.75, 0.1


@dataclass(slots=True)
class _Rest:
    """No current, ``since_ns``. ``voltage_v``, ``square``: mean and mean square deviation of the voltage; ``last``: without current;
    ``is_told``: that it stopped; then ``readings`` with current, ``first`` the first of them, and the sums of what they show."""

    watched: Watched
    since_ns: int
    voltage_v: float
    last: Stamp
    is_told: bool = False
    square: float = 0.0
    polls: int = 0
    between: int = 0
    readings: int = 0
    first: Sample | None = None
    sum_v: float = 0.0
    sum_a: float = 0.0


class UnreportedInput(Stateless):
    """One load without channels of its input and its set-point."""

    KINDS: ClassVar[tuple[str, ...]] = ("input_switched",)

    __slots__ = ("_device", "_least_a", "_least_v", "_none", "_rest", "_rounding")

    def __init__(self, device: DeviceSpec) -> None:
        voltage, current = device.channel("voltage_v"), device.channel("current_a")
        assert voltage is not None  # `applies` says so
        assert current is not None
        self._device = device
        self._none = RestCurrent(current, FALSE_ALARMS_PER_1000_H, device.period_s)
        self._least_v, self._least_a = least_shown(voltage), self._none.shown_a
        self._rounding = voltage.resolution**2 / 12.0  # variance
        self._rest: _Rest | None = None

    @staticmethod
    def applies(device: DeviceSpec) -> bool:
        """See the class."""
        names = {c.name for c in device.channels}
        return device.role == "load" and {"voltage_v", "current_a"} <= names and not {"input_on", "setpoint"} & names

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        rest = self._rest
        v, signed_a = context.measured(sample)
        if rest is None and (signed_a is None or not -self._least_a < signed_a < self._least_a):
            return NOTHING  # the usual case: a load that is on
        if sample.failure is not None:
            return NOTHING
        if v is None or signed_a is None or "possible_spike" in (sample.uncertain.get("voltage_v"), sample.uncertain.get("current_a")):
            if rest is not None and "voltage_v" not in sample.held and "current_a" not in sample.held:
                rest.between += 1
            return NOTHING
        if v < self._least_v or (rest is not None and v < COLLAPSED * rest.voltage_v) or context.mode(sample) == "cv":
            self._rest = None
            return NOTHING
        i = abs(signed_a)
        is_none = i <= 0.25 * self._least_a
        least_a = self._least_a if is_none else self._none.least_a
        if rest is not None and i >= least_a:
            return self._flows(rest, sample, v, signed_a, context)
        self._none.learn(signed_a)
        if is_none or (self._none.is_known and i <= 0.5 * least_a):
            self._rests(sample, v, context)
        elif rest is not None:
            rest.between += 1
            rest.readings, rest.first = 0, None
        return NOTHING

    def _rests(self, sample: Sample, v: float, context: Context) -> None:
        now_ns, rest = sample.stamp.t_utc_ns, self._rest
        if rest is None or v > TURNED_UP * rest.voltage_v:
            rest = self._rest = _Rest(Watched(LONGEST_GAP_PERIODS * self._device.period_s), now_ns, v, sample.stamp)
            rest.watched.start(now_ns)
        rest.watched.tick(now_ns)
        rest.is_told = context.stop_told
        rest.polls += 1
        weight, away = max(1.0 / rest.polls, TRACK), v - rest.voltage_v
        rest.voltage_v += weight * away
        rest.square += weight * (away * away - rest.square)
        rest.between = rest.readings = 0
        rest.last, rest.first = sample.stamp, None

    def _flows(self, rest: _Rest, sample: Sample, v: float, i: float, context: Context) -> Sequence[Finding]:
        if rest.first is None or rest.sum_a * i < 0.0:
            rest.first, rest.readings, rest.sum_v, rest.sum_a = sample, 0, 0.0, 0.0
        rest.readings += 1
        rest.sum_v += v
        rest.sum_a += i
        if rest.readings < READINGS:
            return NOTHING
        self._rest = None
        if rest.is_told or rest.between > BETWEEN or rest.polls < REST_POLLS or rest.watched.seconds < REST_S:
            return NOTHING
        v, i = rest.sum_v / rest.readings, rest.sum_a / rest.readings
        if not self._answers(rest, v, i, context.mode(sample)) or _is_explained(context, rest, rest.first):
            return NOTHING
        return (self._finding(rest, rest.first, v, i),)

    def _answers(self, rest: _Rest, v: float, i: float, mode: str | None) -> bool:
        """The voltage moves against the current, or does not move with it where that is enough."""
        variance = max(rest.square, self._rounding)
        against = (rest.voltage_v - v) * math.copysign(1.0, i)
        deviations = against / math.sqrt(variance * (1.0 / READINGS + TRACK / (2.0 - TRACK)))
        if mode is not None:
            return deviations > -SIGNIFICANT
        return deviations >= student_quantile(SIGNIFICANT, min(rest.polls, 2.0 / TRACK))

    def _finding(self, rest: _Rest, first: Sample, v: float, i: float) -> Finding:
        others = {"lead_connected": LEAD} if self._device.sense == "remote" else {}
        others["setpoint_changed"] = round(1.0 - KEY - math.fsum(others.values()), 4)
        text = (
            f"{self._device.name}: input switched on without an order of ours, inferred from the current (nothing to {i:.4g} A); the "
            "instrument does not report its input"
        )
        evidence = {
            "to": "on", "current_a": round(i, 6), "voltage_before_v": round(rest.voltage_v, 6), "voltage_v": round(v, 6), "inferred": True,
            "would_decide": "a load that reports its input and its set-point",
        }  # fmt: skip
        return Finding(
            "input_switched", self._device.name, Severity.WARNING, onset_since(rest.last, first), text, momentary=True, confidence=KEY,
            alternatives=others, evidence=evidence,
        )  # fmt: skip


def _is_explained(context: Context, rest: _Rest, first: Sample) -> bool:
    """An order of ours may have let it flow: one that takes effect then, or one to switch on that took its time. Where the clock stepped
    back between, nobody knows."""
    since_ns, until_ns = rest.last.t_utc_ns - rest.last.half_width_ns - int(ORDER_SETTLE_S * 1e9), end_ns(first)
    if until_ns < rest.last.t_utc_ns:
        return True
    switched_ns = min(rest.since_ns, since_ns)
    return any(
        (since_ns if order.channel != "input_on" or not order.value else switched_ns) <= order.t_utc_ns <= until_ns
        for order in context.orders
    )
