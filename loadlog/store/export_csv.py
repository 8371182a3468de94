"""Samples as CSV (RFC 4180): one file with a device column, rows in the order in which they were taken.

One file is what a spreadsheet, a statistics program and a colleague by mail all take, and the device column splits it in one step; channels
that a device does not have stay empty. With ``devices`` of one name the columns are that device's alone. Units stand in the column names
(``voltage_v``), instants are RFC 3339 in UTC with nanoseconds, and every sample is there, bad and failed ones too, with its quality and the
reasons beside it. Numbers are written with the digits that read back to the same value.

The standard defines lines ended by CR LF, a header line, and quotes around fields that hold commas, quotes or line ends (RFC 4180, 2).
"""

from __future__ import annotations

import csv
import heapq
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import TextIO

from loadlog.model.clock import format_utc
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.errors import UsageError
from loadlog.model.sample import Quality
from loadlog.store.reader import Archive
from loadlog.store.rows import NO_MARKS, Layout, Marks, Row, parse_marks

LEAD = ("seq", "time_utc", "time_uncertainty_s", "device", "quality")
TAIL = ("held", "reasons", "failure", "detail")
Cell = Callable[[int], "float | int | str"]


def export_csv(
    archive: Archive,
    out: TextIO,
    *,
    run: str | None = None,
    devices: Sequence[str] = (),
    from_ns: int | None = None,
    to_ns: int | None = None,
) -> int:
    """Write to ``out`` (opened with ``newline=""``), streaming; returns the number of samples.

    Raises:
        UsageError: no such run or device.
        StoreError: a recording cannot be read.
    """
    specs = archive.devices(run)
    chosen = chosen_devices(specs, devices, run)
    columns = channel_columns(specs[name] for name in chosen)
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([*LEAD, *columns, *TAIL])
    streams = [_labelled(name, archive.rows(name, from_ns, to_ns, run)) for name in chosen]
    lines = _Lines(columns)
    count = 0
    for _seq, name, layout, row in heapq.merge(*streams, key=lambda item: item[0]):
        writer.writerow(lines.line(name, layout, row))
        count += 1
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
    return list(devices) or list(specs)


def channel_columns(specs: Iterable[DeviceSpec]) -> list[str]:
    """The channels of all devices, each once, in the order in which they first come."""
    return list(dict.fromkeys(channel.name for spec in specs for channel in spec.channels))


def _labelled(name: str, rows: Iterator[tuple[Layout, Row]]) -> Iterator[tuple[int, str, Layout, Row]]:
    for layout, row in rows:
        yield row.seq, name, layout, row


class _Lines:
    """Makes the fields of one line; what a layout needs is worked out once."""

    def __init__(self, columns: Sequence[str]) -> None:
        self._columns = columns
        self._cells: dict[int, tuple[Layout, list[tuple[int, Cell] | None]]] = {}

    def line(self, name: str, layout: Layout, row: Row) -> list[float | int | str]:
        marks = NO_MARKS if row.marks is None else parse_marks(row.marks)
        held = " ".join(n for n in layout.names if n in layout.held(row)) if row.held else ""
        return [
            row.seq, format_utc(row.t_utc_ns), row.half_width_ns / 1e9, name, Quality(row.quality).name.lower(),
            *self._values(layout, row), held, reasons_text(layout, marks), row.failure or "", marks.detail,
        ]  # fmt: skip

    def _values(self, layout: Layout, row: Row) -> Iterator[float | int | str]:
        known = self._cells.get(id(layout))
        if known is None:
            cells = [
                (layout.positions[c], _cell(layout.spec.channels[layout.positions[c]])) if c in layout.positions else None
                for c in self._columns
            ]
            known = self._cells[id(layout)] = (layout, cells)
        for cell in known[1]:
            count = None if cell is None or row.failure is not None else row.counts[cell[0]]
            yield "" if cell is None or count is None else cell[1](int(count))


def _cell(channel: ChannelSpec) -> Cell:
    """Reading in the unit, name of an enumeration, or the plain number; a "no value" code of the instrument is an empty field."""
    if channel.kind == "number":
        value, sentinels = channel.scale.value, channel.sentinels
        return lambda count: "" if count in sentinels else value(count)
    if channel.kind == "enum":
        return lambda count: channel.names.get(count, str(count))
    return lambda count: count


def reasons_text(layout: Layout, marks: Marks) -> str:
    """``temperature_c=stale power_w=impossible(bad)``, in the order of the channels."""
    return " ".join(f"{n}={marks.uncertain[n]}{'(bad)' if n in marks.bad else ''}" for n in layout.names if n in marks.uncertain)
