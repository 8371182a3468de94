"""Service notification against a real datagram socket (sd_notify(3), sd_watchdog_enabled(3))."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from loadlog.process.systemd import Notifier


@pytest.mark.parametrize("abstract", [False, True])
def test_readiness_watchdog_and_stop_are_told(tmp_path: Path, abstract: bool) -> None:
    name = f"@loadlog-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name[1:] if abstract else name)
        manager.settimeout(5)
        notifier = Notifier({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "20000000"})
        notifier.ready("recording 3 devices")
        notifier.alive()
        notifier.stopping()
        assert [manager.recv(4096) for _ in range(3)] == [b"READY=1\nSTATUS=recording 3 devices", b"WATCHDOG=1", b"STOPPING=1"]
        assert notifier.watchdog_s == 20.0


def test_a_watchdog_meant_for_another_process_is_not_ours() -> None:
    assert Notifier({"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": str(os.getpid() + 1)}).watchdog_s == 0.0
    assert Notifier({"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": str(os.getpid())}).watchdog_s == 1.0
    assert Notifier({"WATCHDOG_USEC": "soon"}).watchdog_s == 0.0


def test_without_a_manager_nothing_happens_and_a_lost_manager_costs_nothing(tmp_path: Path) -> None:
    Notifier({}).ready("ok")
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")}).ready("ok")
