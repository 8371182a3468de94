"""Samples, events and notes as rows, and back: bit for bit.

A row keeps the integer counts; values, status and uncertainties follow from them and from the device's description in the recording, by the
same arithmetic as live (`model.quantity`). A held channel (not read in this poll) keeps the count of its last reading in the row, so
every row can be read by itself; the mask ``held`` tells it from a reading. NULL means *no value*; a channel that has not been read yet is
named in ``marks``. A poll that failed has no values at all.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from operator import itemgetter
from typing import Any, NamedTuple

from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.event import Event, EventState, Onset, Severity
from loadlog.model.quantity import standard_uncertainty
from loadlog.model.sample import EMPTY, FailureCause, Quality, Sample, sample_of, stamp_of
from loadlog.store.connect import DamagedError
from loadlog.store.schema import compact

INT64 = 1 << 63
NS = 1e9
QUALITIES = tuple(Quality)  # by number
REMEMBERED = 1024  # counts of a channel whose reading need not be computed again
_Reading = tuple[float | None, float | None]


class Marks(NamedTuple):
    """What ``marks`` says beside the numbers."""

    uncertain: Mapping[str, str]
    bad: frozenset[str]
    absent: frozenset[str]
    detail: str


NOT_HELD = frozenset[str]()
NO_MARKS = Marks(EMPTY, frozenset(), frozenset(), "")


@lru_cache(maxsize=4096)
def parse_marks(text: str) -> Marks:
    """The inverse of `Layout._marks`.

    Raises:
        DamagedError: it is not what was written; without the marks nobody knows which reading to doubt.
    """
    try:
        data: dict[str, Any] = json.loads(text)
        return Marks(
            data.get("uncertain", EMPTY), frozenset(data.get("bad", ())), frozenset(data.get("absent", ())), data.get("detail", "")
        )  # fmt: skip
    except (AttributeError, TypeError, ValueError) as exc:
        raise DamagedError(f"is damaged: marks of a sample unreadable ({exc})", hint="restore it from a copy") from exc


class Row(NamedTuple):
    """One stored poll of one device as it lies in the file; ``counts`` in the order of the device's channels."""

    seq: int
    t_utc_ns: int
    half_width_ns: int
    lateness_ns: int
    quality: int
    failure: str | None
    held: int | str | None
    marks: str | None
    counts: tuple[int | str | None, ...]


class _Kind:
    """The polls of a device in which the same channels are ``held``, where nothing is missing: their counts are put together without a
    loop, and those of held channels remembered, since they stay the same from poll to poll. ``mask``: as in a row."""

    def __init__(self, channels: Sequence[ChannelSpec], held: frozenset[str]) -> None:
        names = [channel.name for channel in channels]
        self._channels = [channel for channel in channels if channel.name in held]
        read = [name for name in names if name not in held]
        self.mask = sum(1 << names.index(channel.name) for channel in self._channels) if held else None
        self._size = len(read) if len(read) > 1 and held <= set(names) else -1  # a getter of one thing does not give a tuple
        if self._size < 0:
            return
        self._read = itemgetter(*read)
        together = [*read, *(channel.name for channel in self._channels)]
        self._in_order = itemgetter(*map(together.index, names))
        self._values = _getter([c.name for c in self._channels if c.kind == "number"])
        self._status = _getter([c.name for c in self._channels if c.kind != "number"])
        self._known: tuple[Any, Any] | None = None
        self._held_counts: tuple[int | None, ...] = ()

    def counts(self, sample: Sample) -> tuple[int | None, ...] | None:
        """In the order of the channels; None when something is missing, or there are counts of held channels too."""
        if len(sample.counts) != self._size:
            return None
        try:
            read: tuple[int | None, ...] = self._read(sample.counts)
            if self.mask is None:
                return read
            now = self._values(sample.values), self._status(sample.status)
        except KeyError:
            return None
        if now != self._known:
            self._held_counts = tuple(_held_count(channel, sample) for channel in self._channels)
            self._known = now
        counts: tuple[int | None, ...] = self._in_order(read + self._held_counts)
        return counts


def _getter(names: Sequence[str]) -> Callable[[Mapping[str, Any]], Any]:
    """What a mapping holds under these names; of none, something that says no change."""
    return itemgetter(*names) if names else lambda _: None


def _held_count(channel: ChannelSpec, sample: Sample) -> int | None:
    """The count behind a held value."""
    if channel.kind != "number":
        return sample.status.get(channel.name)
    value = sample.values.get(channel.name)
    return None if value is None else channel.scale.count(value)


class Layout:
    """The channels of one device in their stored order; makes rows of samples and samples of rows."""

    def __init__(self, spec: DeviceSpec) -> None:
        self.spec = spec
        self.names = tuple(c.name for c in spec.channels)
        self.positions = {name: i for i, name in enumerate(self.names)}
        self.sentinels = tuple(c.sentinels if c.kind == "number" else frozenset[int]() for c in spec.channels)
        self._numbers = tuple((c.name, dict[int | None, _Reading](), c) for c in spec.channels if c.kind == "number")
        self._status = tuple(c.name for c in spec.channels if c.kind != "number")
        self._kinds: dict[frozenset[str], _Kind] = {}
        self._not_held: dict[int | str, tuple[frozenset[str], tuple[tuple[str, int], ...]]] = {}

    def encode(self, sample: Sample, seq: int) -> tuple[Any, ...]:
        """``(seq, t, half width, lateness, quality, failure, held, marks, counts...)``; a tuple of plain values only. Integers of any size:
        `storable_cell` makes texts of those that SQLite does not hold."""
        stamp, failure = sample.stamp, sample.failure
        kind = self._kinds.get(sample.held) or self._kind(sample.held)
        counts = kind.counts(sample)
        if counts is not None:
            held, complete = kind.mask, True
        else:
            held, counts = self._one_by_one(sample)
            complete = failure is not None or len(sample.counts) + len(sample.held) == len(self.names)
        marks = None if complete and not (sample.uncertain or sample.bad or sample.detail) else self._marks(sample)
        of_poll = (
            seq, stamp.t_utc_ns, stamp.half_width_ns, round(stamp.lateness_s * NS), +sample.quality,
            None if failure is None else failure.value, held, marks,
        )  # fmt: skip
        return of_poll + counts  # faster than unpacking

    def _kind(self, held: frozenset[str]) -> _Kind:
        if len(self._kinds) >= REMEMBERED:
            self._kinds.clear()
        found = self._kinds[held] = _Kind(self.spec.channels, held)
        return found

    def _one_by_one(self, sample: Sample) -> tuple[int | None, tuple[int | None, ...]]:
        """Mask of the held channels, and the counts."""
        counts = list(map(sample.counts.get, self.names))
        mask = self._take_held(sample, counts) if sample.held else None
        return mask, tuple(counts)

    def _take_held(self, sample: Sample, counts: list[int | None]) -> int:
        """Fill in the counts of the held channels that are not in ``sample.counts``; returns their mask."""
        mask = 0
        for name in sample.held:
            position = self.positions.get(name)
            if position is None:
                continue
            mask |= 1 << position
            if counts[position] is None:
                counts[position] = _held_count(self.spec.channels[position], sample)
        return mask

    def _marks(self, sample: Sample) -> str | None:
        """Compact JSON of everything that is not usual, or None."""
        marks: dict[str, Any] = {}
        if sample.uncertain:
            marks["uncertain"] = dict(sample.uncertain)
        if sample.bad:
            marks["bad"] = sorted(sample.bad)
        if sample.failure is None and len(sample.counts) + len(sample.held) != len(self.names):
            marks["absent"] = [name for name in self.names if name not in sample.counts and name not in sample.held]
        if sample.detail:
            marks["detail"] = sample.detail
        return compact(marks) if marks else None

    def decode(self, row: Row) -> Sample:
        """The sample that was stored; ``t_mono_ns`` is 0, it has no meaning outside its process."""
        marks = NO_MARKS if row.marks is None else parse_marks(row.marks)
        stamp = stamp_of(row.t_utc_ns, row.half_width_ns, 0, row.lateness_ns / NS)
        name, quality = self.spec.name, QUALITIES[row.quality]
        if row.failure is not None:
            cause = FailureCause(row.failure)
            return Sample(
                row.seq, name, stamp, quality, {}, {}, {}, {}, marks.uncertain, marks.bad, failure=cause, detail=marks.detail
            )  # fmt: skip
        cells: Sequence[Any] = row.counts
        if str in map(type, cells):
            cells = [int(c) if isinstance(c, str) else c for c in cells]
        known: dict[str, int | None] = dict(zip(self.names, cells, strict=False))
        status = {}
        for channel in self._status:
            count = known.get(channel)
            if count is not None:
                status[channel] = count
        values, uncertainty = self._readings(known)
        held, counts = NOT_HELD, known
        if row.held is not None:
            held, read = self._not_held.get(row.held) or self._of_mask(row.held)
            counts = {n: cells[place] for n, place in read if place < len(cells)}
        if marks.absent:
            counts = {n: c for n, c in counts.items() if n not in marks.absent}
        return sample_of(
            row.seq, name, stamp, quality, counts, values, status, uncertainty, marks.uncertain, marks.bad, held, marks.detail
        )  # fmt: skip

    def _of_mask(self, mask: int | str) -> tuple[frozenset[str], tuple[tuple[str, int], ...]]:
        """The held channels, and the others with their places."""
        held = self._held_names(int(mask))
        if len(self._not_held) >= REMEMBERED:
            self._not_held.clear()
        found = self._not_held[mask] = held, tuple((n, place) for place, n in enumerate(self.names) if n not in held)
        return found

    def _readings(self, known: Mapping[str, int | None]) -> tuple[dict[str, float | None], dict[str, float]]:
        values: dict[str, float | None] = {}
        uncertainty: dict[str, float] = {}
        for name, remembered, channel in self._numbers:
            count = known.get(name)
            found = remembered.get(count)
            if found is None:
                if len(remembered) >= REMEMBERED:
                    remembered.clear()
                found = remembered[count] = _reading(channel, count)
            values[name] = found[0]
            if found[1] is not None:
                uncertainty[name] = found[1]
        return values, uncertainty

    def held(self, row: Row) -> frozenset[str]:
        """The channels whose value was kept from an earlier poll."""
        if row.held is None:
            return NOT_HELD
        return self._held_names(int(row.held))

    @lru_cache(maxsize=256)  # noqa: B019 - layouts live as long as their recording
    def _held_names(self, mask: int) -> frozenset[str]:
        return frozenset(name for i, name in enumerate(self.names) if mask >> i & 1)


def _reading(channel: ChannelSpec, count: int | None) -> _Reading:
    """(value, standard uncertainty); None where there is none."""
    if count is None or count in channel.sentinels:
        return None, None
    value = channel.scale.value(count)
    return value, standard_uncertainty(value, channel.accuracy, channel.resolution)


def storable_cell(cell: Any) -> Any:
    """An integer beyond 64 bits as decimal text."""
    return str(cell) if isinstance(cell, int) and not -INT64 <= cell < INT64 else cell


EVENT_COLUMNS = (
    'seq, id, kind, key, device, "group", run, severity, state, onset_earliest_utc_ns, onset_latest_utc_ns, detected_utc_ns, '
    "cleared_utc_ns, acknowledged, confidence, message, body, carried"
)


def event_row(event: Event, carried: bool) -> tuple[Any, ...]:
    """In the order of `EVENT_COLUMNS`.

    Raises:
        TypeError, ValueError: the evidence cannot be written as JSON.
    """
    body = compact(
        {
            "acknowledged_by": event.acknowledged_by, "note": event.note, "alternatives": dict(event.alternatives),
            "evidence": dict(event.evidence),
        }
    )  # fmt: skip
    return (
        event.seq, event.id, event.kind, event.key, event.device, event.group, event.run, str(event.severity), str(event.state),
        event.onset.earliest_utc_ns, event.onset.latest_utc_ns, event.detected_utc_ns, event.cleared_utc_ns, int(event.acknowledged),
        event.confidence, event.message, body, int(carried),
    )  # fmt: skip


def event_from_row(row: tuple[Any, ...]) -> Event:
    """The inverse of `event_row`.

    Raises:
        DamagedError: it is not what was written.
    """
    (seq, id_, kind, key, device, group, run, severity, state, earliest, latest, detected, cleared, acknowledged, confidence, message, body,
     _carried) = row  # fmt: skip
    try:
        if not all(isinstance(number, int) for number in (seq, id_, earliest, latest, detected, cleared or 0)):
            raise ValueError("a number is none")
        more: dict[str, Any] = json.loads(body)
        return Event(
            id=id_, seq=seq, kind=kind, key=key, device=device, group=group, run=run, severity=Severity(severity), state=EventState(state),
            onset=Onset(earliest, latest), detected_utc_ns=detected, message=message, cleared_utc_ns=cleared,
            acknowledged=bool(acknowledged), acknowledged_by=more["acknowledged_by"], note=more["note"], confidence=confidence,
            alternatives=more["alternatives"], evidence=more["evidence"],
        )  # fmt: skip
    except (KeyError, TypeError, ValueError) as exc:
        raise DamagedError(f"is damaged: event {id_} unreadable ({exc!r})", hint="restore it from a copy") from exc
