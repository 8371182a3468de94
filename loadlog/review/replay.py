"""The detectors again over the stored samples of a run, and what comes out differently.

With the descriptions of the devices as they were recorded, every event comes out again bit for bit (`loadlog.pipeline` says from what and
under which conditions). With another configuration the difference is the answer to "what would these limits have said last week".
"""

from __future__ import annotations

import heapq
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Any

from loadlog.detectors import DECLARED_KINDS
from loadlog.model.circumstance import Begun
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Event
from loadlog.model.run import RunInfo
from loadlog.model.sample import Sample
from loadlog.pipeline import normalised, replay
from loadlog.store import Archive

LEAD_NS = 60 * 10**9  # how much of the time before the run is read of devices that share a group with it
COMPARED = ("severity", "state", "onset", "detected", "cleared", "message", "confidence", "alternatives", "evidence")


@dataclass(frozen=True, slots=True)
class Changed:
    """One event that both tell, differently; ``fields``: what differs, names as in its JSON."""

    recorded: Event
    replayed: Event
    fields: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Replay:
    """``identical``: every state of every event came out again, bit for bit, in the same order. ``missing``: recorded only; ``extra``:
    replayed only; ``caveats``: why the two may differ although nothing was changed."""

    run: RunInfo
    samples: int
    identical: bool
    same: int
    missing: tuple[Event, ...]
    extra: tuple[Event, ...]
    changed: tuple[Changed, ...]
    caveats: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """For programs."""
        return {
            "run": self.run.id,
            "samples": self.samples,
            "identical": self.identical,
            "same": self.same,
            "missing": [e.to_json() for e in self.missing],
            "extra": [e.to_json() for e in self.extra],
            "changed": [
                {"fields": list(c.fields), "recorded": c.recorded.to_json(), "replayed": c.replayed.to_json()} for c in self.changed
            ],
            "caveats": list(self.caveats),
        }


def replay_run(
    archive: Archive, run_id: str, devices: Mapping[str, DeviceSpec] | None = None, progress: Callable[[int], None] = lambda samples: None
) -> Replay:
    """Run the detectors over a run's samples again and compare. ``devices``: by name, as another configuration describes them; None: as
    recorded. ``progress`` is given the number of samples done, now and then.

    Raises:
        UsageError: there is no such run.
        StoreError: its recordings cannot be read.
    """
    run = archive.run(run_id)
    recorded = archive.eras(run.id)
    eras = [(first, *_specs(described, devices)) for first, described in recorded]
    specs: dict[str, DeviceSpec] = {}
    for _, described, _ in reversed(eras):
        specs |= described  # as each was first
    caveats = list(dict.fromkeys(line for _, _, lines in eras for line in lines))
    groups = {d.group for _, described, _ in eras for d in described.values() if d.group is not None}
    neighbours = {d.name: d for d in archive.devices().values() if d.name not in specs and d.group in groups}
    if absent := _absent(archive, run, specs.keys(), groups):
        caveats.append(f"samples of {', '.join(absent)}, which the detectors saw beside the run, are not in these recordings")
    given = archive.circumstances(run.id)
    revisions = archive.revisions(run.id)
    unread = dict(archive.damaged)
    lost = [f"events cannot be read: {unread[r.name]}" for r in archive.recordings_of(run.id) if r.name in unread]
    caveats += lost
    if not any(isinstance(item, Begun) for item in given):
        caveats.append("it is not recorded where the detectors began: the first events may differ")
    if any(gap.samples for gap in archive.gaps(run.id)):
        caveats.append("samples that the detectors saw were not stored while the disk refused")
    counter = _Counter(_merged(archive, run, specs, neighbours), progress)
    both = [(now, then) for (_, now, _), (_, then) in zip(eras, recorded, strict=True)]
    as_stored = {name for name in specs if all(_validates_alike(now.get(name), then.get(name)) for now, then in both)}
    later = [(first, described.values()) for first, described, _ in eras[1:]]
    described_first = [*specs.values(), *neighbours.values()]
    replayed = list(replay(counter, described_first, given, revisions, specs.keys(), later=later, as_stored=as_stored))
    first_seq = min((item.seq for item in given if isinstance(item, Begun)), default=0)
    told = [e for e in revisions if e.seq >= first_seq and e.kind in DECLARED_KINDS and (e.device is None or e.device in specs)]
    found = _compare(run, counter.samples, _without_acknowledging(told), replayed, tuple(caveats))
    return replace(found, identical=False) if lost else found


def _absent(archive: Archive, run: RunInfo, in_run: Collection[str], groups: Collection[str]) -> list[str]:
    """Devices of the same groups that were polled outside the run, and of that time there is no sample: an archive holds the run alone, and
    recordings between runs are removed."""
    described = archive.begun_with(run.id).devices
    beside = [name for name, spec in described.items() if name not in in_run and spec.get("group") in groups]
    begin = run.started_utc_ns - LEAD_NS
    return [name for name in beside if next(iter(archive.samples(name, begin, run.ended_utc_ns)), None) is None]


class _Counter:
    """Counts what passes."""

    def __init__(self, samples: Iterable[Sample], progress: Callable[[int], None]) -> None:
        self._source, self._progress, self.samples = samples, progress, 0

    def __iter__(self) -> Iterator[Sample]:
        for sample in self._source:
            self.samples += 1
            if self.samples % 1000 == 0:
                self._progress(self.samples)
            yield sample
        self._progress(self.samples)


def _merged(archive: Archive, run: RunInfo, specs: Mapping[str, DeviceSpec], neighbours: Iterable[str]) -> Iterator[Sample]:
    own = [archive.samples(name, run=run.id) for name in specs]
    begin = run.started_utc_ns - LEAD_NS
    beside = [archive.samples(name, begin, run.ended_utc_ns) for name in neighbours]
    return heapq.merge(*own, *beside, key=attrgetter("seq"))


def _specs(recorded: Mapping[str, DeviceSpec], wanted: Mapping[str, DeviceSpec] | None) -> tuple[dict[str, DeviceSpec], list[str]]:
    """The descriptions to judge by. Counts can only be read by the scale that they were stored with."""
    if wanted is None:
        return dict(recorded), []
    out, caveats = {}, []
    for name, spec in recorded.items():
        if name not in wanted:
            caveats.append(f"{name} is not in this configuration: judged as recorded")
            out[name] = spec
            continue
        channels = tuple(_channel(stored, wanted[name]) for stored in spec.channels)
        kept = [c.name for c, stored in zip(channels, spec.channels, strict=True) if c is stored and wanted[name].channel(c.name) != stored]
        if kept:
            caveats.append(f"{name}: {', '.join(kept)} as recorded, since the profile now stores it otherwise or not at all")
        out[name] = replace(wanted[name], channels=channels)
    return out, caveats


def _validates_alike(one: DeviceSpec | None, other: DeviceSpec | None) -> bool:
    """Whether validation makes the same of a poll by both descriptions."""
    if one is None or other is None:
        return one is other
    return (one.channels, one.period_s, one.role, one.identity) == (other.channels, other.period_s, other.role, other.identity)


def _channel(stored: ChannelSpec, spec: DeviceSpec) -> ChannelSpec:
    now = spec.channel(stored.name)
    return now if now is not None and now.scale == stored.scale and now.kind == stored.kind else stored


def _without_acknowledging(events: Sequence[Event]) -> list[Event]:
    """States that a detector told: those that only an acknowledgement or a new recording repeated are left out."""
    out, last = [], dict[int, dict[str, Any]]()
    for event in events:
        facts = normalised(event)
        if last.get(event.id) != facts:
            out.append(event)
        last[event.id] = facts
    return out


def _compare(run: RunInfo, samples: int, recorded: list[Event], replayed: list[Event], caveats: tuple[str, ...]) -> Replay:
    identical = [normalised(e) for e in recorded] == [normalised(e) for e in replayed]
    pairs, missing, extra = _paired(_final(recorded), _final(replayed))
    changed, same = [], 0
    for old, new in pairs:
        facts, again = normalised(old), normalised(new)
        if fields := tuple(name for name in COMPARED if facts[name] != again[name]):
            changed.append(Changed(old, new, fields))
        else:
            same += 1
    return Replay(run, samples, identical, same, tuple(missing), tuple(extra), tuple(changed), caveats)


def _final(events: Iterable[Event]) -> list[Event]:
    return list({event.id: event for event in events}.values())


def _paired(recorded: list[Event], replayed: list[Event]) -> tuple[list[tuple[Event, Event]], list[Event], list[Event]]:
    """Events of one kind and place belong together when they were on at the same time, else when nothing is nearer."""
    open_ones: dict[tuple[str, str, str], list[Event]] = defaultdict(list)
    for event in replayed:
        open_ones[_place(event)].append(event)
    pairs, missing = [], []
    for event in recorded:
        candidates = open_ones[_place(event)]
        best = next((e for e in candidates if _overlap(event, e)), None)
        if best is None:
            missing.append(event)
            continue
        candidates.remove(best)
        pairs.append((event, best))
    extra = sorted((e for left in open_ones.values() for e in left), key=lambda e: e.seq)
    return pairs, missing, extra


def _place(event: Event) -> tuple[str, str, str]:
    return event.kind, event.device or event.group or "", event.key


def _overlap(a: Event, b: Event) -> bool:
    forever = 1 << 63
    return a.onset.earliest_utc_ns <= (b.cleared_utc_ns or forever) and b.onset.earliest_utc_ns <= (a.cleared_utc_ns or forever)
