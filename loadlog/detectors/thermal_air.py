"""The air's temperature without its readings' noise, for all that is taken off a heatsink's temperature.

Physics: air that nobody heats wanders slowly, its thermometer scatters and rounds at every reading. A reading taken off a heatsink's puts
that noise on top of the heatsink's own, and is held until the next one: a bank of models would take the same error, seen several times,
for several witnesses.
Rule: the local-level model, a random walk (`WANDERS_K` in `WANDERS_S`) read with white noise, and its Kalman filter. The noise is learned
from successive differences, never below that of rounding; so the average is as long as noise and wandering make it worth, about sqrt(noise²
· period / walk): half a minute for 0.05 K of noise read every 2 s. After a gap new readings count for more. What is taken off the first
reading, and follows that average only where they are further apart than `PLAY_DEVIATIONS`: a constant error of the air moves temperature
and limit alike, so it cancels, while an average that settles from its first reading bends the climb. A reading more than
`STRANGE_DEVIATIONS` from what was expected is passed on as it is, and two in a row on the same side begin a new level: a draught comes
through at once.
Limits: °C, s. Slow changes of less than `PLAY_DEVIATIONS` are not taken off (0.2 K for 0.05 K of noise); air that drifts steadily lags by
them and by the drift times the length of the average, 0.05 K at 0.1 K a minute.
Source: R. E. Kalman, J. Basic Eng. 82 (1960) 35; local level: A. C. Harvey, Forecasting, structural time series models and the Kalman
filter (1989), chapter 2, from memory; J. von Neumann, Ann. Math. Stat. 12 (1941) 367 (mean square successive difference).
"""

from __future__ import annotations

import math

from loadlog.detectors.base import Context
from loadlog.detectors.heat import AIR, air_reading
from loadlog.model.device import DeviceSpec
from loadlog.model.sample import Sample

WANDERS_K, WANDERS_S = 0.02, 60.0  # a closed room between two cycles of its heating; over an hour 0.15 K
STRANGE_DEVIATIONS, STRANGE_TIMES = 5.0, 2
PLAY_DEVIATIONS = 4.0  # of a reading; where rounding is all there is, a little more than a count
EXPECTED_READINGS = 10.0  # what the expected noise is worth
MEMORY_READINGS = 100.0  # over which noise is learned
LEAST_COUNT_K = 0.05  # where the profile names no resolution
_WALK = WANDERS_K**2 / WANDERS_S  # K²/s
_STRANGE = STRANGE_DEVIATIONS**2


class Air:
    """``resolution_k``: of its readings; taken as rounding and as much noise until more is known."""

    __slots__ = (
        "_kept_c",
        "_known",
        "_last_c",
        "_last_ns",
        "_level_c",
        "_noise",
        "_number",
        "_rounding",
        "_shown_c",
        "_strange",
        "_unsure",
    )

    def __init__(self, resolution_k: float) -> None:
        self._rounding = max(resolution_k, LEAST_COUNT_K) ** 2 / 12.0  # K²
        self._noise = 2.0 * self._rounding  # K², of one reading
        self._known = EXPECTED_READINGS
        self._level_c = self._kept_c = self._shown_c = self._last_c = 0.0
        self._unsure = math.inf  # K², variance of the level
        self._last_ns = 0
        self._number: int | None = None  # of the last reading
        self._strange = 0  # readings in a row above (or, negative, below) what was expected

    @property
    def deviation_k(self) -> float:
        """Of one reading, as learned."""
        return math.sqrt(self._noise)

    @property
    def is_known(self) -> bool:
        """It was read once."""
        return self._unsure < math.inf

    def at(self, sample: Sample, context: Context) -> float | None:
        """At this sample of a device, °C; None where nobody measures it now."""
        found = air_reading(sample, context)
        if found is None:
            return None
        reading_c, number = found
        if self._unsure == math.inf if number is None else number != self._number:
            self._number = number
            self.take(reading_c, sample.stamp.t_utc_ns)
        return self._shown_c

    def take(self, reading_c: float, t_utc_ns: int) -> float:
        """A new reading; returns what is taken for the air's temperature now."""
        passed_s = (t_utc_ns - self._last_ns) / 1e9
        self._last_ns = t_utc_ns
        if self._unsure == math.inf or passed_s < 0.0:
            self._begin(reading_c)
        else:
            self._follow(reading_c, passed_s)
        self._last_c = reading_c
        return self._shown_c

    def _begin(self, reading_c: float) -> None:
        self._level_c = self._kept_c = self._shown_c = reading_c
        self._unsure, self._strange = self._noise, 0

    def _follow(self, reading_c: float, passed_s: float) -> None:
        unsure, off_k = self._unsure + _WALK * passed_s, reading_c - self._level_c
        total = unsure + self._noise
        moved_k = reading_c - self._last_c
        self._known = min(self._known + 1.0, MEMORY_READINGS)
        # what the walk adds over a gap is no noise, and a step must not widen its own yardstick much
        seen = max(0.5 * min(moved_k * moved_k, _STRANGE * self._noise) - 0.5 * _WALK * passed_s, 0.0)
        self._noise = max(self._noise + (seen - self._noise) / self._known, self._rounding)
        if off_k * off_k > _STRANGE * total:
            self._strange = (max(self._strange, 0) + 1) if off_k > 0.0 else (min(self._strange, 0) - 1)
            self._unsure, self._shown_c = unsure, reading_c
            if abs(self._strange) >= STRANGE_TIMES:
                self._begin(reading_c)
            return
        self._strange = 0
        gain = unsure / total
        self._level_c += gain * off_k
        self._unsure = unsure - gain * unsure
        play_k = PLAY_DEVIATIONS * math.sqrt(self._noise)
        self._kept_c = self._shown_c = min(max(self._kept_c, self._level_c - play_k), self._level_c + play_k)


def resolution_of_air(device: DeviceSpec, context: Context) -> float:
    """K; of whoever measures it first, 0 where the profile names none."""
    devices = (device, *(peer.device for peer in context.peers.values()))
    return next((c.resolution for d in devices if (c := d.channel(AIR)) is not None), 0.0)
