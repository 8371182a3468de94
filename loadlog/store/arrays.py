"""Samples of a device as numpy arrays in units: for notebooks and for analysis, which works on arrays.

Values are those that were seen live, bit for bit: one correctly rounded division a count (`model.quantity.Scale`). Where there is no value
(a failed poll, a code for "no value", a channel not read yet) stands NaN; what was doubtful or bad is there, with its quality beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.errors import UsageError
from loadlog.model.sample import Quality
from loadlog.store.aggregate import valid
from loadlog.store.blocks import FAILURE, HALF_WIDTH, LATENESS, QUALITY, Bools, Column, Ints
from loadlog.store.connect import reading
from loadlog.store.pages import FOREVER_NS
from loadlog.store.rows import Layout
from loadlog.store.slabs import Slab, Wanted, slabs

Floats = npt.NDArray[np.float64]
Qualities = npt.NDArray[np.int8]
_EXACT = 1 << 53  # integers up to here are doubles exactly, so that one division rounds once (IEEE 754)


@dataclass(frozen=True, slots=True)
class DeviceArrays:
    """One row a poll, in the order of their numbers; all arrays have the same length.

    ``t_utc_ns``: source timestamps, ns UTC. ``quality``: 0 good, 1 uncertain, 2 bad, of the essential channels; ``failed``: polls that gave
    nothing. ``values``: channel -> readings in ``units[channel]``, NaN where there is none; states and enumerations are their numbers.
    ``qualities``: channel -> quality of that channel alone; ``held``: channel -> polls in which it was not read but kept from an earlier
    one. ``half_width_ns``: time uncertainty; ``lateness_ns``: start of the poll after its deadline.
    """

    spec: DeviceSpec
    seq: Ints
    t_utc_ns: Ints
    quality: Qualities
    failed: Bools
    values: Mapping[str, Floats]
    qualities: Mapping[str, Qualities]
    units: Mapping[str, str]
    held: Mapping[str, Bools]
    half_width_ns: Ints
    lateness_ns: Ints

    def __getitem__(self, channel: str) -> Floats:
        """Readings of a channel, in its unit.

        Raises:
            UsageError: there is no such channel.
        """
        if channel not in self.values:
            raise UsageError(f"device {self.spec.name} has no channel {channel!r}", hint=f"there are {', '.join(self.values)}")
        return self.values[channel]

    def __len__(self) -> int:
        return len(self.seq)

    @property
    def time(self) -> npt.NDArray[np.datetime64]:
        """Source timestamps as numpy's instants, UTC."""
        return self.t_utc_ns.view("datetime64[ns]")

    def good(self, channel: str) -> Floats:
        """As ``self[channel]``, with NaN where the channel's quality is not good."""
        return np.where(self.qualities[channel] == Quality.GOOD, self[channel], np.nan)


def read_arrays(
    spec: DeviceSpec, channels: Sequence[str], where: Sequence[tuple[Path, int, Layout]], from_ns: int, to_ns: int
) -> DeviceArrays:
    """See `Archive.arrays`. ``where``: recordings that hold the device, its number and its channels there; ``spec``: as it was last."""
    names = _names(spec, channels)
    return _collected(spec, names, list(_parts(names, where, from_ns, to_ns)))


def iter_arrays(spec: DeviceSpec, channels: Sequence[str], where: Sequence[tuple[Path, int, Layout]], rows: int) -> Iterator[DeviceArrays]:
    """See `Archive.arrays_by_parts`."""
    names = _names(spec, channels)
    waiting: list[_Part] = []
    held = 0
    for part in _parts(names, where, -FOREVER_NS, FOREVER_NS):
        waiting.append(part)
        held += len(part.seq)
        if held >= rows:
            yield _collected(spec, names, waiting)
            waiting, held = [], 0
    if waiting:
        yield _collected(spec, names, waiting)


def _names(spec: DeviceSpec, channels: Sequence[str]) -> tuple[str, ...]:
    known = {channel.name: channel for channel in spec.channels}
    names = tuple(channels) or tuple(known)
    for name in names:
        if name not in known:
            raise UsageError(f"device {spec.name} has no channel {name!r}", hint=f"there are {', '.join(known)}")
    return names


def _parts(names: Sequence[str], where: Sequence[tuple[Path, int, Layout]], from_ns: int, to_ns: int) -> Iterator[_Part]:
    for path, number, layout in where:
        present = tuple(name for name in names if name in layout.positions)
        with reading(path) as connection:
            for slab in slabs(connection, Wanted(path, number, layout, present, from_ns, to_ns, whole=True)):
                yield _Part(slab, names)


def _collected(spec: DeviceSpec, channels: Sequence[str], parts: Sequence[_Part]) -> DeviceArrays:
    seq = _joined([part.seq for part in parts], np.int64)
    order = None if (seq[1:] > seq[:-1]).all() else np.argsort(seq, kind="stable")

    def joined(pieces: Sequence[npt.NDArray[Any]], kind: npt.DTypeLike) -> npt.NDArray[Any]:
        whole = _joined(pieces, kind)
        return whole if order is None else whole[order]

    known = {channel.name: channel for channel in spec.channels}
    return DeviceArrays(
        spec=spec,
        seq=joined([part.seq for part in parts], np.int64),
        t_utc_ns=joined([part.times for part in parts], np.int64),
        quality=joined([part.quality for part in parts], np.int8),
        failed=joined([part.failed for part in parts], np.bool_),
        values={name: joined([part.values[name] for part in parts], np.float64) for name in channels},
        qualities={name: joined([part.qualities[name] for part in parts], np.int8) for name in channels},
        units={name: known[name].unit for name in channels},
        held={name: joined([part.held[name] for part in parts], np.bool_) for name in channels},
        half_width_ns=joined([part.half_width_ns for part in parts], np.int64),
        lateness_ns=joined([part.lateness_ns for part in parts], np.int64),
    )


def _joined(pieces: Sequence[npt.NDArray[Any]], kind: npt.DTypeLike) -> npt.NDArray[Any]:
    return np.concatenate(pieces).astype(kind, copy=False) if pieces else np.zeros(0, kind)


class _Part:
    """One slab in units."""

    def __init__(self, slab: Slab, channels: Sequence[str]) -> None:
        self.seq, self.times = slab.seqs, slab.times
        self.quality = slab.column(QUALITY).numbers.astype(np.int8)
        self.failed = _failed(slab.column(FAILURE))
        self.half_width_ns, self.lateness_ns = slab.column(HALF_WIDTH).numbers, slab.column(LATENESS).numbers
        self.held: dict[str, Bools] = {}
        self.values: dict[str, Floats] = {}
        self.qualities: dict[str, Qualities] = {}
        for name in channels:
            if name in slab.layout.positions:
                self.values[name] = readings(slab.channel(name), slab.layout.spec.channels[slab.layout.positions[name]])
                self.qualities[name] = slab.worst(name).astype(np.int8)
                self.held[name] = slab.held(name)
            else:  # the device did not have it in this part
                self.values[name] = np.full(len(self.seq), np.nan)
                self.qualities[name] = np.full(len(self.seq), Quality.BAD, np.int8)
                self.held[name] = np.zeros(len(self.seq), bool)


def _failed(column: Column) -> Bools:
    if column.texts is None:
        return np.zeros(len(column.numbers), bool)
    return np.array([text is not None for text in column.texts], bool)[column.numbers]


def readings(column: Column, channel: ChannelSpec) -> Floats:
    """Counts as readings in the channel's unit, NaN where there is none."""
    scale = channel.scale
    sentinels = channel.sentinels if channel.kind == "number" else frozenset[int]()
    found = column.as_numbers()
    if found is not None:
        numbers, present = found
        present = valid(numbers, present, sentinels)
        whole = bool(present.all())
        if not whole:
            numbers = np.where(present, numbers, 0)
        largest = max(int(numbers.max()), -int(numbers.min())) if len(numbers) else 0
        if largest * abs(scale.num) + abs(scale.off) < _EXACT and scale.den < _EXACT:
            values = (numbers if (scale.num, scale.off) == (1, 0) else numbers * scale.num + scale.off) / scale.den
            return values if whole else np.where(present, values, np.nan)
    cells = [None if cell is None else int(cell) for cell in column.cells()]
    return np.array([np.nan if count is None or count in sentinels else scale.value(count) for count in cells], np.float64)
