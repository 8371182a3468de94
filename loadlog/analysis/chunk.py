"""Samples as arrays: the only thing that the computations take.

A long record is walked chunk by chunk, so memory does not depend on its length; no computation needs to see a chunk twice. Chunks of one
device come in the order of its sample numbers. Instants are UTC nanoseconds and may step back where the system clock did: nothing here
sorts, every computation says what it makes of a step.

*Good* means: the poll succeeded, the channel was read in this poll (not held from an earlier one), its quality is good and it is a number.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from loadlog.model.clock import NS
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import UsageError
from loadlog.model.quantity import Scale
from loadlog.model.sample import Quality, Sample

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Qualities = NDArray[np.uint8]
Numbers = TypeVar("Numbers", Floats, Ints)
T = TypeVar("T")

CHUNK_ROWS = 50_000
EXACT = 1 << 53  # integers up to here are doubles


@dataclass(frozen=True)
class Column:
    """One channel: ``values`` in its unit (NaN: none), ``quality`` (`Quality` as a number), ``held``: kept from an earlier poll."""

    values: Floats
    quality: Qualities
    held: Bools

    @cached_property
    def good(self) -> Bools:
        """True where the value may be computed with."""
        return np.asarray((self.quality == Quality.GOOD) & ~self.held & np.isfinite(self.values))

    @classmethod
    def of(cls, values: ArrayLike, quality: ArrayLike | None = None, held: ArrayLike | None = None) -> Column:
        """From anything that numpy takes; good and not held unless said otherwise."""
        array = np.asarray(values, dtype=np.float64)
        marks = np.zeros(array.shape, np.uint8) if quality is None else np.asarray(quality, dtype=np.uint8)
        kept = np.zeros(array.shape, np.bool_) if held is None else np.asarray(held, dtype=np.bool_)
        return cls(array, marks, kept)


@dataclass(frozen=True)
class Chunk:
    """Consecutive polls of one device, failed ones too.

    ``t_utc_ns``, ``half_width_ns`` (time uncertainty) and ``lateness_ns``: int64, one each poll. ``failed``: the poll gave no reading.
    ``columns``: channel -> `Column` of the same length; status channels are numbers too.

    Raises:
        UsageError: columns of different lengths.
    """

    device: str
    t_utc_ns: Ints
    half_width_ns: Ints
    failed: Bools
    columns: Mapping[str, Column]
    lateness_ns: Ints = field(default_factory=lambda: np.zeros(0, np.int64))

    def __post_init__(self) -> None:
        lengths = {len(self.t_utc_ns), len(self.half_width_ns), len(self.failed), *(len(c.values) for c in self.columns.values())}
        if len(lengths) > 1:
            raise UsageError(f"a chunk of {self.device} has columns of different lengths: {sorted(lengths)}")

    def __len__(self) -> int:
        return len(self.t_utc_ns)

    def good(self, *channels: str) -> Bools:
        """Where the poll succeeded and every one of ``channels`` is good; nowhere when the device has no such channel."""
        known = self._masks.get(channels)
        if known is None:
            known = ~self.failed
            for channel in channels:
                column = self.columns.get(channel)
                known = known & column.good if column is not None else np.zeros(len(self), np.bool_)
            self._masks[channels] = known
        return known

    @cached_property
    def _masks(self) -> dict[tuple[str, ...], Bools]:
        return {}

    def pick(self, mask: Bools, values: Numbers) -> Numbers:
        """Some polls of an array; the array itself where that is all of them."""
        return values if mask.all() else values[mask]

    def values_where(self, *good: str, of: str) -> Floats:
        """The channel ``of`` in the polls in which all of ``good`` are good."""
        return self._once(("v", of, good), lambda mask: self.pick(mask, self.values(of)))

    def times_where(self, *good: str) -> tuple[Ints, Floats]:
        """Instants (UTC ns) and their half-widths (s) of the polls in which all of these channels are good."""
        return self._once(("t", "", good), lambda mask: (self.pick(mask, self.t_utc_ns), self.pick(mask, self.half_width_ns) / NS))

    def _once(self, key: tuple[str, str, tuple[str, ...]], make: Callable[[Bools], T]) -> T:
        """Several computations ask for the same polls."""
        if key not in self._made:
            self._made[key] = make(self.good(*key[2]))
        made: T = self._made[key]
        return made

    @cached_property
    def _made(self) -> dict[tuple[str, str, tuple[str, ...]], Any]:
        return {}

    @cached_property
    def steps_ns(self) -> tuple[int, int]:
        """(shortest, longest) interval between two successive polls, failed ones too; (0, 0) for fewer than two polls."""
        if len(self) < 2:
            return 0, 0
        steps = np.diff(self.t_utc_ns)
        return int(steps.min()), int(steps.max())

    def values(self, channel: str) -> Floats:
        """The channel in its unit, NaN where there is none."""
        column = self.columns.get(channel)
        return np.full(len(self), np.nan) if column is None else column.values

    def between(self, from_utc_ns: int, to_utc_ns: int) -> Chunk:
        """The polls with ``from <= t < to``."""
        return self.where((self.t_utc_ns >= from_utc_ns) & (self.t_utc_ns < to_utc_ns))

    def where(self, mask: Bools) -> Chunk:
        """The polls that the mask names."""
        return Chunk(
            self.device,
            self.t_utc_ns[mask],
            self.half_width_ns[mask],
            self.failed[mask],
            {n: Column(c.values[mask], c.quality[mask], c.held[mask]) for n, c in self.columns.items()},
            self.lateness_ns[mask] if len(self.lateness_ns) else self.lateness_ns,
        )


def inner(a: Floats, b: Floats) -> float:
    """Σ a·b, summed pairwise. Not by BLAS: on chunks of this size its threads spin longer than they work, and its sum is less exact."""
    return float((a * b).sum())


def readings(counts: Ints, scale: Scale) -> Floats:
    """Counts as values in the channel's unit, bit for bit those of `Scale.value`."""
    largest = max(abs(int(counts.min())), abs(int(counts.max()))) if len(counts) else 0
    if largest * abs(scale.num) + abs(scale.off) <= EXACT and scale.den <= EXACT:
        return (counts * scale.num + scale.off) / np.float64(scale.den)
    return np.array([scale.value(int(count)) for count in counts], dtype=np.float64)


def chunk_of_arrays(
    time_s: ArrayLike, device: str = "", *, epoch_utc_ns: int = 0, half_width_s: float = 0.0, **channels: ArrayLike
) -> Chunk:  # fmt: skip
    """For notebooks: ``chunk_of_arrays(t, voltage_v=v, current_a=i)`` with time in s and channels in their units; NaN where none."""
    seconds = np.asarray(time_s, dtype=np.float64)
    t_utc_ns = np.rint(seconds * NS).astype(np.int64) + epoch_utc_ns
    widths = np.full(len(seconds), round(half_width_s * NS), np.int64)
    columns = {name: Column.of(values) for name, values in channels.items()}
    return Chunk(device, t_utc_ns, widths, np.zeros(len(seconds), np.bool_), columns)


class Arrays(Protocol):
    """What the store gives of a device (`store.arrays.DeviceArrays`), or anything shaped like it; one entry a poll in every array."""

    @property
    def spec(self) -> DeviceSpec: ...

    @property
    def t_utc_ns(self) -> Ints: ...

    @property
    def half_width_ns(self) -> Ints: ...

    @property
    def lateness_ns(self) -> Ints: ...

    @property
    def failed(self) -> Bools: ...

    @property
    def values(self) -> Mapping[str, Floats]: ...

    @property
    def qualities(self) -> Mapping[str, NDArray[np.int8]]: ...

    @property
    def held(self) -> Mapping[str, Bools]: ...


def chunk_of_recorded(arrays: Arrays) -> Chunk:
    """Recorded samples: ``for part in archive.arrays_by_parts(device, run): analysis.add(chunk_of_recorded(part))``."""
    columns = {n: Column(v, arrays.qualities[n].astype(np.uint8), arrays.held[n]) for n, v in arrays.values.items()}
    return Chunk(arrays.spec.name, arrays.t_utc_ns, arrays.half_width_ns, arrays.failed, columns, arrays.lateness_ns)


def chunks_of_samples(
    samples: Iterable[Sample], channels: Sequence[str], rows: int = CHUNK_ROWS, accept: Collection[str] = ()
) -> Iterator[Chunk]:
    """Samples of one device as chunks of at most ``rows`` polls; status channels may be among ``channels``.

    ``accept``: reasons for doubt that the caller takes for good, e.g. ``possible_spike`` where polls are so far apart that any change looks
    sudden.
    """
    for batch in _batched(samples, rows):
        yield _chunk(batch, channels, frozenset(accept))


def _batched(samples: Iterable[Sample], rows: int) -> Iterator[list[Sample]]:
    source = iter(samples)
    while batch := list(itertools.islice(source, rows)):
        yield batch


def _chunk(batch: Sequence[Sample], channels: Sequence[str], accept: frozenset[str]) -> Chunk:
    def instants(pick: str) -> Ints:
        return np.array([getattr(s.stamp, pick) for s in batch], dtype=np.int64)

    lateness = np.array([round(s.stamp.lateness_s * NS) for s in batch], dtype=np.int64)
    failed = np.array([s.failure is not None for s in batch], dtype=np.bool_)
    columns = {name: _column(batch, name, accept) for name in channels}
    return Chunk(batch[0].device, instants("t_utc_ns"), instants("half_width_ns"), failed, columns, lateness)


def _column(batch: Sequence[Sample], name: str, accept: frozenset[str]) -> Column:
    def value(sample: Sample) -> float:
        known = sample.values.get(name)
        number = known if known is not None else sample.status.get(name)
        return float("nan") if number is None else float(number)

    def quality(sample: Sample) -> int:
        if sample.failure is not None or name in sample.bad:
            return Quality.BAD
        return Quality.UNCERTAIN if name in sample.uncertain and sample.uncertain[name] not in accept else Quality.GOOD

    return Column.of([value(s) for s in batch], [quality(s) for s in batch], [name in s.held for s in batch])
