"""The body of a sealed stretch: the rows of one device, a compressed block a column, each with its own checksum. FORMAT.md gives the bytes.

Invariants: what `encode` was given comes back from `Body` exactly, NULLs and integers beyond 64 bits included; a block that was damaged
raises, and costs only its column. Numbers are coded by pcodec (standalone format, https://github.com/pcodec/pcodec), the rest as JSON in
zlib (RFC 1950). numpy and pcodec are imported here: the recorder's process never imports this module.
"""

from __future__ import annotations

import array
import contextlib
import json
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from pcodec import ChunkConfig, standalone

from loadlog.model.errors import StoreError
from loadlog.store.schema import SAMPLE_COLUMNS

MAGIC, BODY_VERSION = b"LdLB", 1
HEAD, ENTRY = struct.Struct("<4sBBHII"), struct.Struct("<IIIB3x")
ONE, NUMBERS, GAPPED, DISTINCT = range(4)
SEQ, TIME, HALF_WIDTH, LATENESS, QUALITY, FAILURE, HELD, MARKS = range(len(SAMPLE_COLUMNS))
VALUES = len(SAMPLE_COLUMNS)  # column of v0
Cell = int | str | None
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
_LEVEL = ChunkConfig(compression_level=8)


class BlockError(StoreError):
    """A body or one of its blocks is not what was written."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of some rows. Either ``numbers`` with ``present`` (None: all are), or ``texts`` picked by ``numbers``."""

    numbers: Ints
    present: Bools | None = None
    texts: tuple[Cell, ...] | None = None

    def cells(self, first: int = 0, last: int | None = None) -> list[Cell]:
        """As SQLite gave them."""
        found: list[Any] = self.numbers[first:last].tolist()
        if self.texts is not None:
            return [self.texts[i] for i in found]
        if self.present is None:
            return found
        return [number if there else None for number, there in zip(found, self.present[first:last].tolist(), strict=True)]

    def taken(self, rows: Ints | slice) -> Column:
        """Some of its rows."""
        return Column(self.numbers[rows], None if self.present is None else self.present[rows], self.texts)

    def as_numbers(self) -> tuple[Ints, Bools] | None:
        """Numbers and which of them are there; None when some do not fit 64 bits."""
        if self.texts is None:
            present = np.ones(len(self.numbers), bool) if self.present is None else self.present
            return self.numbers, present
        if any(isinstance(text, str) for text in self.texts):
            return None
        table = np.array([0 if text is None else text for text in self.texts], np.int64)
        there = np.array([text is not None for text in self.texts], bool)
        return table[self.numbers], there[self.numbers]


def column_of(cells: Sequence[Cell]) -> Column:
    """The cells of a column in the form in which they are coded."""
    try:
        return Column(np.frombuffer(array.array("q", cells), np.int64))  # type: ignore[type-var]  # the try is the test
    except (TypeError, OverflowError):
        pass
    missing = cells.count(None)
    if missing == len(cells):
        return Column(np.zeros(len(cells), np.int64), np.zeros(len(cells), bool))
    with contextlib.suppress(TypeError, OverflowError):
        return _gapped(cells, missing)
    places: dict[Cell, int] = {}
    numbers = np.array([places.setdefault(cell, len(places)) for cell in cells], np.int64)
    return Column(numbers, None, tuple(places))


def _gapped(cells: Sequence[Cell], missing: int) -> Column:
    present = np.ones(len(cells), bool)
    filled, place = list(cells), -1
    for _ in range(missing):  # few as a rule, found at the speed of C
        place = cells.index(None, place + 1)
        filled[place], present[place] = 0, False
    return Column(np.frombuffer(array.array("q", filled), np.int64), present)  # type: ignore[type-var]  # as above


def encode(columns: Sequence[Column]) -> bytes:
    """A body of columns of equal length, in the order of FORMAT.md: `SAMPLE_COLUMNS`, then the channels."""
    rows = len(columns[SEQ].numbers)
    with np.errstate(over="ignore"):
        base = columns[TIME].numbers - columns[HALF_WIDTH].numbers - columns[LATENESS].numbers
    stored = [Column(base) if i == TIME else column for i, column in enumerate(columns)]
    blocks = [_block(column) for column in stored]
    offset = HEAD.size + ENTRY.size * len(blocks)
    directory = bytearray()
    for codec, payload in blocks:
        directory += ENTRY.pack(offset, len(payload), zlib.crc32(payload), codec)
        offset += len(payload)
    head = HEAD.pack(MAGIC, BODY_VERSION, 0, len(blocks), rows, 0)[:-4]
    crc = struct.pack("<I", zlib.crc32(directory, zlib.crc32(head)))
    return b"".join((head, crc, directory, *(payload for _, payload in blocks)))


def _block(column: Column) -> tuple[int, bytes]:
    numbers, present = column.numbers, column.present
    if column.texts is not None:
        used, places = np.unique(numbers, return_inverse=True)  # of a device's rows among others, some occur only in those
        texts = [column.texts[place] for place in used.tolist()]
        if len(texts) == 1:
            return ONE, _json(texts[0])
        table = zlib.compress(_json(texts))
        return DISTINCT, struct.pack("<I", len(table)) + table + _pack(places.astype(np.int64))
    if present is not None and not present.all():
        if not present.any():
            return ONE, b"null"
        mask = zlib.compress(np.packbits(present, bitorder="little").tobytes())
        return GAPPED, struct.pack("<I", len(mask)) + mask + _pack(numbers[present])
    if len(numbers) and (numbers == numbers[0]).all():
        return ONE, _json(int(numbers[0]))
    return NUMBERS, _pack(numbers)


def _json(data: object) -> bytes:
    return json.dumps(data, ensure_ascii=True, separators=(",", ":")).encode("ascii")


def _pack(numbers: Ints) -> bytes:
    packed: bytes = standalone.simple_compress(np.ascontiguousarray(numbers), _LEVEL)
    if not np.array_equal(_unpack(packed, len(numbers)), numbers):
        raise BlockError("what was compressed does not come back")
    return packed


def _unpack(payload: bytes, rows: int) -> Ints:
    found = standalone.simple_decompress(payload)
    if found is None or found.dtype != np.int64 or len(found) != rows:
        raise BlockError(f"does not hold {rows} numbers")
    return np.asarray(found, np.int64)


class Body:
    """The columns of a body, decoded when they are asked for. Not thread-safe."""

    def __init__(self, data: bytes) -> None:
        """Raises `BlockError`: not a body, of a newer version, or its directory is damaged."""
        self._data = data
        if len(data) < HEAD.size or not data.startswith(MAGIC):
            raise BlockError("is no sealed body")
        _, version, _, count, self.rows, crc = HEAD.unpack_from(data)
        if version > BODY_VERSION:
            raise BlockError(f"has body version {version}, this version of loadlog knows up to {BODY_VERSION}", hint="update loadlog")
        directory = data[HEAD.size : HEAD.size + ENTRY.size * count]
        if zlib.crc32(directory, zlib.crc32(data[: HEAD.size - 4])) != crc:
            raise BlockError("directory is damaged")
        self._entries = list(ENTRY.iter_unpack(directory))
        self._columns: dict[int, Column] = {}

    def __len__(self) -> int:
        return len(self._entries)

    def column(self, index: int) -> Column:
        """One column; beyond the last one all cells are NULL.

        Raises:
            BlockError: its block is damaged.
        """
        known = self._columns.get(index)
        if known is None:
            known = self._columns[index] = self._timed() if index == TIME else self._decoded(index)
        return known

    def _timed(self) -> Column:
        with np.errstate(over="ignore"):
            return Column(self._decoded(TIME).numbers + self.column(HALF_WIDTH).numbers + self.column(LATENESS).numbers)

    def _decoded(self, index: int) -> Column:
        if index >= len(self._entries):
            return Column(np.zeros(self.rows, np.int64), np.zeros(self.rows, bool))
        offset, length, crc, codec = self._entries[index]
        payload = self._data[offset : offset + length]
        if len(payload) != length or zlib.crc32(payload) != crc:
            raise BlockError(f"block of {column_name(index)} is damaged: checksum differs")
        try:
            return _column(codec, payload, self.rows)
        except BlockError:
            raise
        except Exception as exc:  # a decoder may raise anything over bytes that only pass a checksum
            raise BlockError(f"block of {column_name(index)} is damaged: {exc}") from exc

    def faults(self) -> list[str]:
        """One line a block that cannot be read."""
        out = []
        for index in range(len(self._entries)):
            try:
                self.column(index)
            except BlockError as exc:
                out.append(exc.what)
        return list(dict.fromkeys(out))


def column_name(index: int) -> str:
    """As in table ``sample``."""
    return SAMPLE_COLUMNS[index] if index < VALUES else f"v{index - VALUES}"


def _column(codec: int, payload: bytes, rows: int) -> Column:
    if codec == ONE:
        value = json.loads(payload)
        if value is None:
            return Column(np.zeros(rows, np.int64), np.zeros(rows, bool))
        return Column(np.full(rows, value, np.int64)) if isinstance(value, int) else Column(np.zeros(rows, np.int64), None, (value,))
    if codec == NUMBERS:
        return Column(_unpack(payload, rows))
    (size,) = struct.unpack_from("<I", payload)
    packed, rest = zlib.decompress(payload[4 : 4 + size]), payload[4 + size :]
    if codec == DISTINCT:
        return Column(_unpack(rest, rows), None, tuple(json.loads(packed)))
    if codec == GAPPED:
        present = np.unpackbits(np.frombuffer(packed, np.uint8), count=rows, bitorder="little").astype(bool)
        numbers = np.zeros(rows, np.int64)
        numbers[present] = _unpack(rest, int(present.sum()))
        return Column(numbers, present)
    raise BlockError(f"codec {codec} is not known", hint="update loadlog")
