"""The facts of one run: how complete its data are, what each channel did, what happened in which order, and what was noted.

Order in time is honest: an event is placed by its onset interval, and one whose interval overlaps its predecessor's is marked as not
ordered against it, for sorting by a single instant would invent an order.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from typing import Any

from loadlog.model.clock import NS, format_utc, utc_words
from loadlog.model.device import DeviceSpec, polls_due
from loadlog.model.event import Event
from loadlog.model.learned import Understanding
from loadlog.model.run import Note, RunInfo
from loadlog.model.sample import Quality
from loadlog.store import Archive
from loadlog.store.progress import Progress

NUMBERS_OF_STATUS = ("setpoint",)  # numbers whose mean over a run says nothing


@dataclass(frozen=True, slots=True)
class ChannelFacts:
    """One channel over the run, in its unit; ``count``: polls with a value; ``worst``: worst quality among them."""

    channel: str
    unit: str
    minimum: float | None
    mean: float | None
    maximum: float | None
    count: int
    worst: str


@dataclass(frozen=True, slots=True)
class DeviceFacts:
    """``polls``: samples of the device, failures too; ``failed``: polls without a reading; ``expected``: polls that its rate makes of the
    run's length, never fewer than were made."""

    device: str
    role: str
    polls: int
    failed: int
    expected: int
    channels: tuple[ChannelFacts, ...]
    period_s: float = 1.0


@dataclass(frozen=True, slots=True)
class Happened:
    """An event of the run. ``unordered``: its onset interval overlaps that of the event before it."""

    event: Event
    unordered: bool


@dataclass(frozen=True, slots=True)
class Summary:
    """Everything that `run show` prints; instants in UTC nanoseconds. ``damaged``: recordings of the run whose events cannot be read, one
    line each."""

    run: RunInfo
    until_utc_ns: int
    devices: tuple[DeviceFacts, ...]
    events: tuple[Happened, ...]
    notes: tuple[Note, ...]
    gaps: tuple[str, ...]
    identities: dict[str, dict[str, str]]
    software: str
    learned: dict[str, Understanding] = field(default_factory=dict)
    now_utc_ns: int | None = None
    damaged: tuple[str, ...] = ()

    @property
    def progress(self) -> Progress:
        """Up to now where the run is on and the time is known, else up to its last sample."""
        end_ns = self.until_utc_ns if self.now_utc_ns is None or self.run.ended_utc_ns is not None else self.now_utc_ns
        elapsed_s = max(0.0, (end_ns - self.run.started_utc_ns) / NS)
        elapsed_s = min(elapsed_s, self.run.planned_s) if self.run.planned_s else elapsed_s
        expected = sum(polls_due(d.period_s, elapsed_s, d.polls) for d in self.devices)
        return Progress(elapsed_s, sum(d.polls - d.failed for d in self.devices), expected)

    @property
    def silent_s(self) -> float | None:
        """For how long a run that has not ended has been without a sample; None where it has ended or the time is not known."""
        if self.run.ended_utc_ns is not None or self.now_utc_ns is None:
            return None
        return max(0.0, (self.now_utc_ns - self.until_utc_ns) / NS)

    def to_json(self) -> dict[str, Any]:
        """For programs; events as everywhere else."""
        return {
            "run": self.run.id,
            "name": self.run.name,
            "started": format_utc(self.run.started_utc_ns),
            "ended": None if self.run.ended_utc_ns is None else format_utc(self.run.ended_utc_ns),
            "end_reason": self.run.end_reason,
            "planned_s": self.run.planned_s,
            "progress": dataclasses.asdict(self.progress) if self.run.ended_utc_ns is None else None,
            "software": self.software,
            "identities": self.identities,
            "devices": [
                {
                    "device": d.device,
                    "role": d.role,
                    "polls": d.polls,
                    "failed": d.failed,
                    "expected": d.expected,
                    "channels": [{k: getattr(c, k) for k in ChannelFacts.__slots__} for c in d.channels],
                }
                for d in self.devices
            ],
            "events": [{**h.event.to_json(), "unordered_with_previous": h.unordered} for h in self.events],
            "notes": [{"t": format_utc(n.t_utc_ns), "author": n.author, "text": n.text} for n in self.notes],
            "gaps": list(self.gaps),
            "damaged": list(self.damaged),
            "learned": {device: known.to_json() for device, known in self.learned.items()},
        }


def summarise(archive: Archive, run_id: str, now_utc_ns: int | None = None) -> Summary:
    """The facts of a run, going on or ended; works through rollups, so a long run costs little more than a short one. ``now_utc_ns``: for
    the progress of one that is going on.

    Raises:
        UsageError: there is no such run.
        StoreError: its recordings cannot be read.
    """
    run = archive.run(run_id)
    recordings = archive.recordings_of(run.id)
    lasts = [r.t_last_ns for r in recordings if r.t_last_ns is not None]
    until_ns = run.ended_utc_ns if run.ended_utc_ns is not None else max(lasts, default=run.started_utc_ns)
    specs = archive.devices(run.id)
    snapshot = archive.snapshot(run.id)
    events = archive.events(run=run.id)
    damaged = tuple(archive.damaged[r.name] for r in recordings if r.name in archive.damaged)
    return Summary(
        run=run,
        until_utc_ns=until_ns,
        devices=tuple(_device_facts(archive, run, specs[name], max(until_ns, *lasts, 0)) for name in run.devices if name in specs),
        events=_in_order(events),
        notes=tuple(archive.notes(run.id)),
        gaps=tuple(_gap_line(gap) for gap in archive.gaps(run.id)),
        identities=dict(snapshot.identities),
        software=snapshot.software,
        learned={name: known for name, known in archive.learned(run.id).items() if name in run.devices},
        now_utc_ns=now_utc_ns,
        damaged=damaged,
    )


def _device_facts(archive: Archive, run: RunInfo, spec: DeviceSpec, until_ns: int) -> DeviceFacts:
    names = [c.name for c in spec.channels if c.kind == "number" and c.name not in NUMBERS_OF_STATUS]
    polls, failed = archive.polls(spec.name, run.id)
    length_s = max(0.0, (until_ns - run.started_utc_ns) / NS)
    channels = []
    if names and until_ns > run.started_utc_ns:
        # The first sample of a run may carry a stamp from just before the order was given.
        series = archive.series(spec.name, names, run.started_utc_ns - NS, until_ns + NS, 1, run.id)
        for name in names:
            buckets = series.channels[name]
            channels.append(_channel_facts(spec, name, buckets))
    return DeviceFacts(spec.name, spec.role, polls, failed, polls_due(spec.period_s, length_s, polls), tuple(channels), spec.period_s)


def _channel_facts(spec: DeviceSpec, name: str, buckets: list[Any]) -> ChannelFacts:
    channel = spec.channel(name)
    unit = channel.unit if channel is not None else ""
    known = [b for b in buckets if b.count]
    count = sum(b.count for b in known)
    if not count:
        return ChannelFacts(name, unit, None, None, None, 0, Quality.BAD.name.lower())
    mean = sum(b.mean * b.count for b in known) / count
    worst = Quality(max(b.worst for b in known)).name.lower()
    return ChannelFacts(name, unit, min(b.minimum for b in known), mean, max(b.maximum for b in known), count, worst)


def _in_order(events: list[Event]) -> tuple[Happened, ...]:
    ordered = sorted(events, key=lambda e: (e.onset.latest_utc_ns, e.onset.earliest_utc_ns, e.id))
    out: list[Happened] = []
    for previous, event in zip([None, *ordered], ordered, strict=False):
        overlaps = previous is not None and event.onset.earliest_utc_ns < previous.onset.latest_utc_ns
        out.append(Happened(event, overlaps))
    return tuple(out)


def _gap_line(gap: Any) -> str:
    what = f"{gap.samples} samples of {gap.device or 'all devices'}" if gap.samples else gap.device or "all devices"
    return f"{utc_words(gap.from_utc_ns)} .. {utc_words(gap.to_utc_ns)} {what}: {gap.reason}"
