"""A real page over a real recording: the stand-in records, the server listens on a free port of the loopback interface."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from loadlog.config import PlanConfig
from loadlog.viewer import make_viewer
from loadlog.web import Access
from loadlog.web.serve import listen
from tests.unit.web.stand_in import SPECS, StandIn, recording

TOKEN = "correct-horse-battery-staple"
READ_TOKEN = "who-may-only-look-at-it"
HEADERS = {"X-Loadlog": "test"}
PATIENCE_S = 20.0
LOOPBACK = Access(True)
PLANS = (
    PlanConfig(
        name="overnight-24v", devices=["load-1", "case"], duration="12h", cron="0 22 * * 1-5", time_zone="Europe/Berlin",
        stop={"device": "load-1", "voltage_below": 21.0},
        accept=[{"device": "load-1", "channel": "voltage", "statistic": "mean", "low": 23.76, "high": 24.24}],
    ),
    PlanConfig(name="pack-36v", devices=["load-2"], keep=True),
)  # fmt: skip


@contextlib.contextmanager
def serving(data_dir: Path, access: Access = LOOPBACK, name: str = "north-wall", port: int = 0, **more: Any) -> Iterator[str]:
    """The page's base address while it is served; ``more`` goes to the viewer."""
    listening = threading.Event()
    sock = listen("127.0.0.1", port)
    server = make_viewer(name, SPECS, data_dir, access, listening.set, plans=PLANS, **more)
    thread = threading.Thread(target=server.run, args=([sock],), daemon=True)
    thread.start()
    assert listening.wait(PATIENCE_S)
    try:
        yield f"{'https' if more.get('tls') else 'http'}://127.0.0.1:{sock.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(PATIENCE_S)
        sock.close()
        assert not thread.is_alive(), "the server did not stop"


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
