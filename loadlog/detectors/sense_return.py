"""Which of its two levels a signal lies at, while no step can tell: after the input was off (or the service), or before the new level of a
lead that fell off is known well enough for a step back from it to show.

After a break the first samples at the same operating point decide, once. Soon after the fall every sample is looked at until steps show
again: the last `steps.LAG` of them at rest at the good level are a lead that makes contact again; between the last sample nearer to the
fallen level and the first that is not. Units: those of the signal. Source: none, a comparison.
"""

from __future__ import annotations

from typing import Any

from loadlog.detectors.base import begin_ns, end_ns, onset_between
from loadlog.detectors.sense_causes import DROOP, LEAD
from loadlog.detectors.sense_modes import Fallen, ModeWatch
from loadlog.model.event import Onset
from loadlog.model.sample import Sample

LEAST_SAMPLES = 3  # in the level's line, which lags behind
AT_GOOD = (0.7, 1.3)  # of the way back


class Recheck:
    """``is_soon``: after the fall, not after a break."""

    __slots__ = ("_back_ns", "_low_ns", "is_over", "is_soon")

    def __init__(self, is_soon: bool = False) -> None:
        self.is_soon, self.is_over = is_soon, False
        self._low_ns = self._back_ns = 0

    def compare(self, fallen: Fallen, watch: ModeWatch, sample: Sample) -> tuple[Onset, dict[str, float], dict[str, Any]] | None:
        """Onset, causes and evidence of the return, when the signal is back at its good level."""
        if fallen.mode != watch.mode:
            return None
        signal = watch.signal
        if self.is_soon:
            self._see(fallen.share_of_way_back(signal.now(1)) < 0.5, sample)
            self.is_over = signal.ready and signal.ratio < 1.0  # from now on a step shows
        if signal.trend.n < LEAST_SAMPLES or not watch.same_point(fallen.held) or (self.is_soon and not signal.is_at_rest):
            return None
        self.is_over = self.is_over or not self.is_soon
        if not AT_GOOD[0] <= fallen.share_of_way_back(signal.level) <= AT_GOOD[1]:
            return None
        v, i = watch.point(signal.level, watch.held.level)
        evidence: dict[str, Any] = {"voltage_v": round(v, 6), "current_a": round(i, 6)}
        if not self.is_soon:
            return onset_between(None, sample), {LEAD: 0.8, DROOP: 0.2}, evidence | {"seen": "after the input was off"}
        self.is_over = True
        onset = Onset(self._low_ns, max(self._back_ns, self._low_ns)) if self._low_ns else onset_between(None, sample)
        return onset, fallen.causes, evidence | {"seen": "before its new level was known"}  # what stepped back at once is what had stepped

    def _see(self, is_low: bool, sample: Sample) -> None:
        if is_low:
            self._low_ns, self._back_ns = begin_ns(sample), 0
        elif not self._back_ns:
            self._back_ns = end_ns(sample)
