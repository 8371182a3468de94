"""Channels and their numbers: unit, scale, accuracy, standard uncertainty.

A channel's value is held as an integer count; the value in SI units is one correctly rounded division, so a value computed from a stored
count is bit for bit the value that the detectors saw live.

Accuracy ± (% of reading + counts) is a bound; its standard uncertainty is half-width/√3 (rectangular distribution, JCGM 100:2008
4.3.7); the resolution alone contributes 1/√12 of a count (F.2.2.1).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

# The last part of a channel's name is its unit.
UNIT_OF_SUFFIX = {
    "v": "V", "a": "A", "w": "W", "ohm": "Ω", "ah": "A·h", "wh": "W·h", "c": "°C", "rpm": "rpm", "s": "s", "hz": "Hz", "percent": "%",
    "k": "K", "v_per_s": "V/s", "mm": "mm", "pa": "Pa", "n": "N", "count": "",
}  # fmt: skip
STATUS_CHANNELS = ("input_on", "mode", "sense_remote", "protection")
SETPOINT_UNIT = {"cc": "A", "cv": "V", "cp": "W", "cr": "Ω"}
REGULATED = {"cc": "current_a", "cv": "voltage_v", "cp": "power_w", "cr": "resistance_ohm"}  # what a set-point sets, by mode
CHANNEL_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")


def unit_of(channel: str) -> str | None:
    """Unit by the name's suffix (``voltage_v`` -> ``V``); empty for ``setpoint`` (by mode) and status; None when the name has no unit."""
    if channel == "setpoint" or channel in STATUS_CHANNELS:
        return ""
    return UNIT_OF_SUFFIX.get(channel.rsplit("_", 1)[-1]) if "_" in channel else None


@dataclass(frozen=True, slots=True)
class Scale:
    """value = (count · num + off) / den, exactly rounded. Made from decimal texts, so 0.001 is a thousandth and nothing else."""

    num: int
    den: int
    off: int = 0

    @classmethod
    def of(cls, scale: Decimal | str | float, offset: Decimal | str | float = 0) -> Scale:
        """From the decimal notation of a profile; ``str`` of a float is what the user wrote."""
        factor, shift = Fraction(str(scale)), Fraction(str(offset))
        den = math.lcm(factor.denominator, shift.denominator)
        return cls(int(factor * den), den, int(shift * den))

    def value(self, count: int) -> float:
        """Reading in the channel's unit."""
        return (count * self.num + self.off) / self.den

    def count(self, value: float) -> int:
        """Nearest count of a finite reading (floating-point registers and SCPI numbers are held with this resolution)."""
        exact = (Fraction(value) * self.den - self.off) / self.num
        return round(exact)

    @property
    def step(self) -> float:
        """The size of one count in the channel's unit."""
        return abs(self.num / self.den)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """± (percent_of_reading % of the reading + absolute), in the channel's unit; absolute holds counts · resolution and any fixed part."""

    percent_of_reading: float
    absolute: float

    def half_width(self, value: float) -> float:
        """The bound of the specification at this reading, in the channel's unit."""
        return abs(value) * self.percent_of_reading / 100.0 + self.absolute


def product_bound(first: float, first_bound: float, second: float, second_bound: float) -> float:
    """How far the product of two readings can be from the true one, each being within its bound."""
    return abs(first) * second_bound + abs(second) * first_bound + first_bound * second_bound


def standard_uncertainty(value: float, accuracy: Accuracy | None, resolution: float) -> float:
    """Standard uncertainty of one reading in its unit: rectangular specification and rectangular resolution, in quadrature.

    The specification as published usually contains the resolution; adding 1/√12 of a count is then at most 4 % too much at one count.
    Without a specification only the resolution is known, and that is what is returned.
    """
    from_resolution = resolution / math.sqrt(12.0)
    if accuracy is None:
        return from_resolution
    return math.hypot(accuracy.half_width(value) / math.sqrt(3.0), from_resolution)
