"""A real InfluxDB 1.x for the tests of this folder."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.databases import Influx1


@pytest.fixture
def influx(tmp_path: Path) -> Iterator[Influx1]:
    with Influx1(tmp_path / "influx") as server:
        server.create("bench")
        yield server
