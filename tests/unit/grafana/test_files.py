"""What is committed in dashboards/ is what the code writes."""

from __future__ import annotations

from pathlib import Path

from loadlog.grafana import EVERY_BENCH, all_files

ROOT = Path(__file__).resolve().parents[3]


def test_the_committed_files_are_those_of_the_code() -> None:
    """Otherwise: python -m loadlog dashboards write dashboards"""
    committed = {
        str(p.relative_to(ROOT / "dashboards")): p.read_text(encoding="utf-8") for p in (ROOT / "dashboards").rglob("*") if p.is_file()
    }
    assert committed == all_files(EVERY_BENCH)


def test_files_are_the_same_whenever_they_are_written() -> None:
    assert all_files(EVERY_BENCH) == all_files(EVERY_BENCH)
