"""Exports lose nothing: Parquet and archive against the recordings; damaged archives are refused by place."""

from __future__ import annotations

import json
import resource
import tempfile
import zipfile
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from loadlog.model.errors import LoadlogError, StoreError
from loadlog.review.archive_file import open_archive, write_archive
from loadlog.review.postmortem import post_mortem
from loadlog.store import Archive
from loadlog.store.export_parquet import export_parquet
from tests.unit.review.conftest import NASTY


def test_parquet_holds_every_sample_as_it_was(archive: Archive, tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    count = export_parquet(archive, path, run="soak-0001")
    table = pq.read_table(path)
    samples = [s for name in ("load-1", "case") for s in archive.samples(name, run="soak-0001")]
    assert table.num_rows == count == len(samples) > 100
    rows = table.to_pylist()
    for row, sample in zip(rows, samples, strict=True):
        assert (row["seq"], row["device"], row["quality"]) == (sample.seq, sample.device, sample.quality.name.lower())
        assert row["time_uncertainty_s"] == sample.stamp.half_width_ns / 1e9
        assert row["failure"] == (None if sample.failure is None else str(sample.failure.value))
        assert row["detail"] == (sample.detail or None)
        for name in ("voltage_v", "current_a", "temperature_c"):
            assert row[name] == sample.values.get(name), (sample.seq, name)
        assert row["input_on"] == sample.status.get("input_on")
        assert sorted((row["held"] or "").split()) == sorted(sample.held)
    assert table.column("time_utc").cast(pa.int64()).to_pylist() == [s.stamp.t_utc_ns for s in samples]
    assert any(row["mode"] == "CC" for row in rows)
    assert any(row["reasons"] == "voltage_v=not_a_number" for row in rows)


def test_units_stand_in_the_metadata(archive: Archive, tmp_path: Path) -> None:
    path = tmp_path / "run.parquet"
    export_parquet(archive, path, run="soak-0001", devices=["load-1"])
    schema = pq.read_schema(path)
    assert schema.field("voltage_v").metadata[b"unit"] == b"V"
    assert schema.field("temperature_c").metadata[b"unit"] == "°C".encode()
    assert schema.field("time_utc").type == pa.timestamp("ns", tz="UTC")
    assert schema.metadata[b"run"] == b"soak-0001"


def test_parquet_into_nowhere_is_one_clear_line(archive: Archive, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="cannot be written") as refused:
        export_parquet(archive, tmp_path / "no" / "run.parquet", run="soak-0001")
    assert "\n" not in str(refused.value)


@pytest.fixture
def packed(archive: Archive, tmp_path: Path) -> Path:
    path = tmp_path / "soak.zip"
    write_archive(tmp_path, "last", path)
    return path


def test_an_archive_opens_elsewhere_and_says_the_same(archive: Archive, packed: Path) -> None:
    with open_archive(packed) as (other, run):
        assert run == "soak-0001"
        assert list(other.samples("load-1", run=run)) == list(archive.samples("load-1", run=run))
        assert other.events(run=run) == archive.events(run=run)
        assert other.notes(run) == archive.notes(run)
        assert post_mortem(other, run).to_json() == post_mortem(archive, run).to_json()
    with zipfile.ZipFile(packed) as pack:
        names = pack.namelist()
        assert {"report.html", "review.json", "events.jsonl", "notes.jsonl", "bench.toml", "manifest.json"} <= set(names)
        assert json.loads(pack.read("notes.jsonl"))["text"] == NASTY
        assert json.loads(pack.read("events.jsonl").decode().splitlines()[0])["kind"] == "supply_trip"


def test_nothing_is_left_behind(packed: Path) -> None:
    assert sorted(p.name for p in packed.parent.iterdir() if "archive" in p.name or p.suffix == ".new") == []


def test_a_truncated_archive_is_refused(packed: Path) -> None:
    content = packed.read_bytes()
    for share in (0.0, 0.3, 0.9, 0.999):
        packed.write_bytes(content[: int(len(content) * share)])
        with pytest.raises(LoadlogError, match=r"damaged|manifest|truncated"), open_archive(packed):
            pass


def test_any_flipped_byte_of_a_member_is_refused_by_its_name(packed: Path) -> None:
    content = bytearray(packed.read_bytes())
    with zipfile.ZipFile(packed) as pack:
        members = [
            (i.filename, i.header_offset + 30 + len(i.filename) + 40, i.compress_size) for i in pack.infolist() if i.compress_size > 200
        ]
    assert members
    for name, offset, size in members:
        damaged = bytearray(content)
        damaged[offset + size // 2] ^= 0x10
        packed.write_bytes(damaged)
        with pytest.raises(StoreError, match=name.split("/")[-1]), open_archive(packed):
            pass


def test_an_archive_that_finds_no_room_is_not_called_damaged(packed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    says = r"soak\.zip: cannot be unpacked: %s \(make room in .*, or set TMPDIR"
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
    try:
        with pytest.raises(StoreError, match=says % "File too large"), open_archive(packed):
            pass
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    monkeypatch.setattr(tempfile, "tempdir", "/nowhere")
    with pytest.raises(StoreError, match=says % "No such file or directory"), open_archive(packed):
        pass


def rewritten(packed: Path, change: dict[str, bytes | None]) -> None:
    with zipfile.ZipFile(packed) as pack:
        members = {name: pack.read(name) for name in pack.namelist()}
    with zipfile.ZipFile(packed, "w") as pack:
        for name, content in {**members, **change}.items():
            if content is not None:
                pack.writestr(name, content)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"notes.jsonl": b"{}"}, "notes.jsonl was altered"),
        ({"report.html": None}, "report.html is missing"),
        ({"../evil": b"x"}, "is not in the manifest"),
        ({"manifest.json": b"[1, 2]"}, "manifest.json cannot be read"),
        ({"manifest.json": b"{}"}, "no complete manifest"),
        ({"manifest.json": b'{"version": 2, "run": "a-0001", "members": {}}'}, "of version 2"),
    ],
)
def test_altered_archives_are_refused_by_place(packed: Path, change: dict[str, bytes | None], says: str) -> None:
    rewritten(packed, change)
    with pytest.raises(StoreError, match=says), open_archive(packed):
        pass
