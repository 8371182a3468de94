"""One source, any number of loads on it: who draws how much at which voltage, solved at one instant. Pure algebra, no memory.

A source is a Thevenin equivalent (``emf_v`` behind ``ohm``) with an optional current limit that may depend on the terminal voltage
(foldback). A branch is a power path in series with a load that regulates current, voltage, power or resistance *as it measures it*: at the
source's terminals while remote sense is wired and connected, at its own terminals otherwise. A load cannot conduct better than its
saturation resistance ``min_ohm``; below the knee it is a plain resistor, whatever its mode.

With constant power the equations have two solutions; a real bench starts from the open-circuit voltage and stays on the upper one, and
falls to saturation when there is none. In the current limit the source is a current source: the lowest crossing is the stable one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

REGULATOR_OHM = 1e-5  # finite gain of a remote-sensing CV loop; 0.4 mV at 40 A, below one count
_TOLERANCE_V = 1e-10


class Mode(StrEnum):
    """What a load regulates."""

    CC = "CC"
    CV = "CV"
    CP = "CP"
    CR = "CR"


@dataclass(frozen=True, slots=True)
class Branch:
    """``level``: A, V, W or Ω by mode. ``path_ohm``: leads and contacts. ``remote``: regulates at the source's terminals. ``conducts``:
    False with the input off or a power lead off."""

    mode: Mode
    level: float
    path_ohm: float
    remote: bool
    conducts: bool = True
    min_ohm: float = 0.02


@dataclass(frozen=True, slots=True)
class SourceLine:
    """``limit_a``: greatest current at a terminal voltage, None without limit."""

    emf_v: float
    ohm: float
    limit_a: Callable[[float], float] | None = None


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """``terminal_v``: at the source. ``currents_a``: per branch. ``limited``: the source is in its current limit."""

    terminal_v: float
    currents_a: tuple[float, ...]
    limited: bool

    @property
    def current_a(self) -> float:
        """What the source delivers."""
        return sum(self.currents_a)


def branch_current(branch: Branch, terminal_v: float) -> float:
    """Current of one branch when its source holds ``terminal_v``."""
    if not branch.conducts or terminal_v <= 0.0:
        return 0.0
    saturated = terminal_v / (branch.path_ohm + branch.min_ohm)
    return min(saturated, max(0.0, _regulated(branch, terminal_v)))


def _regulated(branch: Branch, v: float) -> float:
    path = 0.0 if branch.remote else branch.path_ohm
    if branch.mode is Mode.CC:
        return branch.level
    if branch.mode is Mode.CR:
        return v / (branch.level + path) if branch.level + path > 0.0 else math.inf
    if branch.mode is Mode.CV:
        return (v - branch.level) / max(path, REGULATOR_OHM)
    if path == 0.0:
        return branch.level / v
    discriminant = v * v - 4.0 * path * branch.level
    return math.inf if discriminant < 0.0 else 2.0 * branch.level / (v + math.sqrt(discriminant))


def solve(source: SourceLine, branches: Sequence[Branch], was_limited: bool = False) -> OperatingPoint:
    """The operating point. ``was_limited``: the source is in its limit now; it leaves it only when the low crossing is gone, which is how a
    foldback supply locks up under a constant-current load."""
    if source.emf_v <= 0.0:
        return OperatingPoint(0.0, (0.0,) * len(branches), False)
    free_v = _unlimited(source, branches)
    if source.limit_a is None:
        return _point(free_v, branches, False)
    if not was_limited and _total(branches, free_v) <= source.limit_a(free_v):
        return _point(free_v, branches, False)
    low_v = _lowest_crossing(source.limit_a, branches, free_v)
    return _point(free_v, branches, False) if low_v is None else _point(low_v, branches, True)


def _point(terminal_v: float, branches: Sequence[Branch], limited: bool) -> OperatingPoint:
    return OperatingPoint(terminal_v, tuple(branch_current(b, terminal_v) for b in branches), limited)


def _total(branches: Sequence[Branch], v: float) -> float:
    return sum(branch_current(b, v) for b in branches)


def _unlimited(source: SourceLine, branches: Sequence[Branch]) -> float:
    """Highest terminal voltage at which source and branches agree: Newton from the open-circuit side, where the difference is convex,
    else bisection."""

    def excess(v: float) -> float:
        return v - source.emf_v + source.ohm * _total(branches, v)

    v = source.emf_v
    for _ in range(40):
        over = excess(v)
        if abs(over) < _TOLERANCE_V:
            return v
        h = 1e-7 * v
        slope = (over - excess(v - h)) / h
        if slope <= 1e-9 or v - over / slope <= 0.0:
            break
        v -= over / slope
    return _bisect(excess, 0.0, source.emf_v)


def _bisect(function: Callable[[float], float], low: float, high: float) -> float:
    """A root of ``function`` (negative at ``low``, not negative at ``high``)."""
    for _ in range(60):
        middle = 0.5 * (low + high)
        if function(middle) < 0.0:
            low = middle
        else:
            high = middle
    return high


def _lowest_crossing(limit_a: Callable[[float], float], branches: Sequence[Branch], free_v: float, parts: int = 48) -> float | None:
    """Lowest terminal voltage at which the branches want what the limit allows, or None when they never do."""

    def excess(v: float) -> float:
        return _total(branches, v) - limit_a(v)

    low = 0.0
    for k in range(1, parts + 1):
        high = free_v * k / parts
        if excess(high) > 0.0:
            return _bisect(excess, low, high)
        low = high
    return None
