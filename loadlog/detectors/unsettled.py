"""A signal that leaves its level and takes a while to settle at another one: a contact that chatters before it stays open, or closed.

Physical cause: a connector that is pulled, or a clip that slips off, bounces for some ten milliseconds to a second. Polls meanwhile find
the contact open, closed, or show a mean of both, so there is no step from one poll to the next, and what a chart knows of the level is soon
a mixture of all.
Rule: the level of before is kept from the sample at which the chart signals without a step. When `SETTLED` samples in succession lie as
close together as noise lets them, what they differ by from that level is a step that took so long, if the signal went back meanwhile by
`BACK` of it and by `BACK_DEVIATIONS`, and came again by as much: what sags, ramps or settles goes one way, beside a level that was drawn on
too far as well, and noise ends at the level at which it began. Given up after `MOST_S`, or when it has been at rest at the level of before
for long.
Limits: a contact that is at rest for `SETTLED` polls has settled. Confused with: a source that steps amid a disturbance of the mains; a
slow noise of it that grows many times is one, for so long as it is not known.
Units: those of the signal. Source: contact bounce, any text on switches; the figures are judgements.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from loadlog.detectors.rivals import Residuals
from loadlog.detectors.sense_causes import PathPrior
from loadlog.detectors.sense_modes import Case, ModeWatch
from loadlog.detectors.steps import LAG, Step, StepWatch

SETTLED = 6  # samples
RANGE = 5.0  # deviations that so many samples span at most: one time in three hundred they span more
BACK, BACK_DEVIATIONS = 0.3, 6.0
LEAST, LEAST_KNOWN = 8.0, 5.0  # deviations of a step whose size nobody expects, and of one of the expected size
MOST_S, MOST_SAMPLES = 3.0, 12  # whichever is longer: no contact bounces for that long, but polls may be slower
REAL = 0.97  # that the level has changed, when it seems so
_UNSEEN = Residuals([], [], [], 0.0, 0.0, 0.0)


class Unsettled:
    """From the sample at which ``watch`` signalled. ``level``: of before."""

    __slots__ = ("_bottom", "_fell", "_high", "_low", "_rests", "_rose", "_top", "_until_ns", "is_over", "level", "onset")

    def __init__(self, watch: StepWatch) -> None:
        self.level, self.onset, values = watch.left()
        self._until_ns = self.onset.latest_utc_ns + round(max(MOST_SAMPLES * watch.period_ns, MOST_S * 1e9))
        self._low, self._high = math.inf, -math.inf
        self._rose = self._fell = 0.0  # the furthest up after a low one, to the top, and down after a high one, to the bottom
        self._top = self._bottom = self.level
        self._rests = 0  # samples at rest at the level of before
        self.is_over = False
        self._take(values)

    def _take(self, values: Iterable[float]) -> None:
        for value in values:
            self._low, self._high = min(self._low, value), max(self._high, value)
            if value - self._low > self._rose:
                self._rose, self._top = value - self._low, value
            if self._high - value > self._fell:
                self._fell, self._bottom = self._high - value, value

    def update(self, watch: StepWatch) -> Step | None:
        """``watch`` took another value. The step, once the signal has settled at another level."""
        last = watch.last(SETTLED)
        self._take(last[-2:])  # the one before may have come along with it, as no spike
        self.is_over = self.is_over or watch.until_ns > self._until_ns
        if self.is_over:
            return None
        short = watch.short_sigma
        if len(last) < SETTLED or max(last) - min(last) > RANGE * short:
            self._rests = 0
            return None
        settled = math.fsum(last) / SETTLED
        size = settled - self.level
        of_mean = watch.deviation_of_mean(SETTLED)
        deviation = max(watch.sigma, of_mean)
        back = min(self._rose, self._top - settled) if size < 0.0 else min(self._fell, settled - self._bottom)
        if abs(size) < LEAST_KNOWN * deviation:  # closed again, or for a moment
            self._rests += 1
            self.is_over = self._rests > LAG
            return None
        self.is_over = True
        if back < max(BACK * abs(size), BACK_DEVIATIONS * short):
            return None
        uncertainty = math.hypot(of_mean, deviation * math.sqrt(watch.level_variance))
        return Step(size, uncertainty, SETTLED, deviation, self.onset, _UNSEEN, 0.0, 0.0)

    def case(self, step: Step, watch: ModeWatch, is_back: bool, least_a: float) -> Case:
        """The step from the level of before, as others are judged; ``is_back``: the lead may make contact again."""
        held = watch.held.now(SETTLED)
        before, after = watch.point(self.level, held), watch.point(self.level + step.size, held)
        fallen_a = max(abs((before if is_back else after)[1]), least_a)
        return Case(step, watch.mode, before, after, fallen_a, held, 0, real=REAL)

    @staticmethod
    def is_believed(case: Case, prior: PathPrior) -> bool:
        """Of the size that is expected, or so large that no noise makes it."""
        return prior.fits(case.size, case.step.uncertainty, case.fallen_a) or case.size >= LEAST * case.step.sigma
