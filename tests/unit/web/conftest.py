"""A real page over a real recording: the stand-in records, the server listens on a free port of the loopback interface."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.serving import HEADERS, PATIENCE_S, serving
from tests.unit.web.stand_in import StandIn, recording


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[StandIn]:
    """A recorder without samples."""
    with recording(tmp_path / "data") as stand_in:
        yield stand_in


@pytest.fixture
def address(bench: StandIn, tmp_path: Path) -> Iterator[str]:
    """Base address of the page of `bench`, on loopback without a token."""
    with serving(tmp_path / "data") as base:
        yield base


@pytest.fixture
def http(address: str) -> Iterator[httpx.Client]:
    """A client that names itself as the page's own."""
    with httpx.Client(base_url=address, headers=HEADERS, timeout=PATIENCE_S) as client:
        yield client
