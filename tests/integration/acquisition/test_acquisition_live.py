"""The poller in its own thread on a real pseudo-terminal: polls, unplugging, orders, a clean stop. No absolute times are asserted."""

from __future__ import annotations

import itertools
import queue
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from pty_unit import PtyUnits

from loadlog.acquisition import BusPoller, PolledDevice
from loadlog.bus import SystemClock, line_of, open_link
from loadlog.config import BusConfig
from loadlog.model.clock import Anchor
from loadlog.model.sample import FailureCause, PollFailure, Reading
from loadlog.model.wire import ModbusWrite, Reply
from loadlog.profiles import ReadPlan, link_traits, load_profile

PATIENCE_S = 20.0
PROFILE = """
protocol = "modbus"
name = "ten-registers"
roles = ["load"]
[timing]
timeout_s = 0.3
[[channel]]
name = "voltage_v"
function = 3
address = 0
type = "u16"
scale = 0.001
[[channel]]
name = "current_a"
function = 3
address = 1
type = "u16"
scale = 0.001
[[channel]]
name = "power_w"
function = 3
address = 2
type = "u16"
scale = 0.01
"""


class Live:
    """A poller that runs, and what it delivered."""

    def __init__(self, units: PtyUnits, rates_hz: dict[int, float]) -> None:
        bus = BusConfig(name="live", kind="modbus-rtu", port=str(units.name), baudrate=115200)
        profile = load_profile(PROFILE, "test")
        plan = ReadPlan.make(profile, line_of(bus))
        devices = [PolledDevice(f"d{unit}", unit, plan, link_traits(profile), 1 / rate) for unit, rate in rates_hz.items()]
        clock = SystemClock()
        self.inbox: queue.SimpleQueue[Reading | PollFailure] = queue.SimpleQueue()
        self.poller = BusPoller(bus, devices, open_link(bus, clock), clock, Anchor(clock), self.inbox.put, lambda _: None)

    def wait_for(self, kind: type, device: str, cause: FailureCause | None = None) -> Reading | PollFailure:
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            item = self.inbox.get(timeout=PATIENCE_S)
            if isinstance(item, kind) and item.device == device and (cause is None or item.cause is cause):  # type: ignore[union-attr]
                return item
        raise AssertionError(f"no {kind.__name__} of {device} within {PATIENCE_S} s")


@pytest.fixture
def units(tmp_path: Path) -> Iterator[PtyUnits]:
    made = PtyUnits(tmp_path / "adapter", (1, 2))
    made.plug()
    yield made
    made.unplug()


def test_readings_come_with_the_right_values_and_increasing_stamps(units: PtyUnits) -> None:
    live = Live(units, {1: 20, 2: 20})
    live.poller.start()
    readings: dict[str, list[Reading]] = {"d1": [], "d2": []}
    for _ in range(40):
        item = live.inbox.get(timeout=PATIENCE_S)
        if isinstance(item, Reading):
            readings[item.device].append(item)
    live.poller.stop()
    for device, unit in (("d1", 1), ("d2", 2)):
        assert {tuple(r.counts.values()) for r in readings[device]} == {(unit * 256, unit * 256 + 1, unit * 256 + 2)}
        stamps = [r.stamp.t_utc_ns for r in readings[device]]
        assert all(b - a >= 1_000_000 for a, b in itertools.pairwise(stamps))


def test_unplugged_and_plugged_in_as_another_terminal(tmp_path: Path) -> None:
    units = PtyUnits(tmp_path / "adapter")
    units.plug()
    live = Live(units, {1: 20})
    live.poller.start()
    try:
        live.wait_for(Reading, "d1")
        units.unplug()
        live.wait_for(PollFailure, "d1", FailureCause.PORT_LOST)
        gone = live.wait_for(PollFailure, "d1", FailureCause.PORT_LOST)
        assert "no such port" in gone.detail  # type: ignore[union-attr]
        units.plug()
        live.wait_for(Reading, "d1")
        assert live.poller.statistics().reopened == 1
        assert live.poller.statistics().is_open
    finally:
        live.poller.stop()
        units.unplug()


def test_a_port_that_is_not_there_at_the_start_is_waited_for(tmp_path: Path) -> None:
    units = PtyUnits(tmp_path / "adapter")
    live = Live(units, {1: 20})
    live.poller.start()
    try:
        live.wait_for(PollFailure, "d1", FailureCause.PORT_LOST)
        units.plug()
        live.wait_for(Reading, "d1")
    finally:
        live.poller.stop()
        units.unplug()


def test_a_port_that_somebody_else_has_is_said_and_waited_for(units: PtyUnits) -> None:
    other = open_link(BusConfig(name="other", kind="modbus-rtu", port=str(units.name), baudrate=115200), SystemClock())
    other.open()
    live = Live(units, {1: 20})
    live.poller.start()
    try:
        busy = live.wait_for(PollFailure, "d1", FailureCause.PORT_LOST)
        assert "another program" in busy.detail  # type: ignore[union-attr]
        other.close()
        live.wait_for(Reading, "d1")
    finally:
        live.poller.stop()


def test_an_order_is_carried_out_between_polls_without_waiting_for_the_next(units: PtyUnits) -> None:
    live = Live(units, {1: 0.02})  # the next poll would come after 50 s
    live.poller.start()
    try:
        live.wait_for(Reading, "d1")
        answer = live.poller.submit("d1", ModbusWrite(6, 0x40, (0,)))
        assert isinstance(answer.result(timeout=PATIENCE_S), Reply)
        live.wait_for(Reading, "d1")
        assert [request[1] for request in units.written] == [6]
    finally:
        live.poller.stop()


def test_stop_ends_the_thread_and_frees_the_port(units: PtyUnits) -> None:
    before = threading.active_count()
    live = Live(units, {1: 100})
    live.poller.start()
    live.wait_for(Reading, "d1")
    live.poller.stop()
    live.poller.stop()
    assert threading.active_count() == before
    again = Live(units, {1: 20})
    again.poller.start()
    again.wait_for(Reading, "d1")
    again.poller.stop()


def test_stopping_in_the_middle_delivers_no_half_poll(units: PtyUnits) -> None:
    live = Live(units, {1: 150})
    live.poller.start()
    for _ in range(5):
        live.wait_for(Reading, "d1")
    live.poller.stop()
    statistics = live.poller.statistics()
    left = 5
    while not live.inbox.empty():
        left += isinstance(live.inbox.get(), Reading)
    assert statistics.readings == left
    assert statistics.polls == statistics.readings + sum(statistics.failures.values())
