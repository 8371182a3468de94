"""Bring-up: tools for an instrument that is new on the bench and whose manual is poor. They talk to a bus, but have no schedule.

Every tool returns frozen records that are plain JSON by field; `text` makes lines for a terminal from them.
"""

from __future__ import annotations

from loadlog.bringup.read import ChannelRead, DeviceRead, read_device

__all__ = ["ChannelRead", "DeviceRead", "read_device"]
