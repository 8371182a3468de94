"""How far a run that is on has come: its time, and its readings against those that the devices' rates make of it."""

from __future__ import annotations

from dataclasses import dataclass

from loadlog.model.clock import NS
from loadlog.model.device import DeviceSpec, polls_due
from loadlog.model.run import RunInfo
from loadlog.store.reader import Archive


@dataclass(frozen=True, slots=True)
class Progress:
    """``elapsed_s``: at most what was planned. ``received``: polls that gave a reading; ``expected``: polls that the rates make of it,
    never fewer than were received."""

    elapsed_s: float
    received: int
    expected: int

    @property
    def share(self) -> float | None:
        """Of the expected readings, at most 1; None before the first was due."""
        return min(1.0, self.received / self.expected) if self.expected else None


def progress(archive: Archive, run: RunInfo, now_utc_ns: int) -> Progress:
    """Of a run at an instant (UTC ns); works through rollups, so a long run costs little more than a short one.

    Raises:
        StoreError: the recordings cannot be read.
    """
    end_ns = now_utc_ns if run.ended_utc_ns is None else run.ended_utc_ns
    elapsed_s = max(0.0, (end_ns - run.started_utc_ns) / NS)
    if run.planned_s:
        elapsed_s = min(elapsed_s, run.planned_s)
    specs = archive.devices(run.id)
    expected = received = 0
    for spec in (specs[name] for name in run.devices if name in specs):
        taken = _readings(archive, run, spec, end_ns)
        expected += polls_due(spec.period_s, elapsed_s, taken)
        received += taken
    return Progress(elapsed_s, received, expected)


def _readings(archive: Archive, run: RunInfo, spec: DeviceSpec, end_ns: int) -> int:
    """Polls with a value of a channel that every poll reads; the first may carry a stamp from just before the order."""
    numbers = [c for c in spec.channels if c.kind == "number"]
    if not numbers:
        polls, failed = archive.polls(spec.name, run.id)
        return polls - failed
    channel = min(numbers, key=lambda c: c.every).name
    from_ns = run.started_utc_ns - NS
    series = archive.series(spec.name, [channel], from_ns, max(end_ns, run.started_utc_ns) + NS, 1, run.id)
    return sum(bucket.count for bucket in series.channels[channel])
