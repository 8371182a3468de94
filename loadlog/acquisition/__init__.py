"""Acquisition: when each device is polled, and what came of it. One `BusPoller` per bus, each in a thread of its own."""

from __future__ import annotations

from loadlog.acquisition.conversation import DecodedPoll, PolledDevice, PollPlan
from loadlog.acquisition.poller import BusPoller
from loadlog.acquisition.statistics import BusStatistics, DeviceStatistics, Lateness

__all__ = ["BusPoller", "BusStatistics", "DecodedPoll", "DeviceStatistics", "Lateness", "PollPlan", "PolledDevice"]
