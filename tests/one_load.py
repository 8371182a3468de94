"""The smallest configuration of a bench: one load on Modbus TCP, where nobody answers unless the test says so."""

from __future__ import annotations

from pathlib import Path


def one_load(
    more: str = "",
    *,
    name: str = "north-wall",
    data_dir: str | Path = "data",
    tcp_port: int = 502,
    profile: str | Path = "shipped:simulated-load",
    rate_hz: float = 1.0,
) -> str:
    """The text of ``bench.toml``; ``more`` follows at its end, as further sections."""
    return f"""
[bench]
name = "{name}"
data_dir = "{data_dir}"

[[bus]]
name = "rack"
kind = "modbus-tcp"
host = "127.0.0.1"
tcp_port = {tcp_port}

[[device]]
name = "load-1"
role = "load"
bus = "rack"
unit_id = 1
profile = "{profile}"
rate_hz = {rate_hz}

{more}"""
