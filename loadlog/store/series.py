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
from loadlog.store.connect import reading
from loadlog.store.pages import Page, read_page, seq_ranges
from loadlog.store.rollup import Sums, worst_of
from loadlog.store.rows import Layout, Row, parse_marks
from loadlog.store.schema import MINUTE_NS

RAW_ROWS = 300_000  # rows of all devices that are walked at most before minutes are used
PAGE_ROWS = 5000
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
            return Bucket(t_utc_ns, None, None, None, 0, Quality(self.worst))
        mean = self.numerator / (den * self.count)
        return Bucket(t_utc_ns, self.minimum, mean, self.maximum, self.count, Quality(self.worst))


@dataclass(slots=True)
class _Channel:
    """One channel over all parts. ``den``: common denominator of its scales."""

    name: str
    den: int = 1
    totals: dict[int, _Total] = field(default_factory=dict)

    def add(self, key: int, scale: Scale, sums: Sums) -> None:
        total = self.totals.get(key)
        if total is None:
            total = self.totals[key] = _Total()
        total.worst = max(total.worst, sums.worst)
        if sums.minimum is None or sums.maximum is None:
            return
        ends = (scale.value(sums.minimum), scale.value(sums.maximum))
        total.count += sums.count
        total.numerator += (sums.total * scale.num + scale.off * sums.count) * (self.den // scale.den)
        total.minimum, total.maximum = min(total.minimum, *ends), max(total.maximum, *ends)


def make_series(device: str, names: tuple[str, ...], from_ns: int, to_ns: int, points: int, parts: Sequence[Part]) -> Series:
    """See `Archive.series`. ``parts`` touch the span, oldest first."""
    channels = [_channel(name, parts) for name in names]
    ranges: list[list[tuple[int, int]]] = []
    for path, _number, _layout in parts:
        with reading(path) as connection:
            ranges.append(seq_ranges(connection, from_ns, to_ns))
    rows_at_most = sum(last - first + 1 for part in ranges for first, last in part)
    if rows_at_most <= RAW_ROWS:
        raw = _raw(device, channels, from_ns, to_ns, points, parts)
        if raw is not None:
            return raw
    width_ns = -(-(to_ns - from_ns) // points)
    use_minutes = width_ns >= MINUTE_NS or rows_at_most > RAW_ROWS
    if use_minutes:
        width_ns = -(-width_ns // MINUTE_NS) * MINUTE_NS
    for path, number, layout in parts:
        with reading(path) as connection:
            walk = _Walk(connection, number, layout, channels, width_ns)
            walk.minutes_and_rows(from_ns, to_ns) if use_minutes else walk.rows(from_ns, to_ns)
    lists = {c.name: [c.totals[k].bucket(k * width_ns, c.den) for k in sorted(c.totals)] for c in channels}
    return Series(device, from_ns, to_ns, width_ns, lists)


def _channel(name: str, parts: Sequence[Part]) -> _Channel:
    scales = [layout.spec.channels[layout.positions[name]].scale for _, _, layout in parts if name in layout.positions]
    if parts and not scales:
        known = ", ".join(parts[-1][2].names)
        raise UsageError(f"device {parts[-1][2].spec.name} has no channel {name!r}", hint=f"there are {known}")
    return _Channel(name, math.lcm(*(scale.den for scale in scales)) if scales else 1)


def _raw(device: str, channels: list[_Channel], from_ns: int, to_ns: int, points: int, parts: Sequence[Part]) -> Series | None:
    """Every sample by itself, or None when there are more than ``points``."""
    out: dict[str, list[tuple[int, Bucket]]] = {c.name: [] for c in channels}
    seen = 0
    for path, number, layout in parts:
        with reading(path) as connection:
            for row in _rows(connection, number, layout, from_ns, to_ns):
                seen += 1
                if seen > points:
                    return None
                for channel in channels:
                    if channel.name in layout.positions:
                        out[channel.name].append((row.seq, _bucket_of(row, layout, channel.name)))
    ordered = {name: [bucket for _, bucket in sorted(pairs, key=lambda p: p[0])] for name, pairs in out.items()}
    return Series(device, from_ns, to_ns, 0, ordered)


def _bucket_of(row: Row, layout: Layout, name: str) -> Bucket:
    sums = _sums_of(row, layout, name)
    scale = layout.spec.channels[layout.positions[name]].scale
    value = None if sums.minimum is None else scale.value(sums.minimum)
    return Bucket(row.t_utc_ns, value, value, value, sums.count, Quality(sums.worst))


def _sums_of(row: Row, layout: Layout, name: str) -> Sums:
    cell = row.counts[layout.positions[name]]
    marks = None if row.marks is None else parse_marks(row.marks)
    worst = worst_of(marks, row.failure is not None, name)
    count = None if cell is None else int(cell)
    if count is None or count in layout.sentinels[layout.positions[name]]:
        return Sums(1, 0, 0, None, None, worst)
    return Sums(1, 1, count, count, count, worst)


def _rows(
    connection: sqlite3.Connection, number: int, layout: Layout, from_ns: int, to_ns: int, after_seq: int = 0
) -> Iterator[Row]:  # fmt: skip
    for first, last in seq_ranges(connection, from_ns, to_ns):
        after = max(first - 1, after_seq)
        while after < last:
            page = read_page(connection, Page(number, len(layout.names), after, last, from_ns, to_ns, PAGE_ROWS))
            yield from page.rows
            after = page.reached


@dataclass(slots=True)
class _Walk:
    """Adds one recording to the buckets of ``channels``."""

    connection: sqlite3.Connection
    number: int
    layout: Layout
    channels: list[_Channel]
    width_ns: int

    def rows(self, from_ns: int, to_ns: int, after_seq: int = 0) -> None:
        """From the rows with numbers after ``after_seq``."""
        present = [(c, c.name, self._scale(c.name)) for c in self.channels if c.name in self.layout.positions]
        for row in _rows(self.connection, self.number, self.layout, from_ns, to_ns, after_seq):
            key = row.t_utc_ns // self.width_ns
            for channel, name, scale in present:
                channel.add(key, scale, _sums_of(row, self.layout, name))

    def _scale(self, name: str) -> Scale:
        return self.layout.spec.channels[self.layout.positions[name]].scale

    def minutes_and_rows(self, from_ns: int, to_ns: int) -> None:
        """From the rollup for the whole minutes, from the rows for the rest. The two are read in one transaction, so that a span that
        closes meanwhile is counted once."""
        first_minute, end_minute = -(-from_ns // MINUTE_NS), to_ns // MINUTE_NS
        if first_minute >= end_minute:
            self.rows(from_ns, to_ns)
            return
        self.connection.execute("BEGIN")
        try:
            rolled = self.connection.execute("SELECT coalesce(max(last_seq), 0) FROM span").fetchone()[0]
            self._minutes(first_minute, end_minute)
            self.rows(first_minute * MINUTE_NS, end_minute * MINUTE_NS, after_seq=rolled)
        finally:
            self.connection.execute("COMMIT")
        self.rows(from_ns, first_minute * MINUTE_NS)
        self.rows(end_minute * MINUTE_NS, to_ns)

    def _minutes(self, first_minute: int, end_minute: int) -> None:
        query = (
            "SELECT minute, rows, count, sum, minimum, maximum, worst FROM rollup "
            "WHERE device = ? AND position = ? AND minute >= ? AND minute < ?"
        )
        for channel in self.channels:
            position = self.layout.positions.get(channel.name)
            if position is None:
                continue
            scale = self._scale(channel.name)
            for minute, *row in self.connection.execute(query, (self.number, position, first_minute, end_minute)):
                channel.add(minute * MINUTE_NS // self.width_ns, scale, Sums.of_row(tuple(row)))
