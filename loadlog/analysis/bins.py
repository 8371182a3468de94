"""Means of several channels over short equal stretches of UTC, for whatever is slow: temperature, drift, two devices side by side.

A poll counts only when *all* channels that are due in it are good; a bin of a channel is the mean of its good samples. Bins of two devices
have the same borders and can be joined. Memory: one row a bin.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from loadlog.analysis.chunk import Chunk, Floats, Ints
from loadlog.model.clock import NS
from loadlog.model.errors import UsageError

MANY_BINS = 2000
COARSEST_S = 60.0


@dataclass(frozen=True, slots=True)
class BinTable:
    """``index`` [n]: number of the bin since the epoch; ``means``: channel -> [n], NaN where a bin has no good sample of it; ``counts``
    likewise. ``bin_s``: width."""

    bin_s: float
    index: Ints
    means: Mapping[str, Floats]
    counts: Mapping[str, Ints]

    def __len__(self) -> int:
        return len(self.index)

    @property
    def time_s(self) -> Floats:
        """Middle of each bin, s after the middle of the first."""
        return (self.index - self.index[0]) * self.bin_s if len(self.index) else np.zeros(0)

    def with_all(self, *channels: str) -> BinTable:
        """The bins in which every one of these channels has a mean."""
        mask = np.ones(len(self.index), np.bool_)
        for name in channels:
            mask &= np.isfinite(self.means[name]) if name in self.means else np.zeros(len(self.index), np.bool_)
        return self.where(mask)

    def where(self, mask: np.ndarray) -> BinTable:
        """The bins that the mask names."""
        means = {n: m[mask] for n, m in self.means.items()}
        return BinTable(self.bin_s, self.index[mask], means, {n: c[mask] for n, c in self.counts.items()})

    def without(self, index: Ints, channels: Sequence[str]) -> BinTable:
        """The same without means of these channels in the bins of these numbers."""
        out = np.isin(self.index, index)
        means = {n: np.where(out, np.nan, m) if n in channels else m for n, m in self.means.items()}
        counts = {n: np.where(out, 0, c) if n in channels else c for n, c in self.counts.items()}
        return BinTable(self.bin_s, self.index, means, counts)

    def coarser(self, bin_s: float) -> BinTable:
        """The same in wider bins.

        Raises:
            UsageError: not a multiple of the present width.
        """
        times = round(bin_s / self.bin_s)
        if times < 1 or abs(times * self.bin_s - bin_s) > 1e-9 * bin_s:
            raise UsageError(f"bins of {self.bin_s:g} s do not make bins of {bin_s:g} s")
        index, place = np.unique(self.index // times, return_inverse=True)
        means, counts = {}, {}
        for name, mean in self.means.items():
            count = np.bincount(place, weights=self.counts[name], minlength=len(index))
            total = np.bincount(place, weights=np.where(self.counts[name] > 0, mean * self.counts[name], 0.0), minlength=len(index))
            with np.errstate(invalid="ignore", divide="ignore"):
                means[name] = np.where(count > 0, total / count, np.nan)
            counts[name] = count.astype(np.int64)
        return BinTable(bin_s, index, means, counts)

    def after(self, seconds: float) -> BinTable:
        """The bins that begin at least so long after the first one's begin."""
        return self.where(self.time_s >= seconds)


class Bins:
    """Sums of the good samples of ``channels`` by bin. ``products``: name -> two channels whose product, poll by poll, is averaged too."""

    def __init__(
        self, channels: Sequence[str], bin_s: float = COARSEST_S, products: Mapping[str, tuple[str, str]] = MappingProxyType({})
    ) -> None:
        if not bin_s > 0:
            raise UsageError("bin_s must be positive")
        self._channels, self._bin_ns, self._products = (*channels, *products), round(bin_s * NS), products
        self._sums: dict[int, list[float]] = {}

    @property
    def bin_s(self) -> float:
        """Width of a bin, s."""
        return self._bin_ns / NS

    def add(self, chunk: Chunk) -> None:
        """Take in a chunk."""
        if not len(chunk):
            return
        numbers = chunk.t_utc_ns // self._bin_ns
        starts = np.concatenate(([0], np.flatnonzero(numbers[1:] != numbers[:-1]) + 1))  # a bin comes again where the clock stepped back
        bins, polls = numbers[starts], np.diff(np.concatenate((starts, [len(chunk)])))
        table = np.zeros((len(bins), 2 * len(self._channels)))
        for position, name in enumerate(self._channels):
            factors = self._products.get(name, (name,))
            good = chunk.good(*factors)
            whole = good.all()
            values = chunk.values(factors[0])
            if len(factors) > 1:
                values = values * chunk.values(factors[1])
            table[:, 2 * position] = polls if whole else np.add.reduceat(good, starts, dtype=np.int64)
            table[:, 2 * position + 1] = np.add.reduceat(values if whole else np.where(good, values, 0.0), starts)
        for number, row in zip(bins.tolist(), table, strict=True):
            known = self._sums.get(number)
            self._sums[number] = row.tolist() if known is None else [a + b for a, b in zip(known, row.tolist(), strict=True)]

    def table(self) -> BinTable:
        """The means, in order of time."""
        index = np.array(sorted(self._sums), dtype=np.int64)
        rows = np.array([self._sums[i] for i in index.tolist()]).reshape(len(index), 2 * len(self._channels))
        means, counts = {}, {}
        for position, name in enumerate(self._channels):
            count = rows[:, 2 * position]
            with np.errstate(invalid="ignore", divide="ignore"):
                means[name] = np.where(count > 0, rows[:, 2 * position + 1] / count, np.nan)
            counts[name] = count.astype(np.int64)
        return BinTable(self._bin_ns / NS, index, means, counts)


def bin_width_s(span_s: float, period_s: float) -> float:
    """A minute halved or doubled some times, so that the bins of all devices fit into each other: narrow enough for a short run, at most a
    minute, and never narrower than two polls."""
    wanted = max(2 * period_s, min(COARSEST_S, span_s / MANY_BINS))
    return COARSEST_S * 2.0 ** max(-9, math.ceil(math.log2(wanted / COARSEST_S)))


def join(tables: Mapping[str, BinTable], channels: Mapping[str, str]) -> BinTable:
    """Bins that every table has, with the channel of each: ``channels`` maps a key of ``tables`` to the channel wanted; the result's
    channels are the keys. Bins without a mean in one of them are left out; narrower bins are made into the widest.

    Raises:
        UsageError: widths that do not fit into each other.
    """
    if not tables:
        raise UsageError("there is nothing to join")
    width = max(t.bin_s for t in tables.values())
    tables = {key: t if t.bin_s == width else t.coarser(width) for key, t in tables.items()}
    common: Ints | None = None
    for table in tables.values():
        common = table.index if common is None else np.intersect1d(common, table.index)
    index = np.zeros(0, np.int64) if common is None else common
    means, counts = {}, {}
    for key, table in tables.items():
        place = np.searchsorted(table.index, index)
        empty = np.full(len(index), np.nan)
        name = channels[key]
        means[key] = table.means[name][place] if name in table.means else empty
        counts[key] = table.counts[name][place] if name in table.counts else np.zeros(len(index), np.int64)
    return BinTable(width, index, means, counts).with_all(*tables)
