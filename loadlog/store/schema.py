"""The tables of a recording. FORMAT.md says what each column means; a change here raises `SCHEMA_VERSION` and adds a migration.

One wide row a poll keeps a commit on few pages. Value columns are generic (``v0``, ``v1``, ...) and mapped per device by `channel`, so that
devices of any kind share one table that is filled strictly in sequence order. They carry no type affinity: a count beyond a signed 64-bit
integer is kept as decimal text, exactly.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence

from loadlog.model.device import ChannelSpec, DeviceSpec

APPLICATION_ID = 0x4C644C67  # "LdLg"
SCHEMA_VERSION = 2
MINUTE_NS = 60_000_000_000
SAMPLE_COLUMNS = ("seq", "t_utc_ns", "half_width_ns", "lateness_ns", "quality", "failure", "held", "marks")
TABLES = ("meta", "run", "device", "channel", "identity", "sample", "sealed", "span", "rollup", "event", "note", "gap", "circumstance")

SEALED = (
    "CREATE TABLE sealed(device INTEGER NOT NULL, last_seq INTEGER NOT NULL, first_seq INTEGER NOT NULL, rows INTEGER NOT NULL, "
    "t_min_ns INTEGER NOT NULL, t_max_ns INTEGER NOT NULL, body BLOB NOT NULL, PRIMARY KEY(device, last_seq))"
)
CIRCUMSTANCE = "CREATE TABLE circumstance(seq INTEGER PRIMARY KEY, t_utc_ns INTEGER NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL)"
# What a file of an older version needs to become one of the next; the rows stay where they are.
MIGRATIONS = {
    1: (
        SEALED,
        CIRCUMSTANCE,
        "INSERT OR REPLACE INTO meta SELECT 'rolled_seq', CAST(coalesce(max(last_seq), 0) AS TEXT) FROM span",
    )
}  # One that changes tables of a file of version 2 or later renews what `checksums` holds of them.

_FIXED = """
CREATE TABLE meta(key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE run(id TEXT PRIMARY KEY, name TEXT NOT NULL, devices TEXT NOT NULL, started_utc_ns INTEGER NOT NULL, planned_s REAL NOT NULL,
  ended_utc_ns INTEGER, end_reason TEXT NOT NULL, keep INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE device(id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, role TEXT NOT NULL, spec TEXT NOT NULL);
CREATE TABLE channel(device INTEGER NOT NULL, position INTEGER NOT NULL, name TEXT NOT NULL, unit TEXT NOT NULL, kind TEXT NOT NULL,
  num INTEGER NOT NULL, den INTEGER NOT NULL, off INTEGER NOT NULL, PRIMARY KEY(device, position)) WITHOUT ROWID;
CREATE TABLE identity(device INTEGER NOT NULL, field TEXT NOT NULL, t_utc_ns INTEGER NOT NULL, text TEXT NOT NULL,
  PRIMARY KEY(device, field, t_utc_ns)) WITHOUT ROWID;
CREATE TABLE span(first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL, t_min_ns INTEGER NOT NULL, t_max_ns INTEGER NOT NULL,
  rows INTEGER NOT NULL);
CREATE TABLE rollup(device INTEGER NOT NULL, position INTEGER NOT NULL, minute INTEGER NOT NULL, rows INTEGER NOT NULL,
  count INTEGER NOT NULL, sum, minimum, maximum, worst INTEGER NOT NULL, PRIMARY KEY(device, position, minute)) WITHOUT ROWID;
CREATE TABLE event(seq INTEGER NOT NULL, id INTEGER NOT NULL, kind TEXT NOT NULL, key TEXT NOT NULL, device TEXT, "group" TEXT, run TEXT,
  severity TEXT NOT NULL, state TEXT NOT NULL, onset_earliest_utc_ns INTEGER NOT NULL, onset_latest_utc_ns INTEGER NOT NULL,
  detected_utc_ns INTEGER NOT NULL, cleared_utc_ns INTEGER, acknowledged INTEGER NOT NULL, confidence REAL NOT NULL, message TEXT NOT NULL,
  body TEXT NOT NULL, carried INTEGER NOT NULL, PRIMARY KEY(seq, id)) WITHOUT ROWID;
CREATE INDEX event_id ON event(id, seq);
CREATE TABLE note(seq INTEGER PRIMARY KEY, t_utc_ns INTEGER NOT NULL, author TEXT NOT NULL, text TEXT NOT NULL);
CREATE TABLE gap(first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, device TEXT NOT NULL, from_utc_ns INTEGER NOT NULL,
  to_utc_ns INTEGER NOT NULL, samples INTEGER, reason TEXT NOT NULL, PRIMARY KEY(last_seq, device, from_utc_ns)) WITHOUT ROWID;
"""


def statements(devices: Sequence[DeviceSpec]) -> list[str]:
    """Everything that makes the tables and views of a recording of these devices, in order."""
    width = max((len(d.channels) for d in devices), default=0)
    values = "".join(f", v{i}" for i in range(width))
    sample = (
        "CREATE TABLE sample(seq INTEGER PRIMARY KEY, device INTEGER NOT NULL, t_utc_ns INTEGER NOT NULL, half_width_ns INTEGER NOT NULL, "
        f"lateness_ns INTEGER NOT NULL, quality INTEGER NOT NULL, failure TEXT, held, marks TEXT{values})"
    )
    fixed = [text.strip() for text in _FIXED.split(";\n") if text.strip()]
    versions = (SEALED, CIRCUMSTANCE)
    pragmas = (f"PRAGMA application_id={APPLICATION_ID}", f"PRAGMA user_version={SCHEMA_VERSION}")
    return [*fixed, sample, *versions, *views(devices), *pragmas]


def views(devices: Sequence[DeviceSpec]) -> Iterable[str]:
    """One view a device, named like it, with readings in units, for anybody with the sqlite3 shell."""
    taken = {*TABLES, "event_id"}
    for number, device in enumerate(devices, start=1):
        name = device.name
        while name.lower() in taken or name.lower().startswith("sqlite_"):
            name = f"device-{name}"
        taken.add(name.lower())
        yield f"CREATE VIEW {quoted(name)} AS SELECT {', '.join(_view_columns(device))} FROM sample WHERE device = {number}"


def _view_columns(device: DeviceSpec) -> Iterable[str]:
    yield "seq"
    yield "strftime('%Y-%m-%dT%H:%M:%S', t_utc_ns / 1000000000, 'unixepoch') || printf('.%09dZ', t_utc_ns % 1000000000) AS time"
    yield "half_width_ns * 1e-9 AS time_uncertainty_s"
    yield "CASE quality WHEN 0 THEN 'good' WHEN 1 THEN 'uncertain' ELSE 'bad' END AS quality"
    taken = {"seq", "time", "time_uncertainty_s", "quality", "failure", "marks"}
    for position, channel in enumerate(device.channels):
        name = channel.name
        while name in taken:
            name += "_"
        taken.add(name)
        yield f"{_view_value(channel, f'v{position}')} AS {quoted(name)}"
    yield "failure"
    yield "marks"


def _view_value(channel: ChannelSpec, column: str) -> str:
    if channel.kind == "enum" and channel.names:
        cases = " ".join(f"WHEN {number} THEN {text_literal(name)}" for number, name in channel.names.items())
        return f"CASE {column} {cases} ELSE {column} END"
    if channel.kind != "number":
        return column
    scale = channel.scale
    return f"({column} * {scale.num} + {scale.off}) * 1.0 / {scale.den}"


def quoted(name: str) -> str:
    """A name as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def text_literal(text: str) -> str:
    """A text as an SQL literal."""
    return "'" + text.replace("'", "''") + "'"


def compact(data: object) -> str:
    """JSON without blanks; NaN and infinities as Python's reader takes them back."""
    return json.dumps(data, ensure_ascii=False, separators=(",", ":"), default=str)
