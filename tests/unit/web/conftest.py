"""A real page over a real recording: the stand-in records, the server listens on a free port of the loopback interface."""

from __future__ import annotations

import itertools
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


_PEERS = itertools.count()


def peer() -> httpx.HTTPTransport:
    """Of a client with an address of its own (127.0.0.0/8 is all this machine), so that nobody pays for the requests of others."""
    number = next(_PEERS)
    return httpx.HTTPTransport(local_address=f"127.1.{number // 250 % 250}.{number % 250 + 1}")


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


@pytest.fixture(scope="module")
def still_address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Base address of a page that no test changes: for all of a module that only asks, or is refused."""
    data_dir = tmp_path_factory.mktemp("still") / "data"
    with recording(data_dir), serving(data_dir) as base:
        yield base


@pytest.fixture
def still(still_address: str) -> Iterator[httpx.Client]:
    """A client of `still_address` that names itself as the page's own; a peer of its own."""
    with httpx.Client(base_url=still_address, headers=HEADERS, timeout=PATIENCE_S, transport=peer()) as client:
        yield client
