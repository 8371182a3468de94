"""Clients of others for the simulated bench's ports."""

from __future__ import annotations

import socket
import time
from pathlib import Path

import minimalmodbus
import serial

from loadlog.sim.run import Port
from tests.unit.sim.bench_help import ONE_LOAD

__all__ = ["ONE_LOAD", "ask_line", "master", "stable_name_exists", "until"]


def master(port: Port, unit: int, timeout_s: float = 0.5) -> minimalmodbus.Instrument:
    """An RTU client that is not ours."""
    line = serial.Serial(port.address, port.baudrate, timeout=timeout_s, exclusive=True)
    return minimalmodbus.Instrument(line, unit)


def ask_line(port: Port, text: str, timeout_s: float = 2.0) -> str:
    """One line out, one line back, over TCP."""
    with socket.create_connection((port.host, port.tcp_port), timeout=timeout_s) as connection:
        connection.sendall(text.encode())
        with connection.makefile("r", encoding="ascii") as lines:
            return lines.readline()


def until(condition: object, timeout_s: float = 5.0) -> None:
    """Wait for ``condition()`` to be true."""
    assert callable(condition)
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, "did not happen in time"
        time.sleep(0.005)


def stable_name_exists(path: str) -> bool:
    """A link that leads to a terminal."""
    return Path(path).exists()
