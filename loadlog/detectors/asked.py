"""What a set-point asks of a load: nothing, more than it draws, or what it draws already.

The cause is a hand or an order. An order, or a set-point that is read to be another one, explains what it asks for and no more: to nothing,
that the current stops; to more than was drawn, that a source limits its current, at no less than it gave before. One that was reached
before something happened explains nothing of it. Units: A, V; set-points in the mode's unit. Source: definition of the modes.
"""

from __future__ import annotations

from dataclasses import dataclass

from loadlog.detectors.base import Order
from loadlog.model.sample import Sample

NOTHING_ASKED = 0.3  # of the current before: a set-point below it explains that the current is gone
MORE_ASKED = 1.02  # the same: one above it has not been reached
FULL = 0.9  # the same: less is no level of it any more
FULL_S = 5.0
TRACK = 0.2  # weight of a new sample in voltage and current: about five polls
GIVEN = 0.9  # of the current before: a source that gives less at a lower voltage does so of itself, whatever it is asked for


@dataclass(slots=True)
class Steady:
    """The last steady state under load. ``last_a``: drawn last, where the tracked ``current_a`` lags. ``skipped``: samples since then that
    could not be used, ``was_low``: of which the last showed the voltage gone; ``ahead``: those whose status already told the end of it.
    ``full``: the last that showed about all of the current, where it has been falling since; None: ``last``. All of it is ``full_a``, which
    lags by some seconds at any poll rate: a load may slew for so long, and instruments show means of seconds. ``asked``: the set-point, and
    the one before it."""

    voltage_v: float
    current_a: float
    last: Sample
    mode: str | None
    last_a: float
    polls: int = 1
    skipped: int = 0
    was_low: bool = False
    full: Sample | None = None
    ahead: int = 0
    full_a: float = 0.0
    asked: tuple[float | None, float | None] = (None, None)

    def __post_init__(self) -> None:
        """It begins with what it has."""
        self.full_a = self.current_a
        self.asked = self.last.values.get("setpoint"), None

    def ends_by_status(self, sample: Sample) -> bool:
        """The input is off, or a protection has come, since the last sample of this state."""
        status, before = sample.status, self.last.status
        if status == before:  # as nearly always
            return False
        return status.get("input_on", 1) == 0 or bool(status.get("protection", 0) & ~before.get("protection", 0))

    def take(self, sample: Sample, voltage_v: float, current_a: float) -> None:
        """Another sample of this state."""
        if current_a >= FULL * self.full_a:
            self.full = None
        elif self.full is None:
            self.full = self.last
        elapsed_s = (sample.stamp.t_utc_ns - self.last.stamp.t_utc_ns) / 1e9
        self.full_a += (min(TRACK, elapsed_s / FULL_S) if elapsed_s > 0.0 else TRACK) * (current_a - self.full_a)
        self.voltage_v += TRACK * (voltage_v - self.voltage_v)
        self.current_a += TRACK * (current_a - self.current_a)
        self.polls += 1
        if (setpoint := sample.values.get("setpoint")) != self.asked[0]:
            self.asked = setpoint, self.asked[0]
        self.last, self.last_a, self.skipped, self.ahead, self.was_low = sample, current_a, 0, 0, False

    @property
    def setpoint(self) -> float | None:
        """What was asked for while the current flowed: a report of another one may be ahead of readings that are renewed more slowly."""
        now, before = self.asked
        is_ahead = now is not None and before is not None and asks_for_nothing(self.mode, now, self.voltage_v, self.last_a)
        return before if is_ahead else now


def wanted_a(mode: str | None, setpoint: float, voltage_v: float, current_a: float) -> float | None:
    """Current that a load draws at that set-point, from a source that holds ``voltage_v``; None where nobody knows: a mode that is not
    told, or a lower voltage than it had at ``current_a``. In a mode that is not told, a set-point that is drawn already is a current."""
    if mode is None and current_a <= setpoint * MORE_ASKED and setpoint <= current_a * MORE_ASKED:
        return setpoint
    if mode == "cc":
        return setpoint
    if mode == "cp":
        return setpoint / voltage_v
    if mode == "cr":
        return voltage_v / setpoint if setpoint > 0.0 else None
    if mode == "cv" and setpoint >= voltage_v:
        return current_a if setpoint == voltage_v else 0.0
    return None


def asks_for_nothing(mode: str | None, setpoint: float, voltage_v: float, current_a: float) -> bool:
    """Whether a load that had this voltage and current draws hardly any current at that set-point. True where the mode is not known."""
    wanted = wanted_a(mode, setpoint, voltage_v, current_a)
    return mode not in ("cv", "cr") if wanted is None else wanted < NOTHING_ASKED * current_a


def asks_for_more(mode: str | None, setpoint: float, voltage_v: float, current_a: float) -> bool:
    """Whether it draws more than it had. True where nobody knows."""
    wanted = wanted_a(mode, setpoint, voltage_v, current_a)
    return wanted is None or wanted > MORE_ASKED * current_a


def is_drawn(mode: str | None, setpoint: float, steady: Steady, current_a: float, bound_a: float) -> bool:
    """Whether a load in that mode that draws ``current_a``, known within ``bound_a``, does what the set-point asks of it."""
    wanted = wanted_a(mode, setpoint, steady.voltage_v, steady.last_a)
    return wanted is not None and abs(abs(current_a) - wanted) <= bound_a


def stops(order: Order, steady: Steady) -> bool:
    """What was ordered lets no current flow, or may do so."""
    if order.channel == "setpoint":
        return asks_for_nothing(steady.mode, order.value, steady.voltage_v, steady.last_a)
    return order.channel == "mode" or not order.value


def was_raised(steady: Steady, sample: Sample) -> bool:
    """The set-point was read and is another one, above what was drawn: a source that then limits its current has not failed
    (`current_limit`)."""
    setpoint, before = None if "setpoint" in sample.held else sample.values.get("setpoint"), steady.last.values.get("setpoint")
    if setpoint is None or before is None or setpoint == before:
        return False
    return asks_for_more(steady.mode, setpoint, steady.voltage_v, steady.last_a)


def overloads(order: Order, steady: Steady) -> bool:
    """What was ordered may be more than the source gives, or pull its voltage down; one that has been reached since does neither."""
    return order.channel != "setpoint" or asks_for_more(steady.mode, order.value, steady.voltage_v, steady.last_a)
