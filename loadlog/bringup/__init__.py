"""Bring-up: tools for an instrument that is new on the bench and whose manual is poor. They talk to a bus, but have no schedule.

Every tool returns frozen records that are plain JSON by field.
"""

from __future__ import annotations

from loadlog.bringup.meanings import Match, Meaning
from loadlog.bringup.read import ChannelRead, DeviceRead, read_device
from loadlog.bringup.registers import Change, Hole, RegisterRange, Settled, read_registers, watch_registers
from loadlog.bringup.scan import Found, Hint, Progress, Search, bus_at, scan

__all__ = [
    "Change",
    "ChannelRead",
    "DeviceRead",
    "Found",
    "Hint",
    "Hole",
    "Match",
    "Meaning",
    "Progress",
    "RegisterRange",
    "Search",
    "Settled",
    "bus_at",
    "read_device",
    "read_registers",
    "scan",
    "watch_registers",
]
