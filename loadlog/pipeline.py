"""Validation and detectors of all devices, sample by sample, and the book of active events. Pure: no clock, chance, disk or thread.

Invariants:

- One counter numbers samples, events and notes (`Pipeline.take_seq`); a number is never reused. The events that a sample caused follow it
  at once.
- (kind, device or group, key) is unique among active events: a cause is one event, however often it is found again. An event changes by a
  new `Event` of the same id with a later seq, and only when something about it changed.
- ``detected_utc_ns`` is the end of the sample that decided, never "now"; so a replay gives the same.

`replay` runs stored samples through the same validators and detectors. Identical to what happened live, bit for bit: samples (values,
marks, status, uncertainties) and events by kind, key, onset, detected, cleared, severity, message, confidence, alternatives and evidence,
and their order; ``seq`` of detector events too as long as nothing else (note, acknowledgement, service event) took a number between. Not
identical: ids count from 1; acknowledgements, runs and events of the service about itself are not repeated; identity texts are not stored,
only that the identity had changed.
A sample as it is stored is the sample that validation made, so where what validation goes by is unchanged it is taken as it is.
Conditions: the replay begins where the detectors began (`Pipeline.begin`: the start of the service, or of the run), and is given what they
were given live (`model.circumstance`); samples of the other devices of a group are there too.
"""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from loadlog.detectors import Context, Detector, Order, Peer, detectors_for
from loadlog.model.circumstance import Begun, Circumstance, Ordered
from loadlog.model.clock import ClockStep, format_utc
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import RefusedError
from loadlog.model.event import Event, EventState, Finding, Onset, Severity
from loadlog.model.learned import Knowledge, Learned, Understanding
from loadlog.model.sample import PollFailure, Reading, Sample
from loadlog.validation import REASONS, Validator

RECENT_EVENTS = 5_000  # cleared events that can still be acknowledged
_STANDING = {Knowledge.LEARNING: 0, Knowledge.LEARNED: 1, Knowledge.FIXED: 2}
_Key = tuple[str, str, str]


class _Book:
    """Turns findings into events; knows the active ones and the last cleared ones."""

    def __init__(self, next_seq: int, next_event_id: int, run_of: Callable[[str], str | None]) -> None:
        self.next_seq = next_seq
        self._next_id = next_event_id
        self._run_of = run_of
        self.active: dict[_Key, Event] = {}
        self._recent: OrderedDict[int, Event] = OrderedDict()

    def take_seq(self) -> int:
        seq = self.next_seq
        self.next_seq += 1
        return seq

    def enter(self, finding: Finding, detected_utc_ns: int, via: str | None = None) -> Event | None:
        """The event's new state, or None when the finding says nothing new. ``via``: the device whose detector says it; an event of a group
        belongs to the run of that device."""
        key = (finding.kind, finding.device or finding.group or "", finding.key)
        current = self.active.get(key)
        if finding.clear:
            return None if current is None else self._clear(key, current, finding)
        if current is None:
            return self._raise(key, finding, detected_utc_ns, via)
        return self._update(key, current, finding)

    def _raise(self, key: _Key, finding: Finding, detected_utc_ns: int, via: str | None) -> Event:
        of = finding.device or via
        event = Event(
            id=self._next_id, seq=self.take_seq(), kind=finding.kind, key=finding.key, device=finding.device, group=finding.group,
            run=self._run_of(of) if of else None, severity=finding.severity,
            state=EventState.CLEARED if finding.momentary else EventState.ACTIVE, onset=finding.onset,
            detected_utc_ns=detected_utc_ns, message=finding.message, cleared_utc_ns=detected_utc_ns if finding.momentary else None,
            confidence=finding.confidence, alternatives=dict(finding.alternatives), evidence=dict(finding.evidence),
        )  # fmt: skip
        self._next_id += 1
        if not finding.momentary:
            self.active[key] = event
        self.remember(event)
        return event

    def _update(self, key: _Key, current: Event, finding: Finding) -> Event | None:
        evidence = {**current.evidence, **finding.evidence}
        event = replace(
            current, severity=finding.severity, message=finding.message, confidence=finding.confidence,
            alternatives=dict(finding.alternatives), evidence=evidence,
        )  # fmt: skip
        if event == current:
            return None
        event = replace(event, seq=self.take_seq())
        self.active[key] = event
        self.remember(event)
        return event

    def _clear(self, key: _Key, current: Event, finding: Finding) -> Event:
        del self.active[key]
        event = replace(
            current, seq=self.take_seq(), state=EventState.CLEARED, cleared_utc_ns=finding.onset.latest_utc_ns,
            evidence={**current.evidence, **finding.evidence},
        )  # fmt: skip
        self.remember(event)
        return event

    def remember(self, event: Event) -> None:
        self._recent[event.id] = event
        self._recent.move_to_end(event.id)
        while len(self._recent) > RECENT_EVENTS:
            self._recent.popitem(last=False)

    def acknowledge(self, event_id: int, by: str, note: str, t_utc_ns: int) -> Event:
        key, current = next(((k, e) for k, e in self.active.items() if e.id == event_id), (None, self._recent.get(event_id)))
        if current is None:
            raise RefusedError(f"there is no event {event_id} that can be acknowledged", hint="loadlog events lists them")
        if current.acknowledged:
            raise RefusedError(f"event {event_id} was acknowledged already by {current.acknowledged_by or 'somebody'}")
        event = replace(
            current, seq=self.take_seq(), acknowledged=True, acknowledged_by=by, note=note,
            evidence={**current.evidence, "acknowledged_at": format_utc(t_utc_ns)},
        )  # fmt: skip
        if key is not None:
            self.active[key] = event
        self.remember(event)
        return event

    def forget(self, concerned: Callable[[Event], bool]) -> None:
        """These events are no longer known."""
        self.active = {key: event for key, event in self.active.items() if not concerned(event)}

    def restore(self, events: Iterable[Event]) -> None:
        for event in events:
            if event.state is EventState.ACTIVE:
                self.active[(event.kind, event.device or event.group or "", event.key)] = event
            self.remember(event)
            self._next_id = max(self._next_id, event.id + 1)


class _Lane:
    """One device: its validator, its detectors and what they may know."""

    __slots__ = ("context", "detectors", "shown", "updates", "validator")

    def __init__(self, device: DeviceSpec, peers: dict[str, Peer], own: Peer) -> None:
        self.validator = Validator(device)
        self.detectors: list[Detector] = detectors_for(device)
        self.updates = [detector.update for detector in self.detectors]
        self.context = Context(device, orders=own.orders, peers=peers)
        self.shown = own if peers else None  # to the others of its group

    def order(self, channel: str, value: float, t_utc_ns: int) -> None:
        """An order of ours to it."""
        self.context.orders.append(Order(channel, value, t_utc_ns, None if self.shown is None else self.shown.drawn_a))


def _lane(device: DeviceSpec, peers: Mapping[str, Peer]) -> _Lane:
    others = {name: p for name, p in peers.items() if device.group is not None and p.device.group == device.group and name != device.name}
    return _Lane(device, others, peers[device.name])


class Pipeline:
    """The live pipeline of all devices of a bench. Not thread-safe: the recorder's writer thread owns it.

    ``next_seq`` and ``next_event_id`` continue after what the recordings hold. ``run_of``: the run that a device is in now, or None.
    """

    def __init__(
        self, devices: Sequence[DeviceSpec], *, next_seq: int, next_event_id: int, run_of: Callable[[str], str | None] = lambda _: None
    ) -> None:
        self._book = _Book(next_seq, next_event_id, run_of)
        self._peers = {d.name: Peer(d) for d in devices}
        self._lanes = {d.name: _lane(d, self._peers) for d in devices}

    @property
    def next_seq(self) -> int:
        """The number that is taken next."""
        return self._book.next_seq

    def take_seq(self) -> int:
        """A number for a record that is not made here (a note)."""
        return self._book.take_seq()

    def begin(self, devices: Sequence[str], t_utc_ns: int, reason: str, recalled: Mapping[str, Understanding] | None = None) -> Begun:
        """Validators and detectors of these devices start afresh, with the events that are active; ``recalled``: device -> what was learned
        before, of which each detector takes what still holds. To be recorded, so that a replay can begin here too."""
        item = Begun(self.take_seq(), t_utc_ns, tuple(devices), reason, dict(recalled or {}))
        self._start_afresh(item)
        return item

    def _start_afresh(self, item: Begun) -> None:
        names = [name for name in item.devices if name in self._lanes]
        for name in names:
            self._peers[name].forget()
            self._lanes[name] = _lane(self._peers[name].device, self._peers)
        self._tell_detectors(self.active(), names)
        for name, known in item.recalled.items():
            if name in self._lanes:
                self.recall(name, known)

    def feed(self, item: Reading | PollFailure) -> tuple[Sample, list[Event]]:
        """Validate one poll and say what it means: the sample, then the events that it caused, in the order of their seq.

        Raises:
            RefusedError: the device is not one of this pipeline.
        """
        lane = self._lane(item.device)
        sample = lane.validator.update(item, self._book.take_seq())
        return sample, self._detect(lane, sample)

    def _lane(self, device: str) -> _Lane:
        lane = self._lanes.get(device)
        if lane is None:
            raise RefusedError(f"there is no device {device!r} in this pipeline")
        return lane

    def _detect(self, lane: _Lane, sample: Sample) -> list[Event]:
        if lane.shown is not None:
            lane.shown.take(sample)
        events: list[Event] = []
        context = lane.context
        for update in lane.updates:
            found = update(sample, context)
            if found:
                events += self._enter(found, sample)
        return events

    def _enter(self, found: Sequence[Finding], sample: Sample) -> list[Event]:
        detected_utc_ns = sample.stamp.t_utc_ns + sample.stamp.half_width_ns
        entered = [self._book.enter(finding, detected_utc_ns, sample.device) for finding in found]
        return [event for event in entered if event is not None]

    def order(self, device: str, channel: str, value: float, t_utc_ns: int) -> Ordered:
        """An order of ours was written to the device (``input_on``, ``setpoint``, ``mode`` by number): what follows from it is no event.

        Call it when the order is given, before any later poll is fed. To be recorded, so that a replay gives it again.
        """
        self._lane(device).order(channel, value, t_utc_ns)
        return Ordered(self.take_seq(), t_utc_ns, device, channel, value)

    def service_finding(self, finding: Finding) -> list[Event]:
        """What the service says about itself; detected at the end of its onset."""
        event = self._book.enter(finding, finding.onset.latest_utc_ns)
        return [] if event is None else [event]

    def clock_stepped(self, step: ClockStep) -> list[Event]:
        """The system clock stepped: one momentary event. Detectors need no notice; they mistrust intervals by themselves."""
        step_s = step.step_ns / 1e9
        onset = Onset(step.t_utc_ns, step.t_utc_ns)
        text = f"the system clock stepped by {step_s:+.3f} s; samples keep their order (check the time service of the machine)"
        return self.service_finding(Finding("clock_step", None, Severity.WARNING, onset, text, momentary=True, evidence={"step_s": step_s}))

    def acknowledge(self, event_id: int, by: str, note: str, t_utc_ns: int) -> Event:
        """Acknowledge an event that is active or was cleared not long ago; its evidence then says when (``acknowledged_at``).

        Raises:
            RefusedError: unknown, or acknowledged already.
        """
        return self._book.acknowledge(event_id, by, note, t_utc_ns)

    def active(self) -> list[Event]:
        """The active events in the order in which they were raised."""
        return sorted(self._book.active.values(), key=lambda e: e.id)

    def restore(self, active: Sequence[Event]) -> None:
        """Go on with the events of before a restart: active ones (detectors clear them when what they saw is over), and cleared ones that
        may still be acknowledged. Events of devices that are no longer configured stay active: nothing sees their end."""
        self._book.restore(active)
        self._tell_detectors(self.active(), self._lanes)

    def _tell_detectors(self, active: Iterable[Event], devices: Collection[str]) -> None:
        for event in active:
            for name in devices:
                if name in self._lanes and self._concerns(event, name):
                    for detector in self._lanes[name].detectors:
                        if event.kind in detector.KINDS:
                            detector.restore(event)

    def _concerns(self, event: Event, device: str) -> bool:
        """It is the device's, or its group's."""
        is_groups = event.device is None and event.group is not None
        return event.device == device or (is_groups and self._lane(device).context.device.group == event.group)

    def give(self, item: Circumstance, recorded: Sequence[Event]) -> None:
        """In a replay: what was given live at this point; ``recorded``: states of events, of which those before it hold."""
        if isinstance(item, Ordered):
            if item.device in self._lanes:
                self._lanes[item.device].order(item.channel, item.value, item.t_utc_ns)
            return
        names = [name for name in item.devices if name in self._lanes]

        def concerned(event: Event) -> bool:
            return any(self._concerns(event, name) for name in names)

        latest = {event.id: event for event in recorded if event.seq < item.seq and concerned(event)}
        self._book.forget(concerned)
        self._book.restore(latest.values())
        self._start_afresh(item)

    def describe(self, devices: Iterable[DeviceSpec]) -> None:
        """In a replay: from their next `Begun` on these devices are what another configuration made of them."""
        for device in devices:
            if device.name in self._peers:
                self._peers[device.name].device = device

    def feed_again(self, stored: Sample, watched: bool, as_stored: bool = False) -> list[Event]:
        """In a replay: one stored sample; of a device that is not watched only those of its group take notice. ``as_stored``: it is judged
        already."""
        lane = self._lanes.get(stored.device)
        if lane is None:
            return []
        if not watched:
            if lane.shown is not None:
                lane.shown.take(stored)
            return []
        self._book.next_seq = stored.seq + 1
        return self._detect(lane, stored if as_stored else lane.validator.update(reading_of(stored), stored.seq))

    def learned(self, device: str, t_utc_ns: int = 0) -> Understanding:
        """What the detectors of a device know at ``t_utc_ns``. Of two that learned the same the one that rests on more is given; what is
        fixed goes before what is learned."""
        facts: dict[str, Learned] = {}
        learning: dict[str, str] = {}
        for detector in self._lane(device).detectors:
            for known in detector.learned():
                other = facts.get(known.name)
                if other is None or (_STANDING[known.state], known.n) > (_STANDING[other.state], other.n):
                    facts[known.name] = known
                if known.waits:
                    why = f"{known.name} {known.rests_on}"
                    for kind in known.kinds or detector.KINDS:
                        learning[kind] = f"{learning[kind]}, {why}" if kind in learning else why
        return Understanding(t_utc_ns, tuple(facts[name] for name in sorted(facts)), learning)

    def recall(self, device: str, known: Understanding) -> None:
        """Go on with what the device's detectors knew before a restart; each takes what still holds."""
        facts = {f.name: f for f in known.facts}
        for detector in self._lane(device).detectors:
            detector.recall(facts)


def reading_of(sample: Sample) -> Reading | PollFailure:
    """What acquisition must have given for this stored sample: only ``counts``, stamp, failure and the reasons that cannot be computed
    again are used, so a store needs to keep no more than those."""
    if sample.failure is not None:
        return PollFailure(sample.device, sample.stamp, sample.failure, sample.detail)
    reasons = {c: r for c, r in sample.uncertain.items() if r == "identity_changed" or (sample.counts.get(c, 0) is None and r in REASONS)}
    return Reading(sample.device, sample.stamp, sample.counts, reasons)


def replay(
    samples: Iterable[Sample], devices: Sequence[DeviceSpec], given: Iterable[Circumstance] = (), before: Sequence[Event] = (),
    watched: Collection[str] | None = None, *, later: Iterable[tuple[int, Iterable[DeviceSpec]]] = (), as_stored: Collection[str] = (),
) -> Iterator[Event]:  # fmt: skip
    """Events of stored samples, which come in the order of their seq. See the module for what is identical.

    Args:
        samples: of any devices; those of devices that are not in ``devices`` are passed over.
        given: what the detectors were given besides samples.
        before: states of events as recorded; what was active where the detectors began is taken from them.
        watched: devices whose events are wanted, None for all. Samples of the others are only seen by those of their group.
        later: from which number on devices are described otherwise, where the configuration was changed and they began afresh.
        as_stored: devices whose samples need no validation, since what they are validated by is what it was when they were stored.
    """
    pipeline = Pipeline(devices, next_seq=1, next_event_id=1)
    pending = deque(sorted(given, key=lambda item: item.seq))
    changes = deque(sorted(later, key=lambda change: change[0]))
    for stored in samples:
        while pending and pending[0].seq < stored.seq:
            while changes and changes[0][0] <= pending[0].seq:
                pipeline.describe(changes.popleft()[1])
            pipeline.give(pending.popleft(), before)
        yield from pipeline.feed_again(stored, watched is None or stored.device in watched, stored.device in as_stored)


def normalised(event: Event) -> dict[str, Any]:
    """An event without what a replay cannot repeat (id, seq, run, acknowledgement), for comparison."""
    evidence = {k: v for k, v in event.evidence.items() if k != "acknowledged_at"}
    return {**event.to_json(), "id": 0, "run": None, "acknowledged": False, "acknowledged_by": "", "evidence": evidence, "key": event.key}
