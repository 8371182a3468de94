"""`communication_lost`, `communication_restored`: no valid reply any more, and valid replies again.

Physical cause: instrument off, cable or adapter pulled, bus jammed, wrong line settings.
Rule: at least three polls in a row failed and at least 1 s (or three poll periods, if longer) has passed since the last valid reply. Polls
that were skipped (deadline passed, device backed off) say nothing about the device and do not count. Restored with the first valid reply.
Confusions: a slow or noisy line. Expected false alarms: With a share q of failed polls, independent, a loss is found at most q^3 of the
polls (q = 1 %: one in a million); such a loss is real for its duration, and its evidence says how long and why.
Onset: from the last valid reply to the first failed poll. Source: common practice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import ClassVar

from loadlog.detectors.base import NOTHING, Context, Stateless, onset_between
from loadlog.model.device import DeviceSpec
from loadlog.model.event import Event, Finding, Severity
from loadlog.model.sample import FailureCause, Sample

FAILURES = 3
SHORTEST_S = 1.0


class Communication(Stateless):
    """Counts failed polls of one device."""

    KINDS: ClassVar[tuple[str, ...]] = ("communication_lost", "communication_restored")

    def __init__(self, device: DeviceSpec) -> None:
        self._device = device
        self._least_ns = int(max(SHORTEST_S, FAILURES * device.period_s) * 1e9)
        self._last_valid: Sample | None = None
        self._first_failed: Sample | None = None
        self._last_failed: Sample | None = None
        self._causes: Counter[str] = Counter()
        self._lost = False

    def restore(self, event: Event) -> None:
        """It was lost when the service stopped."""
        self._lost = event.kind == "communication_lost"

    def update(self, sample: Sample, context: Context) -> Sequence[Finding]:
        """See the module."""
        if sample.failure is None:
            if self._lost or self._causes:
                return self._valid(sample)
            self._last_valid = sample
            return NOTHING
        if sample.failure is FailureCause.SKIPPED:
            return NOTHING
        self._causes[str(sample.failure)] += 1
        self._last_failed = sample
        if self._first_failed is None:
            self._first_failed = sample
        if self._lost or self._causes.total() < FAILURES:
            return NOTHING
        since = (self._last_valid or self._first_failed).stamp.t_utc_ns
        elapsed_ns = sample.stamp.t_utc_ns - since
        if 0 <= elapsed_ns < self._least_ns:
            return NOTHING
        self._lost = True
        cause = self._causes.most_common(1)[0][0]
        return (
            Finding(
                "communication_lost", self._device.name, Severity.ALARM, onset_between(self._last_valid, self._first_failed),
                f"{self._device.name} gives no valid reply any more ({cause.replace('_', ' ')})",
                evidence={"failed_polls": self._causes.total(), "cause": cause, "detail": sample.detail},
            ),
        )  # fmt: skip

    def _valid(self, sample: Sample) -> Sequence[Finding]:
        findings: Sequence[Finding] = self._restored(sample) if self._lost else NOTHING
        self._last_valid, self._first_failed, self._last_failed, self._lost = sample, None, None, False
        self._causes.clear()
        return findings

    def _restored(self, sample: Sample) -> Sequence[Finding]:
        onset = onset_between(self._last_failed, sample)
        name = self._device.name
        causes = dict(self._causes)
        evidence: dict[str, object] = {"failed_polls": self._causes.total(), "causes": causes}
        if self._last_valid is not None:
            evidence["outage_s"] = round((sample.stamp.t_utc_ns - self._last_valid.stamp.t_utc_ns) / 1e9, 3)
        return (
            Finding("communication_lost", name, Severity.ALARM, onset, f"{name} replies again", clear=True, evidence=evidence),
            Finding("communication_restored", name, Severity.INFO, onset, f"{name} replies again", momentary=True, evidence=evidence),
        )
