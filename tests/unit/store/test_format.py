"""FORMAT.md is enough: a reader written from the document alone, with nothing of the package, finds what was recorded."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import re
import sqlite3
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pcodec.standalone
import pytest

from loadlog.model.sample import Sample
from loadlog.store import Archive, blocks
from tests.unit.store.recorded import NS, PATIENCE_S, SPECS, T0, OpenJournal, event, failed, run_info, sample, sealing_at, snapshot

DOCUMENT = Path(__file__).parents[3] / "loadlog" / "store" / "FORMAT.md"


def body_by_the_document(body: bytes) -> Iterator[dict[str, Any]]:
    """The rows of a sealed body."""
    magic, version, zero, columns, rows, crc = struct.unpack("<4sBBHII", body[:16])
    directory = body[16 : 16 + 16 * columns]
    assert (magic, version, zero, crc) == (b"LdLB", 1, 0, zlib.crc32(body[:12] + directory))
    names = ["seq", "t_utc_ns", "half_width_ns", "lateness_ns", "quality", "failure", "held", "marks"]
    names += [f"v{i}" for i in range(columns - len(names))]
    table: dict[str, list[Any]] = {}
    for name, (offset, length, checksum, codec, rest) in zip(names, struct.iter_unpack("<IIIB3s", directory), strict=True):
        block = body[offset : offset + length]
        assert (zlib.crc32(block), rest) == (checksum, bytes(3))
        table[name] = block_by_the_document(codec, block, rows)
    table["t_utc_ns"] = [sum(parts) for parts in zip(table["t_utc_ns"], table["half_width_ns"], table["lateness_ns"], strict=True)]
    for i in range(rows):
        yield {name: cells[i] for name, cells in table.items()}


def block_by_the_document(codec: int, block: bytes, rows: int) -> list[Any]:
    if codec == 0:
        return [json.loads(block)] * rows
    if codec == 1:
        return list(map(int, pcodec.standalone.simple_decompress(block)))
    (length,) = struct.unpack("<I", block[:4])
    packed, numbers = zlib.decompress(block[4 : 4 + length]), list(map(int, pcodec.standalone.simple_decompress(block[4 + length :])))
    if codec == 3:
        return [json.loads(packed)[place] for place in numbers]
    assert codec == 2
    assert len(packed) == -(-rows // 8)
    left = iter(numbers)
    return [next(left) if packed[i // 8] >> i % 8 & 1 else None for i in range(rows)]


def rows_by_the_document(db: sqlite3.Connection, device: int, width: int) -> Iterator[dict[str, Any]]:
    """Sealed and hot rows of a device, in order."""
    for (body,) in db.execute("SELECT body FROM sealed WHERE device = ? ORDER BY last_seq", (device,)):
        for row in body_by_the_document(body):
            yield {f"v{i}": None for i in range(width)} | row | {"device": device}
    newest = db.execute("SELECT last_seq FROM sealed ORDER BY rowid DESC LIMIT 1").fetchone()
    for row in db.execute("SELECT * FROM sample WHERE device = ? ORDER BY seq", (device,)):
        assert newest is None or row["seq"] > newest[0]
        yield dict(row)


def read_by_the_document(path: Path, device: str) -> list[dict[str, Any]]:
    """Samples of one device; only what FORMAT.md says is used."""
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    db.row_factory = sqlite3.Row
    (head,) = db.execute("SELECT id, spec FROM device WHERE name = ?", (device,))
    sentinels = {c["name"]: set(c["sentinels"]) for c in json.loads(head["spec"])["channels"]}
    accuracy = {c["name"]: (c["accuracy"], c["resolution"]) for c in json.loads(head["spec"])["channels"]}
    channels = db.execute("SELECT * FROM channel WHERE device = ? ORDER BY position", (head["id"],)).fetchall()
    out = []
    for row in rows_by_the_document(db, head["id"], len(channels)):
        marks = json.loads(row["marks"] or "{}")
        values, status, counts, uncertainty = {}, {}, {}, {}
        for channel in channels if row["failure"] is None else ():
            name, cell = channel["name"], row[f"v{channel['position']}"]
            count = None if cell is None else int(cell)
            held = int(row["held"] or 0) >> channel["position"] & 1
            if not held and name not in marks.get("absent", ()):
                counts[name] = count
            if channel["kind"] != "number":
                status |= {} if count is None else {name: count}
                continue
            values[name] = None
            if count is not None and count not in sentinels[name]:
                value = (count * int(channel["num"]) + int(channel["off"])) / int(channel["den"])
                values[name] = value
                limits, resolution = accuracy[name]
                a = 0.0 if limits is None else abs(value) * limits[0] / 100 + limits[1]
                uncertainty[name] = math.sqrt(a * a / 3 + resolution**2 / 12)
        out.append({"row": row, "marks": marks, "values": values, "status": status, "counts": counts, "u": uncertainty})
    db.close()
    return out


def the_same(found: dict[str, Any], expected: Sample) -> None:
    row, marks = found["row"], found["marks"]
    assert row["seq"] == expected.seq
    assert row["t_utc_ns"] == expected.stamp.t_utc_ns
    assert row["half_width_ns"] == expected.stamp.half_width_ns
    assert row["lateness_ns"] == round(expected.stamp.lateness_s * 1e9)
    assert row["quality"] == expected.quality
    assert row["failure"] == (expected.failure and expected.failure.value)
    assert (found["values"], found["status"], found["counts"]) == (expected.values, expected.status, expected.counts)
    assert marks.get("uncertain", {}) == expected.uncertain
    assert frozenset(marks.get("bad", ())) == expected.bad
    assert marks.get("detail", "") == expected.detail
    assert found["u"].keys() == expected.uncertainty.keys()
    assert all(math.isclose(found["u"][n], expected.uncertainty[n], rel_tol=1e-12) for n in found["u"])


@pytest.mark.parametrize("seal_rows", [1, 2, 1000])
def test_a_reader_from_the_document_alone_finds_everything(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seal_rows: int) -> None:
    put = [
        sample(1),
        sample(2, counts={"voltage_v": -32768, "energy_wh": 2**64 - 2}, uncertain={"voltage_v": "sentinel"}, bad=frozenset({"voltage_v"})),
        failed(3),
        sample(4, counts={"current_a": None}, held={"temperature_c": 7}, uncertain={"current_a": "undecodable"}),
        sample(5, "load-2"),
        sample(6),
    ]
    with sealing_at(monkeypatch, seal_rows), OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(devices=("load-1", "load-2")), snapshot())
        for index, one in enumerate(put):
            opened.journal.put_sample(one)
            if index % 3 == 2:
                opened.flush()
        opened.seal()
        opened.journal.stop_run("soak-0001", T0 + NS, "done").result(PATIENCE_S)
    found = read_by_the_document(tmp_path / "recordings" / "run-soak-0001.sqlite", "load-1")
    expected = [one for one in put if one.device == "load-1"]
    assert len(found) == len(expected)
    for one, other in zip(found, expected, strict=True):
        the_same(one, other)
    with sqlite3.connect(tmp_path / "recordings" / "run-soak-0001.sqlite") as db:
        assert bool(db.execute("SELECT count(*) FROM sealed").fetchone()[0]) == (seal_rows < 1000)


def test_every_codec_is_what_the_document_says() -> None:
    """One body that holds all four, with the largest integers."""
    cells: list[list[Any]] = [
        [1, 2, 5], [2**62, 2**62 + 7, 2**61], [10, 20, 30], [-(10**12), 0, 10**12], [0, 0, 0], [None, "timeout", None], [None, None, 7],
        ["é", "é", "é"], [None, None, None], [2**63 - 1, -(2**63), 0], [str(2**64), 3, None], [9, 9, 9],
    ]  # fmt: skip
    body = blocks.encode([blocks.column_of(column) for column in cells])
    codecs = [entry[3] for entry in struct.iter_unpack("<IIIB3x", body[16 : 16 + 16 * len(cells)])]
    assert codecs == [1, 1, 1, 1, 0, 3, 2, 0, 0, 1, 3, 0]
    assert [list(row.values()) for row in body_by_the_document(body)] == [list(row) for row in zip(*cells, strict=True)]
    back = blocks.Body(body)
    assert [back.column(i).cells() for i in range(len(cells))] == cells


def test_minutes_are_what_the_document_says(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(*(failed(i, t_utc_ns=T0 + i * NS) if i % 10 == 0 else sample(i, t_utc_ns=T0 + i * NS) for i in range(1, 200)))
        opened.journal.stop_run("soak-0001", T0 + 200 * NS, "done").result(PATIENCE_S)
    (recording,) = Archive(tmp_path).recordings()
    db = sqlite3.connect(recording.path)
    (rolled,) = db.execute("SELECT CAST(value AS INTEGER) FROM meta WHERE key = 'rolled_seq'").fetchone()
    direct = db.execute(
        "SELECT device, t_utc_ns / 60000000000, count(*), count(v0), sum(v0), min(v0), max(v0), max(2 * (failure IS NOT NULL)) "
        "FROM sample WHERE seq <= ? GROUP BY 1, 2 ORDER BY 2",
        (rolled,),
    ).fetchall()
    rollup = db.execute(
        'SELECT device, minute, rows, count, sum, minimum, maximum, worst FROM rollup WHERE position = 0 ORDER BY minute'
    ).fetchall()  # fmt: skip
    assert rollup == direct
    assert len(rollup) >= 3
    spans = db.execute("SELECT first_seq, last_seq FROM span ORDER BY first_seq").fetchall()
    assert all(b[0] > a[1] for a, b in itertools.pairwise(spans))


def test_checksums_are_what_the_document_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with sealing_at(monkeypatch, 20), OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        for first in range(1, 120, 10):
            opened.put(*(sample(seq) for seq in range(first, first + 10)), failed(0))
        opened.journal.put_events([event(1, 0, note="Ω"), event(2, 0, device=None)])
        opened.journal.put_note(0, "soak-0001", T0, "Ida", "it's, \n well")
        opened.seal()
        opened.put(*(sample(seq) for seq in range(200, 210)))
        opened.journal.stop_run("soak-0001", T0 + NS, "done").result(PATIENCE_S)
    db = sqlite3.connect(tmp_path / "recordings" / "run-soak-0001.sqlite")
    kept = json.loads(db.execute("SELECT value FROM meta WHERE key = 'checksums'").fetchone()[0])
    keys = {
        "sqlite_schema": "type, name", "device": "id", "channel": "device, position", "run": "id", "identity": "device, field, t_utc_ns",
        "span": "first_seq", "event": "seq, id", "note": "seq", "gap": "last_seq, device, from_utc_ns", "circumstance": "seq",
        "meta": "key", "sample": "seq",
    }  # fmt: skip
    assert set(kept) == set(keys)
    (last,) = db.execute("SELECT last_seq FROM sealed ORDER BY rowid DESC LIMIT 1").fetchone()
    for table, key in keys.items():
        columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
        if table == "sqlite_schema":
            columns = ["type", "name", "sql"]
        doubles = ("planned_s", "confidence")
        cells = [f"CAST({c} * 1000000000 AS INTEGER)" if c in doubles else f'"{c}"' for c in columns if c != "keep"]
        asked, lines = ", ".join(cells), []
        where = {"meta": "WHERE key <> 'checksums'", "sample": f"WHERE seq > {last}"}.get(table, "")
        for row in db.execute(f"SELECT {asked} FROM {table} {where} ORDER BY {key}"):
            lines.append(",".join(db.execute("SELECT quote(?)", (cell,)).fetchone()[0] for cell in row) + "\n")
        assert zlib.crc32("".join(lines).encode()) == kept[table], table
        assert lines or table in ("identity", "gap", "circumstance"), table


def test_every_table_and_column_stands_in_the_document(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1))
        opened.journal.put_events([event(1, 2)])
    (recording,) = Archive(tmp_path).recordings()
    words = set(re.findall(r"\w+", DOCUMENT.read_text(encoding="utf-8")))
    db = sqlite3.connect(recording.path)
    tables = [name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    assert set(tables) <= words
    for table in tables:
        columns = {row[1] for row in db.execute(f"PRAGMA table_info({table})")}
        missing = {c for c in columns if c not in words and not re.fullmatch(r"v\d+", c)}
        assert missing == set(), table
    keys = {key for (key,) in db.execute("SELECT key FROM meta")}
    assert keys <= words


def test_a_device_named_like_a_table_gets_a_view_of_another_name(tmp_path: Path) -> None:
    odd = {name: dataclasses.replace(SPECS["load-1"], name=name) for name in ("sample", "Event", "event", "sqlite_x", "load-1")}
    with OpenJournal(tmp_path, specs=odd) as opened:
        for seq, name in enumerate(odd, start=1):
            opened.journal.put_sample(sample(seq, name, device_spec=odd[name]))
        opened.flush()
    (recording,) = Archive(tmp_path).recordings()
    db = sqlite3.connect(recording.path)
    views = [name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'view'")]
    assert views == ["device-sample", "device-Event", "device-device-event", "device-sqlite_x", "load-1"]
    assert [db.execute(f'SELECT seq FROM "{view}"').fetchall() for view in views] == [[(i,)] for i in range(1, 6)]
