"""Samples as CSV (RFC 4180): one file with a device column, rows in the order in which they were taken.

One file is what a spreadsheet, a statistics program and a colleague by mail all take, and the device column splits it in one step; channels
that a device does not have stay empty. With ``devices`` of one name the columns are that device's alone. Units stand in the column names
(``voltage_v``), instants are RFC 3339 in UTC with nanoseconds, and every sample is there, bad and failed ones too, with its quality and the
reasons beside it. Numbers are written with the digits that read back to the same value.

The standard defines lines ended by CR LF, a header line, and quotes around fields that hold commas, quotes or line ends (RFC 4180, 2).
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, TextIO

import numpy as np

from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.errors import UsageError
from loadlog.model.sample import Quality
from loadlog.store.arrays import readings
from loadlog.store.blocks import FAILURE, HALF_WIDTH, HELD, MARKS, QUALITY, Bools, Column, Ints
from loadlog.store.connect import reading
from loadlog.store.pages import FOREVER_NS
from loadlog.store.reader import Archive
from loadlog.store.rows import NO_MARKS, Layout, Marks, parse_marks
from loadlog.store.slabs import Slab, Wanted, slabs

LEAD = ("seq", "time_utc", "time_uncertainty_s", "device", "quality")
TAIL = ("held", "reasons", "failure", "detail")
QUALITIES = tuple(q.name.lower() for q in Quality)
Line = tuple[Any, ...]
Part = tuple[Ints, list[Line]]  # numbers, and the lines that belong to them


def export_csv(
    archive: Archive,
    out: TextIO,
    *,
    run: str | None = None,
    devices: Sequence[str] = (),
    from_ns: int | None = None,
    to_ns: int | None = None,
    progress: Callable[[int], None] = lambda samples: None,
) -> int:
    """Write to ``out`` (opened with ``newline=""``), streaming; returns the number of samples. ``progress`` is given how many are done.

    Raises:
        UsageError: no such run or device.
        StoreError: a recording cannot be read.
    """
    specs = archive.devices(run)
    chosen = chosen_devices(specs, devices, run)
    columns = channel_columns(specs[name] for name in chosen)
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([*LEAD, *columns, *TAIL])
    span = (-FOREVER_NS if from_ns is None else from_ns, FOREVER_NS if to_ns is None else to_ns)
    streams = [_parts(part, columns, span) for name in chosen for part in archive.parts(name, run, from_ns, to_ns)]
    count = 0
    for lines in _merged(streams):
        writer.writerows(lines)
        count += len(lines)
        progress(count)
    return count


def chosen_devices(specs: Mapping[str, DeviceSpec], devices: Sequence[str], run: str | None) -> list[str]:
    """The devices to export, all when none is named.

    Raises:
        UsageError: nothing was recorded, or there is no such device.
    """
    if not specs:
        raise UsageError("nothing was recorded yet" if run is None else f"there is no run {run!r}")
    for name in devices:
        if name not in specs:
            raise UsageError(f"there is no device {name!r}", hint=f"there are {', '.join(specs)}")
    return list(dict.fromkeys(devices)) or list(specs)


def channel_columns(specs: Iterable[DeviceSpec]) -> list[str]:
    """The channels of all devices, each once, in the order in which they first come."""
    return list(dict.fromkeys(channel.name for spec in specs for channel in spec.channels))


def _merged(streams: Iterable[Iterator[Part]]) -> Iterator[list[Line]]:
    """All lines in the order of their numbers, many at a time: what every stream has up to the number to which all have been read."""
    waiting = [(stream, next(stream, None)) for stream in streams]
    held = [(stream, part) for stream, part in waiting if part is not None]
    while held:
        upto = min(int(seqs[-1]) for _, (seqs, _) in held)
        seqs_now: list[Ints] = []
        lines_now: list[Line] = []
        left = []
        for stream, (seqs, lines) in held:
            cut = int(np.searchsorted(seqs, upto, side="right"))
            seqs_now.append(seqs[:cut])
            lines_now += lines[:cut]
            rest = (seqs[cut:], lines[cut:]) if cut < len(seqs) else next(stream, None)
            if rest is not None:
                left.append((stream, rest))
        held = left
        yield [lines_now[i] for i in np.argsort(np.concatenate(seqs_now), kind="stable").tolist()]


def _parts(where: tuple[Any, int, Layout], columns: Sequence[str], span: tuple[int, int]) -> Iterator[Part]:
    """One device in one recording."""
    path, number, layout = where
    present = tuple(name for name in columns if name in layout.positions)
    with reading(path) as connection:
        for slab in slabs(connection, Wanted(path, number, layout, present, *span, whole=True)):
            yield slab.seqs, list(zip(*_cells(slab, columns), strict=True))


def _cells(slab: Slab, columns: Sequence[str]) -> Iterator[list[Any]]:
    """The columns of a slab, cell by cell as they are written."""
    layout, rows = slab.layout, len(slab.seqs)
    marks, failure = slab.column(MARKS), slab.column(FAILURE)
    failures = failure.cells()
    failed = np.array([cell is not None for cell in failures], np.bool_)
    yield slab.seqs.tolist()
    yield [f"{text}Z" for text in np.datetime_as_string(slab.times.view("datetime64[ns]"), unit="ns").tolist()]
    yield (slab.column(HALF_WIDTH).numbers / 1e9).tolist()
    yield [layout.spec.name] * rows
    yield [QUALITIES[number] for number in slab.column(QUALITY).numbers.tolist()]
    for name in columns:
        if name in layout.positions:
            yield _values(slab.channel(name), layout.spec.channels[layout.positions[name]], failed)
        else:
            yield [""] * rows
    yield _worded(slab.column(HELD), lambda cell: held_text(layout, cell))
    yield _worded(marks, lambda cell: reasons_text(layout, marks_of(cell)))
    yield ["" if cell is None else cell for cell in failures]
    yield _worded(marks, lambda cell: marks_of(cell).detail)


def _values(column: Column, channel: ChannelSpec, failed: Bools) -> list[Any]:
    """Reading in the unit, name of an enumeration, or the plain number; a "no value" code of the instrument is an empty field."""
    if channel.kind == "number":
        values = readings(column, channel)
        there = ~(np.isnan(values) | failed)
        return _where(there, values.tolist())
    cells = _where(~failed, column.cells())
    if channel.kind == "enum":
        return ["" if c is None or c == "" else channel.names.get(int(c), str(c)) for c in cells]
    return ["" if c is None or c == "" else int(c) for c in cells]


def _where(there: Bools, values: list[Any]) -> list[Any]:
    for place in np.flatnonzero(~there).tolist():
        values[place] = ""
    return values


def _worded(column: Column, text_of: Callable[[object], str]) -> list[str]:
    """Each distinct cell is put into words once."""
    if column.texts is not None:
        texts = [text_of(cell) for cell in column.texts]
        return [texts[place] for place in column.numbers.tolist()]
    known: dict[object, str] = {}
    cells = column.cells()
    for cell in set(cells):
        known[cell] = text_of(cell)
    return [known[cell] for cell in cells]


def held_text(layout: Layout, cell: object) -> str:
    """The channels that a mask as stored names, in their order."""
    mask = 0 if cell is None else int(str(cell))
    return " ".join(name for i, name in enumerate(layout.names) if mask >> i & 1)


def marks_of(cell: object) -> Marks:
    """What ``marks`` holds beside the numbers."""
    return NO_MARKS if cell is None else parse_marks(str(cell))


def reasons_text(layout: Layout, marks: Marks) -> str:
    """``temperature_c=stale power_w=impossible(bad)``, in the order of the channels."""
    return " ".join(f"{n}={marks.uncertain[n]}{'(bad)' if n in marks.bad else ''}" for n in layout.names if n in marks.uncertain)
