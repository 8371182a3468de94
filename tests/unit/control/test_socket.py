"""The control socket: orders are answered, refusals carry their class, rubbish costs nothing."""

from __future__ import annotations

import json
import os
import socket
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from loadlog.control.address import MAX_LINE, SOCKET_NAME, socket_address
from loadlog.control.client import ControlClient
from loadlog.control.server import ControlServer
from loadlog.model.errors import RefusedError, StoreError, UsageError


def handle(order: str, fields: dict[str, Any]) -> dict[str, Any]:
    """Answers, refuses, or breaks, as asked."""
    if order == "echo":
        return fields
    if order == "refuse":
        raise RefusedError("no run is on")
    if order == "store":
        raise StoreError("disk full")
    if order == "break":
        raise RuntimeError("a fault of ours")
    raise UsageError(f"there is no order {order!r}")


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Path]:
    server = ControlServer(tmp_path, handle)
    server.start()
    yield tmp_path
    server.stop()


def raw(data_dir: Path, payload: bytes) -> bytes:
    with socket_address(data_dir) as address, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
        sock.settimeout(5)
        sock.connect(address)
        sock.sendall(payload)
        return sock.makefile("rb").readline()


def test_an_order_is_answered_with_its_fields(served: Path) -> None:
    assert ControlClient(served).call("echo", name="µ-test", devices=["load-1"]) == {"name": "µ-test", "devices": ["load-1"]}


@pytest.mark.parametrize(
    ("order", "error", "text"),
    [
        ("refuse", RefusedError, "no run is on"),
        ("store", StoreError, "disk full"),
        ("nonsense", UsageError, "there is no order 'nonsense'"),
        ("break", RefusedError, "internal fault: RuntimeError: a fault of ours"),
    ],
)
def test_a_refusal_keeps_its_class_and_reason(served: Path, order: str, error: type[Exception], text: str) -> None:
    with pytest.raises(error, match=text):
        ControlClient(served).call(order)


@pytest.mark.parametrize(
    "payload", [b"not json\n", b"[1, 2]\n", b'{"no": "order"}\n', b'{"order": 7}\n', b"\xff\xfe\n", b"{" * 5000 + b"\n"]
)
def test_rubbish_is_refused_and_the_next_order_served(served: Path, payload: bytes) -> None:
    answer = json.loads(raw(served, payload))
    assert answer["ok"] is False
    assert answer["exit_status"] in (1, 2)
    assert ControlClient(served).call("echo", a=1) == {"a": 1}


def test_an_order_without_end_is_refused(served: Path) -> None:
    answer = json.loads(raw(served, b"x" * (MAX_LINE + 1)))
    assert "longer than" in answer["error"]


def test_no_recorder_is_said_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match=r"no recorder is running .*loadlog serve"):
        ControlClient(tmp_path).call("status")
    with pytest.raises(RefusedError, match="no recorder is running"):
        ControlClient(tmp_path / "absent").call("status")


def test_a_socket_left_by_a_dead_recorder_is_replaced(tmp_path: Path) -> None:
    with socket_address(tmp_path) as address, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as dead:
        dead.bind(address)
    with pytest.raises(RefusedError, match="no recorder is running"):
        ControlClient(tmp_path).call("status")
    server = ControlServer(tmp_path, handle)
    server.start()
    try:
        assert ControlClient(tmp_path).call("echo") == {}
    finally:
        server.stop()
    assert not (tmp_path / SOCKET_NAME).exists()


def test_the_socket_is_closed_to_others(served: Path) -> None:
    assert stat.S_IMODE(os.stat(served / SOCKET_NAME).st_mode) == 0o660


def test_a_path_longer_than_a_socket_address_works(tmp_path: Path) -> None:
    deep = tmp_path.joinpath(*["a-rather-long-directory-name"] * 6)
    deep.mkdir(parents=True)
    assert len(str(deep)) > 107  # sun_path of unix(7)
    server = ControlServer(deep, handle)
    server.start()
    try:
        assert ControlClient(deep).call("echo", ok_so_far=True) == {"ok_so_far": True}
    finally:
        server.stop()


def test_a_client_that_hangs_up_at_once_costs_nothing(served: Path) -> None:
    for _ in range(40):
        with socket_address(served) as address, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sock:
            sock.connect(address)
    assert ControlClient(served).call("echo", still="there") == {"still": "there"}
