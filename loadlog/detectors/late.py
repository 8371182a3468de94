"""Polls that start later than their deadlines, as a habit: ``late_polls``.

Cause: the bus cannot carry the configured rate, another unit's time-outs take its time, or the machine is too busy to start polls. The
samples stay true and say when they were taken, but intervals are uneven and integrals are less sure; later polls are missed altogether.

Rule: a poll is late when it starts more than `LATE_SHARE` of the period, and at least `LATE_LEAST_S`, after its deadline. Raised when
half of the polls of the last ten seconds (twenty at least) were late, cleared when at most a tenth of them is: between the two nothing
changes, so it does not flicker, and a single time-out of a neighbour raises nothing. Only lateness that is stored with each sample decides,
so a replay comes to the same. Polls that were not made at all are no evidence here (`sample_gap`). Onset: from the last poll in time to the
first late one of those that still count. Limits: common practice, no source.

Confusions: none with the bench; it says nothing about supply or load. Expected false alarms: none, since what it says was measured.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from typing import ClassVar

from loadlog.detectors.base import NOTHING, Context, Stateless, onset_between
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Onset, Severity
from loadlog.model.sample import FailureCause, Sample

LATE_SHARE, LATE_LEAST_S = 0.25, 0.005
WINDOW_S, WINDOW_POLLS, WINDOW_POLLS_MOST = 10.0, 20, 1000
RAISED_AT, CLEARED_AT = 0.5, 0.1


class LatePolls(Stateless):
    """One device."""

    KINDS: ClassVar[tuple[str, ...]] = ("late_polls",)

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._limit_s = max(LATE_SHARE * device.period_s, LATE_LEAST_S)
        self._polls = min(max(WINDOW_POLLS, math.ceil(WINDOW_S / device.period_s)), WINDOW_POLLS_MOST)
        self._lateness_s: deque[float] = deque(maxlen=self._polls)
        self._late = 0  # of those
        self._in_time: Sample | None = None
        self._onset: Onset | None = None
        self._active = False

    def restore(self, event: Event) -> None:
        """Polls were late when the service stopped; a whole window in time ends it."""
        self._active = True

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is not None and sample.failure in (FailureCause.SKIPPED, FailureCause.PORT_LOST):
            return NOTHING
        window, limit_s, lateness_s = self._lateness_s, self._limit_s, sample.stamp.lateness_s
        full = len(window) == self._polls
        if full and window[0] > limit_s:
            self._late -= 1
        window.append(lateness_s)
        if lateness_s > limit_s:
            if self._late == 0:
                self._onset = onset_between(self._in_time, sample)
            self._late += 1
        else:
            self._in_time = sample
        if not full or (self._late > CLEARED_AT * self._polls if self._active else self._late < RAISED_AT * self._polls):
            return NOTHING
        self._active = not self._active
        return [self._finding(sample)]

    def _finding(self, sample: Sample) -> Finding:
        name, window = self._device.name, sorted(self._lateness_s)
        if not self._active:
            onset = onset_between(None, sample)
            return Finding("late_polls", name, Severity.WARNING, onset, f"{name}: polls start in time again", clear=True)
        share, median_s = self._late / len(window), window[len(window) // 2]
        evidence = {
            "late_share": share, "limit_s": self._limit_s, "median_s": median_s, "worst_s": window[-1], "period_s": self._device.period_s,
        }  # fmt: skip
        text = f"{name}: {share:.0%} of polls start more than {self._limit_s:.3g} s late, half of them {median_s:.3g} s or more"
        text += " (poll more slowly, or see what else keeps the bus or the machine busy)"
        assert self._onset is not None  # some were late
        return Finding("late_polls", name, Severity.WARNING, self._onset, text, evidence=evidence)
