"""Channels over a span in buckets: from the rollup where buckets of minutes will do, from the rows elsewhere.

The rollup covers whole minutes up to the last span. What it does not cover (the minutes at both ends of the wanted span, and the newest
rows) is added from the rows, so the result is the one that a plain walk over all samples would give, bit for bit: sums are integers
until the one division at the end.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from loadlog.model.errors import UsageError
from loadlog.model.quantity import Scale
from loadlog.model.sample import Quality
from loadlog.store.aggregate import Grouping
from loadlog.store.connect import reading
from loadlog.store.edges import rolled_seq, snapshot
from loadlog.store.rollup import Sums, rolled_buckets
from loadlog.store.rows import Layout
from loadlog.store.schema import MINUTE_NS
from loadlog.store.slabs import Slab, Wanted, rows_at_most, slabs

SEALED_ROWS = 750_000  # sealed rows times columns (time and quality are two) that are decoded at most before minutes are used
HOT_ROWS = 150_000  # hot rows of all devices, likewise
_QUALITIES = tuple(Quality)  # by number; calling the enumeration costs as much as the rest of a bucket
Part = tuple[Path, int, Layout]  # recording, number of the device in it, its channels there


@dataclass(frozen=True, slots=True)
class Bucket:
    """``t_utc_ns``: start of the bucket, or the sample's own instant. ``minimum``, ``mean``, ``maximum`` are None when no poll gave a
    value; ``count``: polls with a value; ``worst``: worst quality, failed polls included."""

    t_utc_ns: int
    minimum: float | None
    mean: float | None
    maximum: float | None
    count: int
    worst: Quality


@dataclass(frozen=True, slots=True)
class Series:
    """``width_ns`` is 0 where each bucket is one sample. Buckets without a poll are not there: what is missing is not drawn."""

    device: str
    from_ns: int
    to_ns: int
    width_ns: int
    channels: dict[str, list[Bucket]]


@dataclass(slots=True)
class _Total:
    """One bucket of one channel; ``numerator`` over the channel's common denominator."""

    count: int = 0
    numerator: int = 0
    minimum: float = math.inf
    maximum: float = -math.inf
    worst: int = 0

    def bucket(self, t_utc_ns: int, den: int) -> Bucket:
        if not self.count:
            return Bucket(t_utc_ns, None, None, None, 0, _QUALITIES[self.worst])
        mean = self.numerator / (den * self.count)
        return Bucket(t_utc_ns, self.minimum, mean, self.maximum, self.count, _QUALITIES[self.worst])


@dataclass(slots=True)
class _Channel:
    """One channel over all parts. ``den``: common denominator of its scales."""

    name: str
    den: int = 1
    totals: dict[int, _Total] = field(default_factory=dict)
    polls: int = 0

    def add(self, key: int, scale: Scale, sums: Sums) -> None:
        self.polls += sums.rows
        total = self.totals.get(key)
        if total is None:
            total = self.totals[key] = _Total()
        if sums.worst > total.worst:
            total.worst = sums.worst
        if sums.minimum is None or sums.maximum is None:
            return
        low, high = scale.value(sums.minimum), scale.value(sums.maximum)
        if low > high:  # a negative factor
            low, high = high, low
        total.count += sums.count
        total.numerator += (sums.total * scale.num + scale.off * sums.count) * (self.den // scale.den)
        if low < total.minimum:
            total.minimum = low
        if high > total.maximum:
            total.maximum = high


def make_series(device: str, names: tuple[str, ...], from_ns: int, to_ns: int, points: int, parts: Sequence[Part]) -> Series:
    """See `Archive.series`. ``parts`` touch the span, oldest first."""
    channels = [_channel(name, parts) for name in names]
    width_ns = -(-(to_ns - from_ns) // points)
    if width_ns >= MINUTE_NS:  # minutes will do, and say how many samples there are
        series = _bucketed(device, channels, from_ns, to_ns, width_ns, parts)
        if not channels or channels[0].polls > points:
            return series
    if _are_few(names, from_ns, to_ns, parts):
        raw = _raw(device, channels, from_ns, to_ns, points, parts)
        return raw or _bucketed(device, [_channel(name, parts) for name in names], from_ns, to_ns, width_ns, parts)
    return series if width_ns >= MINUTE_NS else _bucketed(device, channels, from_ns, to_ns, MINUTE_NS, parts)


def _bucketed(device: str, channels: list[_Channel], from_ns: int, to_ns: int, width_ns: int, parts: Sequence[Part]) -> Series:
    """Buckets of a minute and more out of the minutes, shorter ones out of the samples."""
    use_minutes = width_ns >= MINUTE_NS
    if use_minutes:
        width_ns = -(-width_ns // MINUTE_NS) * MINUTE_NS
    for path, number, layout in parts:
        with reading(path) as connection:
            walk = _Walk(connection, path, number, layout, channels, width_ns)
            walk.minutes_and_rows(from_ns, to_ns) if use_minutes else walk.rows(from_ns, to_ns)
    lists = {c.name: [c.totals[k].bucket(k * width_ns, c.den) for k in sorted(c.totals)] for c in channels}
    return Series(device, from_ns, to_ns, width_ns, lists)


def _channel(name: str, parts: Sequence[Part]) -> _Channel:
    scales = [layout.spec.channels[layout.positions[name]].scale for _, _, layout in parts if name in layout.positions]
    if parts and not scales:
        known = ", ".join(parts[-1][2].names)
        raise UsageError(f"device {parts[-1][2].spec.name} has no channel {name!r}", hint=f"there are {known}")
    return _Channel(name, math.lcm(*(scale.den for scale in scales)) if scales else 1)


def _are_few(names: tuple[str, ...], from_ns: int, to_ns: int, parts: Sequence[Part]) -> bool:
    """Whether the samples themselves can be walked; stops counting when it knows."""
    sealed = hot = 0
    for path, number, layout in parts:
        with reading(path) as connection:
            counted = rows_at_most(connection, Wanted(path, number, layout, (), from_ns, to_ns))
        sealed, hot = sealed + counted[0] * (2 + len(names)), hot + counted[1]
        if sealed > SEALED_ROWS or hot > HOT_ROWS:
            return False
    return True


def _raw(device: str, channels: list[_Channel], from_ns: int, to_ns: int, points: int, parts: Sequence[Part]) -> Series | None:
    """Every sample by itself, or None when there are more than ``points``."""
    out: dict[str, list[tuple[int, Bucket]]] = {c.name: [] for c in channels}
    seen = 0
    for path, number, layout in parts:
        present = tuple(c.name for c in channels if c.name in layout.positions)
        with reading(path) as connection:
            for slab in slabs(connection, Wanted(path, number, layout, present, from_ns, to_ns)):
                seen += len(slab.times)
                if seen > points:
                    return None
                for name in present:
                    out[name] += _buckets(slab, name)
    ordered = {name: [bucket for _, bucket in sorted(pairs, key=lambda p: p[0])] for name, pairs in out.items()}
    return Series(device, from_ns, to_ns, 0, ordered)


def _buckets(slab: Slab, name: str) -> Iterator[tuple[int, Bucket]]:
    position = slab.layout.positions[name]
    scale, sentinels = slab.layout.spec.channels[position].scale, slab.layout.sentinels[position]
    rows = zip(slab.seqs.tolist(), slab.times.tolist(), slab.channel(name).cells(), slab.worst(name).tolist(), strict=True)
    for seq, t_utc_ns, cell, worst in rows:
        count = None if cell is None else int(cell)
        if count is None or count in sentinels:
            yield seq, Bucket(t_utc_ns, None, None, None, 0, _QUALITIES[worst])
        else:
            value = scale.value(count)
            yield seq, Bucket(t_utc_ns, value, value, value, 1, _QUALITIES[worst])


@dataclass(slots=True)
class _Walk:
    """Adds one recording to the buckets of ``channels``."""

    connection: sqlite3.Connection
    path: Path
    number: int
    layout: Layout
    channels: list[_Channel]
    width_ns: int

    def rows(self, from_ns: int, to_ns: int, after_seq: int = 0) -> None:
        """From the samples with numbers after ``after_seq``."""
        if from_ns >= to_ns:
            return
        present = [c for c in self.channels if c.name in self.layout.positions]
        wanted = Wanted(self.path, self.number, self.layout, tuple(c.name for c in present), from_ns, to_ns, after_seq)
        for slab in slabs(self.connection, wanted):
            buckets = Grouping(slab.times // self.width_ns)
            for channel in present:
                position = self.layout.positions[channel.name]
                sums = buckets.sums(slab.channel(channel.name), self.layout.sentinels[position], slab.worst(channel.name))
                scale = self._scale(channel.name)
                for key, one in zip(buckets.keys, sums, strict=True):
                    channel.add(key, scale, one)

    def _scale(self, name: str) -> Scale:
        return self.layout.spec.channels[self.layout.positions[name]].scale

    def minutes_and_rows(self, from_ns: int, to_ns: int) -> None:
        """From the rollup for the whole minutes, from the samples for the rest. The two are read in one transaction, so that rows that are
        sealed meanwhile are counted once."""
        first_minute, end_minute = -(-from_ns // MINUTE_NS), to_ns // MINUTE_NS
        if first_minute >= end_minute:
            self.rows(from_ns, to_ns)
            return
        with snapshot(self.connection):
            rolled = rolled_seq(self.connection)
            self._minutes(first_minute, end_minute)
            self.rows(first_minute * MINUTE_NS, end_minute * MINUTE_NS, after_seq=rolled)
        self.rows(from_ns, first_minute * MINUTE_NS)
        self.rows(end_minute * MINUTE_NS, to_ns)

    def _minutes(self, first_minute: int, end_minute: int) -> None:
        for channel in self.channels:
            position = self.layout.positions.get(channel.name)
            if position is not None:
                scale = self._scale(channel.name)
                for key, sums in rolled_buckets(
                    self.connection, (self.number, position), (first_minute, end_minute), self.width_ns // MINUTE_NS
                ):  # fmt: skip
                    channel.add(key, scale, sums)
