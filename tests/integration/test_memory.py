"""Memory of the store over virtual days: flat after the first one. More of them with $LOADLOG_MEMORY_DAYS; the benchmark runs a month."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.bench.programs import python


@pytest.mark.long
@pytest.mark.timeout(900)
def test_memory_is_flat_after_the_first_day(tmp_path: Path) -> None:
    days = int(os.environ.get("LOADLOG_MEMORY_DAYS", "3"))
    result = python("store_child", "month", tmp_path / "virtual", days, seconds=800)
    assert result["last_mb"] - result["first_mb"] < 5.0, result
