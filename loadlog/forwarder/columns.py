"""Lines of stored samples made a column at a time: the same bytes as `lines.SampleLines` makes a row at a time, at a fraction of the cost.

Each part of a line (head, one field, stamp) becomes a column of texts of one width, padded with NUL, which line protocol cannot carry;
the parts are laid side by side, and the padding is taken out of the whole at once. Readings are quantised, so a field has few different
texts, and only those are made by Python. A slab goes into several bodies: its lines are laid once, and each body fills in the stamps of
its own, since a body that is made again must begin with the stamps of the one that was acknowledged before it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple
from weakref import WeakKeyDictionary

import numpy as np
import numpy.typing as npt

from loadlog.forwarder.lines import SampleLines, SeriesName
from loadlog.forwarder.stamps import Stamps
from loadlog.model.sample import Quality
from loadlog.store.blocks import FAILURE, HELD, MARKS, QUALITY, Bools, Cell, Column, Ints
from loadlog.store.follower import Stretch
from loadlog.store.rows import parse_marks
from loadlog.store.slabs import Slab

Texts = npt.NDArray[np.bytes_]
Bytes = npt.NDArray[np.uint8]
_DIGITS = 19  # of an instant in ns, from 2001 to 2286
_WIDEST = 20  # characters of any 64-bit integer
_SET_NS = 10**18 + 86_400 * 10**9  # before it, stamps may have fewer digits: a clock that was never set
_FOURS = ("d16", "d12", "d8", "d4")  # the last sixteen digits, by fours
_GROUPED = np.dtype([("high", "S3"), *((name, "S4") for name in _FOURS)])
_THREE_DIGITS = np.array([f"{n:03d}" for n in range(1000)], "S3")
_FOUR_DIGITS = np.array([f"{n:04d}" for n in range(10_000)], "S4")
SPREAD_AT_MOST = 4  # times as many different readings as rows are looked up in a table, beyond they are sorted


class ColumnLines:
    """Not thread-safe."""

    def __init__(self, lines: SampleLines, stamps: Stamps) -> None:
        self._lines, self._stamps = lines, stamps
        # A slab goes into several bodies; its run is that of its recording.
        self._laid: WeakKeyDictionary[Slab, _Laid] = WeakKeyDictionary()

    def body(self, stretches: Sequence[Stretch]) -> bytes:
        """All of them, a device at a time; empty when there are none."""
        made = [self._stretch(stretch) for stretch in stretches]
        return b"".join([*made[:-1], *(last[:-1] for last in made[-1:])])

    def _stretch(self, stretch: Stretch) -> bytes:
        series = self._lines.series(stretch.slab.layout, stretch.run)
        laid = self._laid.get(stretch.slab)
        if laid is None:
            laid = self._laid[stretch.slab] = _laid(stretch.slab, series)
        stamps = self._stamps.unique_all(series.key, stretch.times)
        rows = laid.lines[stretch.first : stretch.last]
        rows[:, -1 - laid.stamp : -1] = _as_bytes(_decimal(stamps, laid.stamp), len(rows))
        return rows.tobytes().replace(b"\0", b"")  # faster than to translate, since the padding is a small part


class _Laid(NamedTuple):
    """The lines of all rows of a slab with their padding: (rows, width) bytes. ``stamp``: the room that is left for it before the end."""

    lines: Bytes
    stamp: int


def _laid(slab: Slab, series: SeriesName) -> _Laid:
    stamp = _DIGITS if int(slab.times.min()) >= _SET_NS else _WIDEST
    parts = [np.array([series.head.encode()])]
    failed = _where(slab.column(FAILURE), lambda cell: True)
    for name, texts in zip(slab.layout.names, series.texts, strict=True):
        parts.append(_picked(slab.channel(name), texts, _fresh(slab, name, failed)))
    quality: dict[Cell, str] = {int(q): f"quality={int(q)}i " for q in Quality}
    parts += [_picked(slab.column(QUALITY), quality, None), np.zeros(1, f"S{stamp}"), np.array([b"\n"])]
    lines = np.empty((len(slab.seqs), sum(part.itemsize for part in parts)), np.uint8)
    begin = 0
    for part in parts:
        lines[:, begin : begin + part.itemsize] = _as_bytes(part, len(part))
        begin += part.itemsize
    return _Laid(lines, stamp)


def _as_bytes(texts: Texts, rows: int) -> Bytes:
    """(rows, width) bytes; of one text a single row."""
    return np.ascontiguousarray(texts).view(np.uint8).reshape(rows, texts.itemsize)


def _where(column: Column, judge: Callable[[str], bool]) -> Bools | None:
    """The rows in which a text stands of which ``judge`` is true; None when there are none."""
    if column.texts is None:
        return None  # texts only: numbers mean that nothing but NULL stands there
    table = np.array([cell is not None and judge(str(cell)) for cell in column.texts], bool)
    return table[column.numbers] if table.any() else None


def _fresh(slab: Slab, name: str, failed: Bools | None) -> Bools | None:
    """The rows in which a channel was read; None when in all."""
    held = slab.held(name) if _holds_any(slab.column(HELD)) else None
    absent = _where(slab.column(MARKS), lambda text: name in parse_marks(text).absent)
    stale: Bools | None = None
    for rows in (failed, held, absent):
        if rows is not None:
            stale = rows if stale is None else stale | rows
    return None if stale is None else ~stale


def _holds_any(column: Column) -> bool:
    return column.present is None or bool(column.present.any())


def _picked(column: Column, texts: Mapping[Cell, str], chosen: Bools | None) -> Texts:
    """The text of each cell, empty where there is none, or where it is not ``chosen``. One text when it is the same in all rows."""
    found: Sequence[Cell]
    if column.texts is not None:
        found, places = column.texts, column.numbers
    else:
        found, places = _distinct(column.numbers)
    made = "\0".join([texts[cell] for cell in found]).encode().split(b"\0")
    left_out = [rows for rows in (column.present, chosen) if rows is not None and not rows.all()]
    if len(made) == 1 and not left_out:
        return np.array(made)
    for rows in left_out:
        places = np.where(rows, places, len(made))
    return np.array([*made, b""]).take(places)


def _distinct(numbers: Ints) -> tuple[list[int], Ints]:
    """The different ones in increasing order, and the place of each among them. Readings lie close together: then nothing is sorted."""
    lowest = int(numbers.min())
    width = int(numbers.max()) - lowest + 1
    if width > SPREAD_AT_MOST * len(numbers):
        found, places = np.unique(numbers, return_inverse=True)
        return found.tolist(), places
    above = numbers - lowest
    seen = np.zeros(width, np.int64)
    seen[above] = 1
    return (np.flatnonzero(seen) + lowest).tolist(), (np.cumsum(seen) - 1).take(above)


def _decimal(t_ns: Ints, width: int) -> Texts:
    """Instants as texts; of ``width`` `_DIGITS` each of them fills it."""
    if width != _DIGITS:
        return t_ns.astype(f"S{width}")
    digits = np.empty(len(t_ns), _GROUPED)
    rest = t_ns
    for name in reversed(_FOURS):
        higher = rest // 10_000
        digits[name] = _FOUR_DIGITS[rest - higher * 10_000]
        rest = higher
    digits["high"] = _THREE_DIGITS[rest]
    return digits.view(f"S{width}")
