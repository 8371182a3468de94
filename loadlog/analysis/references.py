"""Reference readings as people write them: on the command line, in a table. Wrong units and text are refused with the place.

Numbers have a decimal point. A comma is refused rather than guessed at: ``1,000`` is one to some and a thousand to others.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping
from typing import Any

from loadlog.analysis.accuracy import Reference, channel_of
from loadlog.config import nearest
from loadlog.model.clock import parse_utc
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import UsageError
from loadlog.model.quantity import Accuracy

PREFIXES = {"": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "µ": 1e-6, "μ": 1e-6}
SPELLINGS = {"Ω": ("Ω", "ohm", "Ohm"), "°C": ("°C", "C", "degC"), "A·h": ("A·h", "Ah"), "W·h": ("W·h", "Wh")}
DECIMAL_POINT = "write a decimal point, not a comma"
CONDITIONS = ("cold", "hot", "")
COLUMNS = ("channel", "reference", "unit", "reading", "u_reference", "condition", "time", "note")
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)")


def parse_value(text: str, unit: str, what: str) -> float:
    """``24.01``, ``24.01 V``, ``24010 mV`` for a channel in V.

    Raises:
        UsageError: no number, another unit, not finite.
    """
    match = _NUMBER.fullmatch(text.strip())
    comma = match is not None and match[2].startswith(",")
    value = math.nan if match is None or comma else float(match[1]) * unit_factor(match[2].strip(), unit, what)
    if not math.isfinite(value):
        raise UsageError(f"{what}: {text.strip()!r} is no number such as 24.01 or '24.01 {unit}'", hint=DECIMAL_POINT if comma else "")
    return value


def unit_factor(given: str, unit: str, what: str) -> float:
    """What to multiply by to get from ``given`` to ``unit``; empty is the unit itself.

    Raises:
        UsageError: another unit.
    """
    same = SPELLINGS.get(unit, (unit,))
    if given in ("", *same):
        return 1.0
    for name in same:
        prefix = given.removesuffix(name)
        if prefix != given and prefix in PREFIXES and unit != "°C":
            return PREFIXES[prefix]
    raise UsageError(f"{what}: the unit must be {unit}, not {given!r}", hint=f"this channel is in {unit}")


def parse_point(text: str, spec: DeviceSpec, **more: Any) -> Reference:
    """``voltage_v=24.0123`` or ``voltage=24.0123 V``; with the instrument's own reading ``voltage_v=24.0123/24.010``.

    Raises:
        UsageError: as `channel_of` and `parse_value`.
    """
    name, equals, value = text.partition("=")
    if not equals or not value.strip():
        raise UsageError(f"{text!r} is not CHANNEL=REFERENCE such as voltage_v=24.0123")
    channel = channel_of(spec, name.strip())
    reference, slash, reading = value.partition("/")
    return Reference(
        channel.name,
        parse_value(reference, channel.unit, f"reference of {channel.name}"),
        parse_value(reading, channel.unit, f"reading of {channel.name}") if slash else None,
        **more,
    )


def parse_csv(text: str, spec: DeviceSpec, where: str, **more: Any) -> tuple[Reference, ...]:
    """Reference readings from a table with a header; columns `COLUMNS`, ``channel`` and ``reference`` are needed.

    ``unit`` may be a multiple of the channel's (mV); it holds for reference, reading and u_reference, a standard uncertainty. ``time`` is
    RFC 3339. ``more``: what holds where the table says nothing.

    Raises:
        UsageError: one line with file, line, column and what is wrong.
    """
    lines = csv.reader(io.StringIO(text.removeprefix("\ufeff")), delimiter=";" if ";" in text.partition("\n")[0] else ",")
    try:
        rows = [(lines.line_num, [cell.strip() for cell in row]) for row in lines]
    except csv.Error as exc:
        raise UsageError(f"is no table: {exc}", where=f"{where}, line {lines.line_num}") from exc
    header = rows[0][1] if rows else []
    for name in header:
        if name not in COLUMNS:
            raise UsageError(f"there is no column {name!r}{nearest(name, COLUMNS)}", where=where, hint=f"columns: {', '.join(COLUMNS)}")
    for needed in ("channel", "reference"):
        if needed not in header:
            raise UsageError(f"the column {needed} is missing", where=where, hint=f"columns: {', '.join(COLUMNS)}")
    out = []
    for number, row in rows[1:]:
        if any(row):
            place = f"{where}, line {number}"
            if len(row) != len(header):
                hint = f"{DECIMAL_POINT}, or part the columns by semicolons" if len(row) > len(header) else ""
                raise UsageError(f"{len(row)} cells, but the header has {len(header)}", where=place, hint=hint)
            cells = dict(zip(header, row, strict=True))
            try:
                out.append(_reference(cells, spec, more))
            except UsageError as exc:
                raise UsageError(exc.what, where=place, hint=exc.hint) from exc
    if not out:
        raise UsageError("holds no reference reading", where=where)
    return tuple(out)


def _reference(cells: Mapping[str, str], spec: DeviceSpec, more: Mapping[str, Any]) -> Reference:
    channel = channel_of(spec, cells["channel"])
    factor = unit_factor(cells.get("unit", ""), channel.unit, "unit")

    def number(column: str) -> float | None:
        text = cells.get(column, "")
        if not text:
            return None
        match = _NUMBER.fullmatch(text)
        value, rest = (float(match[1]) * factor, match[2]) if match else (math.nan, "")
        if rest or not math.isfinite(value):
            hint = DECIMAL_POINT if rest.startswith(",") else "the unit stands in its own column" if rest else ""
            raise UsageError(f"{column} {text!r} is no number", hint=hint)
        return value

    reference, u = number("reference"), number("u_reference")
    if reference is None:
        raise UsageError("reference is empty")
    condition = cells.get("condition", "")
    if condition not in CONDITIONS:
        raise UsageError(f"condition {condition!r} is neither cold nor hot nor empty")
    given = {
        "u_reference": check_uncertainty(u), "condition": condition, "t_utc_ns": _instant(cells.get("time", "")),
        "note": cells.get("note", ""),
    }  # fmt: skip
    known = {k: v for k, v in given.items() if v not in (None, "")}
    return Reference(channel.name, reference, number("reading"), **{**more, **known})


def _instant(text: str) -> int | None:
    if not text:
        return None
    try:
        return parse_utc(text)
    except ValueError as exc:
        raise UsageError(f"time {exc}") from exc


def check_uncertainty(u: float | None) -> float | None:
    """The same.

    Raises:
        UsageError: negative or not finite.
    """
    if u is not None and not (math.isfinite(u) and u >= 0):
        raise UsageError(f"the uncertainty of the reference must not be negative, and finite, not {u:g}")
    return u


def parse_accuracy(text: str) -> Accuracy:
    """``0.01%+0.002``, ``0.01%`` or ``0.002``: ± (percent of reading + absolute in the channel's unit).

    Raises:
        UsageError: anything else, or nothing but zeros.
    """
    percent = absolute = 0.0
    for part in text.replace(" ", "").lstrip("±").strip("()").split("+"):
        match = _NUMBER.fullmatch(part)
        if match is None or match[2] not in ("", "%") or float(match[1]) < 0:
            raise UsageError(f"reference accuracy {text!r} is not PERCENT%+ABSOLUTE such as 0.01%+0.002")
        if match[2]:
            percent += float(match[1])
        else:
            absolute += float(match[1])
    if percent == absolute == 0.0:
        raise UsageError("a reference without any uncertainty does not exist", hint="give its specification, e.g. 0.01%+0.002")
    return Accuracy(percent, absolute)
