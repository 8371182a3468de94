"""What counts as a current at all: more than an instrument shows without one.

Rule: twenty counts or twice the accuracy's bound at zero (`base.least_shown`), or the mean of what is shown at rest and the quantile of its
noise at the owner's rate of false alarms, widened by Student's t, whichever is more. Noise is that of readings taken one by one, so its
correlation does not matter for one of them; what lies beyond three deviations counts as three.
Limits: currents too small to count, that come and go, pass for noise and raise what counts. Units: A.
"""

from __future__ import annotations

import math

from loadlog.detectors.base import least_shown
from loadlog.detectors.statistics import Moments, alarm_probability, student_quantile, two_sided_quantile
from loadlog.model.device import ChannelSpec

FEW, KNOWN, MEMORY = 3, 10, 1000  # readings


class RestCurrent:
    """Of one device. ``shown_a``: what counts as a current of an instrument without noise."""

    __slots__ = ("_rounding", "_seen", "_z", "shown_a")

    def __init__(self, channel: ChannelSpec, per_1000_h: float, period_s: float) -> None:
        self.shown_a = least_shown(channel)
        self._rounding = channel.resolution**2 / 12.0  # variance
        self._z = two_sided_quantile(alarm_probability(per_1000_h, period_s))
        self._seen = Moments(MEMORY)

    @property
    def is_known(self) -> bool:
        """Enough was seen of it."""
        return self._seen.n >= KNOWN

    def learn(self, current_a: float) -> None:
        """Take a reading without a current."""
        seen = self._seen
        if seen.n > FEW:
            most = 3.0 * math.sqrt(max(seen.variance, self._rounding))
            current_a = min(max(current_a, seen.mean - most), seen.mean + most)
        seen.update(current_a)

    @property
    def least_a(self) -> float:
        """A reading of as much is a current."""
        seen = self._seen
        deviation = math.sqrt(max(seen.variance, self._rounding))
        return max(self.shown_a, abs(seen.mean) + student_quantile(self._z, max(seen.n, FEW)) * deviation)
