"""Samples as Apache Parquet: typed columns, units in their names and in the metadata, written a part at a time.

One file, devices one after the other, each in the order of its numbers. A number is a double in its unit, an enumeration a dictionary of
names, a state or a field of bits an integer; a channel that a device does not have, a failed poll and a "no value" are null. Beside them,
as in the CSV, what was held, doubtful or failed, so nothing is lost. Instants are ``timestamp[ns, UTC]``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.errors import StoreError, UsageError
from loadlog.store.arrays import readings
from loadlog.store.blocks import FAILURE, HALF_WIDTH, HELD, MARKS, QUALITY, Column
from loadlog.store.connect import reading
from loadlog.store.disk import written_whole
from loadlog.store.export_csv import chosen_devices, held_text, marks_of, reasons_text
from loadlog.store.reader import Archive
from loadlog.store.slabs import Slab, Wanted, slabs

WORDS = pa.dictionary(pa.int32(), pa.string())
QUALITIES = pa.array(["good", "uncertain", "bad"])
ROWS = 500_000  # of a row group
DELTAS = ("seq", "time_utc")  # grow by nearly equal steps: half of the file and a third of the time would go into their digits
NS = 1e9


def export_parquet(
    archive: Archive, path: Path, *, run: str, devices: Sequence[str] = (), progress: Callable[[int], None] = lambda samples: None
) -> int:
    """Write a run to ``path``, whole or not at all; returns the number of samples. ``progress`` is given how many are done.

    Raises:
        UsageError: no such run or device, or two devices use one channel name for different things.
        StoreError: a recording cannot be read, or the file cannot be written.
    """
    specs = archive.devices(run)
    chosen = chosen_devices(specs, devices, run)
    channels = _channels([specs[name] for name in chosen])
    schema = _schema(channels, archive.run(run).id)
    count = 0
    try:
        with written_whole(path) as fresh, _writer(fresh, schema) as writer:
            for name in chosen:
                waiting: list[pa.RecordBatch] = []
                rows = 0
                for batch in _batches(archive, name, run, channels, schema):
                    waiting.append(batch)
                    rows += batch.num_rows
                    count += batch.num_rows
                    progress(count)
                    if rows >= ROWS:
                        writer.write_table(pa.Table.from_batches(waiting, schema))
                        waiting, rows = [], 0
                if waiting:
                    writer.write_table(pa.Table.from_batches(waiting, schema))
    except OSError as exc:
        raise StoreError(f"cannot be written: {exc.strerror or exc}", where=str(path), hint="give another --output") from exc
    return count


def _writer(path: Path, schema: pa.Schema) -> pq.ParquetWriter:
    repeating = [name for name in schema.names if name not in DELTAS]
    sought = [field.name for field in schema if field.type != WORDS or field.name == "device"]  # least and most of remarks help no query
    return pq.ParquetWriter(
        path, schema, compression="zstd", use_dictionary=repeating, column_encoding=dict.fromkeys(DELTAS, "DELTA_BINARY_PACKED"),
        write_statistics=sought,
    )  # fmt: skip


def _channels(specs: Sequence[DeviceSpec]) -> dict[str, ChannelSpec]:
    out: dict[str, ChannelSpec] = {}
    for spec in specs:
        for channel in spec.channels:
            known = out.setdefault(channel.name, channel)
            if (known.kind, known.unit) != (channel.kind, channel.unit):
                raise UsageError(f"channel {channel.name} of {spec.name} is of another kind than elsewhere", hint="export with --device")
    return out


def _schema(channels: dict[str, ChannelSpec], run: str) -> pa.Schema:
    fields = [
        pa.field("seq", pa.int64()),
        pa.field("time_utc", pa.timestamp("ns", tz="UTC")),
        pa.field("time_uncertainty_s", pa.float64(), metadata={"unit": "s"}),
        pa.field("device", WORDS),
        pa.field("quality", WORDS),
    ]
    for channel in channels.values():
        kind = pa.float64() if channel.kind == "number" else WORDS if channel.kind == "enum" else pa.int64()
        about = {"unit": channel.unit, "kind": channel.kind}
        if channel.names and channel.kind != "enum":
            about["names"] = json.dumps({str(bit): name for bit, name in channel.names.items()})
        fields.append(pa.field(channel.name, kind, metadata=about))
    fields += [pa.field(name, WORDS) for name in ("held", "reasons", "failure", "detail")]
    return pa.schema(fields, metadata={"run": run, "producer": "loadlog"})


def _batches(archive: Archive, device: str, run: str, channels: dict[str, ChannelSpec], schema: pa.Schema) -> Iterator[pa.RecordBatch]:
    for path, number, layout in archive.parts(device, run):
        present = tuple(name for name in channels if name in layout.positions)
        with reading(path) as connection:
            for slab in slabs(connection, Wanted(path, number, layout, present, whole=True)):
                yield _batch(slab, device, channels, schema)


def _batch(slab: Slab, device: str, channels: dict[str, ChannelSpec], schema: pa.Schema) -> pa.RecordBatch:
    rows, layout = len(slab.seqs), slab.layout
    failed = _there(slab.column(FAILURE))
    columns = [
        pa.array(slab.seqs),
        pa.array(slab.times).view(pa.timestamp("ns", tz="UTC")),
        pa.array(slab.column(HALF_WIDTH).numbers / NS),
        _dictionary(np.zeros(rows, np.int32), [device]),
        pa.DictionaryArray.from_arrays(pa.array(slab.column(QUALITY).numbers.astype(np.int32)), QUALITIES),
    ]
    for name, channel in channels.items():
        if name not in layout.positions:
            columns.append(pa.nulls(rows, schema.field(name).type))
        else:
            columns.append(_values(slab.channel(name), layout.spec.channels[layout.positions[name]], failed, channel.kind))
    marks = slab.column(MARKS)
    columns += [
        _words(slab.column(HELD), lambda cell: held_text(layout, cell)),
        _words(marks, lambda cell: reasons_text(layout, marks_of(cell))),
        _words(slab.column(FAILURE), lambda cell: "" if cell is None else str(cell)),
        _words(marks, lambda cell: marks_of(cell).detail),
    ]
    return pa.RecordBatch.from_arrays(columns, schema=schema)


def _values(column: Column, channel: ChannelSpec, failed: np.ndarray, kind: str) -> pa.Array:
    if kind == "number":
        values = readings(column, channel)
        return _with_nulls(values, np.isnan(values) | failed)
    found = column.as_numbers()
    if found is not None:
        numbers, present = found
        if kind != "enum":
            return _with_nulls(numbers, ~present | failed)
        codes, places = np.unique(numbers, return_inverse=True)
        places = np.where(present & ~failed, places, len(codes))
        return _dictionary(places, [*(channel.names.get(code, str(code)) for code in codes.tolist()), None])
    cells = [None if cell is None or bad else int(cell) for cell, bad in zip(column.cells(), failed.tolist(), strict=True)]
    if kind != "enum":
        return pa.array(cells, pa.int64())
    return pa.array([None if c is None else channel.names.get(c, str(c)) for c in cells], pa.string()).dictionary_encode()


def _there(column: Column) -> np.ndarray:
    if column.texts is not None:
        return np.array([text is not None for text in column.texts], bool)[column.numbers]
    return np.zeros(len(column.numbers), bool) if column.present is None else column.present


def _words(column: Column, text_of: object) -> pa.Array:
    """A dictionary of texts; null where the text is empty. Each distinct cell is put into words once."""
    assert callable(text_of)
    if column.texts is not None:
        texts = [text_of(cell) or None for cell in column.texts]
        return _dictionary(column.numbers, texts)
    found = column.as_numbers()
    if found is not None:
        numbers, present = found
        if len(numbers) and present.all() and (numbers == numbers[0]).all():
            return _dictionary(np.zeros(len(numbers), np.int32), [text_of(int(numbers[0])) or None])
        distinct, of_row = np.unique(numbers, return_inverse=True)
        texts = [*(text_of(number) or None for number in distinct.tolist()), text_of(None) or None]
        return _dictionary(np.where(present, of_row, len(distinct)), texts)
    known: dict[object, int] = {}
    places = np.array([known.setdefault(cell, len(known)) for cell in column.cells()], np.int32)
    return _dictionary(places, [text_of(cell) or None for cell in known])


def _dictionary(places: np.ndarray, texts: Sequence[str | None]) -> pa.Array:
    """Equal texts are one entry, None is null."""
    entries = list(dict.fromkeys(text for text in texts if text is not None))
    lookup = np.array([-1 if text is None else entries.index(text) for text in texts] or [-1], np.int32)
    found = lookup[places]
    return pa.DictionaryArray.from_arrays(_with_nulls(found, found < 0), pa.array(entries, pa.string()))


def _with_nulls(values: np.ndarray, absent: np.ndarray) -> pa.Array:
    """Nothing is copied where nothing is absent."""
    return pa.array(values, mask=absent) if absent.any() else pa.array(values)
