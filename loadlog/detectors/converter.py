"""How large the steps of an instrument's converter are, as its readings tell.

Many instruments show more digits than their converter has: a millivolt where it tells eight apart. The level then stands still for long,
and goes over into the next step, or flickers between two of them, as if something stepped. What is one step of the converter is no change
of the bench.

Rule: voltage or current changed `LEAST_CHANGES` times, and never by less than several counts: so large are the steps, unless that is beyond
what the accuracy allows of a converter (half of one each way). The first smaller change says better. Until then a count is the step.
Units: V, A. Limits: a converter whose step is no whole number of counts shows now one more, now one less; the least is taken.
Expected errors: an instrument without noise on which something small comes and goes is taken for a coarse one until it changes by less.
"""

from __future__ import annotations

import math

from loadlog.model.device import ChannelSpec, DeviceSpec

LEAST_CHANGES = 4
SEVERAL = 1.5  # counts and more; below it is one
MISSING = 2.5  # steps and less, where one code in succession is missing; more is none


class _Channel:
    """``step``: of the converter, in the channel's unit."""

    __slots__ = ("_accuracy", "_changes", "_last", "_least", "_resolution", "is_fine", "step")

    def __init__(self, spec: ChannelSpec | None) -> None:
        self._accuracy = spec.accuracy if spec else None
        self.step = self._resolution = spec.resolution if spec else 0.0
        self._last, self._least, self._changes = math.nan, math.inf, 0
        self.is_fine = self._accuracy is None

    def take(self, value: float) -> bool:
        """True when the step is another one."""
        change = abs(value - self._last)
        self._last = value
        if not change > 0.0 or self.is_fine:
            return False
        self._changes += 1
        self._least = min(self._least, change)
        self.is_fine = self._least <= SEVERAL * self._resolution
        before = self.step
        self.step = self._resolution
        is_known = self._changes >= LEAST_CHANGES and not self.is_fine
        if is_known and self._accuracy is not None and self._least <= 2.0 * self._accuracy.half_width(value):
            self.step = self._least
        return self.step != before


class Converter:
    """Of one device. ``steps``: V and A."""

    __slots__ = ("_current", "_voltage", "is_fine", "steps")

    def __init__(self, device: DeviceSpec) -> None:
        self._voltage, self._current = _Channel(device.channel("voltage_v")), _Channel(device.channel("current_a"))
        self.steps = self._voltage.step, self._current.step
        self.is_fine = False  # both are, and that does not change

    def take(self, voltage_v: float, current_a: float) -> None:
        """The next reading."""
        is_another = self._voltage.take(voltage_v)
        if self._current.take(current_a) or is_another:
            self.steps = self._voltage.step, self._current.step
        self.is_fine = self._voltage.is_fine and self._current.is_fine
