"""The bring-up tools against the simulated bench on real ports; addresses and values from its manual, which shares no code with them."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from loadlog.bringup import Found, Hint, Search, Settled, bus_at, read_device, read_registers, scan, watch_registers
from loadlog.bus import SystemClock, open_link
from loadlog.config import BusConfig, DeviceConfig
from loadlog.model.errors import BusError, DeviceError, UsageError
from loadlog.profiles import device_spec, load_profile, shipped
from loadlog.sim.run import Port, SimulatedBench, load_scenario

CLOCK = SystemClock()
QUICK = Search(baudrates=(9600, 38400), parities=("N",), units=(1, 2, 5, 6), timeout_s=0.1)


@pytest.fixture(scope="module")
def workshop() -> Iterator[SimulatedBench]:
    with SimulatedBench.start(load_scenario("workshop"), faults=False) as bench:
        yield bench


@pytest.fixture(scope="module")
def network() -> Iterator[SimulatedBench]:
    with SimulatedBench.start(load_scenario("scpi"), faults=False) as bench:
        yield bench


def bus_of(port: Port) -> BusConfig:
    if port.host:
        return BusConfig.model_validate({"name": port.bus, "kind": port.kind, "host": port.host, "tcp_port": port.tcp_port})
    return BusConfig.model_validate({"name": port.bus, "kind": port.kind, "port": port.address, "baudrate": port.baudrate})


def port_of_kind(bench: SimulatedBench, kind: str) -> Port:
    return next(port for port in bench.ports.values() if port.kind == kind)


def read(port: Port, profile_name: str, unit: int | None, role: str = "load", panel: dict[str, float] | None = None):  # type: ignore[no-untyped-def]
    text = shipped(profile_name)
    profile = load_profile(text, profile_name)
    bus = bus_of(port)
    device = DeviceConfig.model_validate({"name": "dut", "role": role, "bus": bus.name, "unit_id": unit, "profile": "x"})
    return read_device(bus, device, device_spec(device, profile), profile, open_link(bus, CLOCK), CLOCK, panel)


# -- read


def test_read_shows_value_unit_uncertainty_quality_and_raw_words(workshop: SimulatedBench) -> None:
    result = read(workshop.ports["rack"], "simulated-load", 1)
    channels = {c.name: c for c in result.channels}
    voltage = channels["voltage_v"]
    assert voltage.unit == "V"
    assert voltage.value == pytest.approx(23.98, abs=0.1)
    assert voltage.quality == "good"
    ((place, words),) = voltage.raw
    assert "0x0012" in place
    high, low = (int(word, 16) for word in words.split())
    assert (high << 16 | low) / 1000 == voltage.value, "1 mV a count, high word first"
    # ±(0.05 % of reading + 10 counts of 1 mV) is a rectangular bound: 22 mV / √3, and a count's own 0.29 mV
    assert voltage.uncertainty == pytest.approx(0.0127, rel=0.02)
    assert channels["mode"].text == "cc"
    assert channels["setpoint"].unit == "A"
    assert channels["input_on"].text == "on"
    assert "240101" in result.identity.values()
    assert not result.refused


def test_read_compares_with_the_front_panel(workshop: SimulatedBench) -> None:
    rack = workshop.ports["rack"]
    fits = read(rack, "simulated-load", 1, panel={"current_a": 5.0})
    assert fits.agrees
    differs = read(rack, "simulated-load", 1, panel={"current_a": 5.0, "voltage_v": 12.0})
    assert not differs.agrees
    assert [c.name for c in differs.channels if c.agrees is False] == ["voltage_v"]
    with pytest.raises(UsageError, match="voltage_v"):
        read(rack, "simulated-load", 1, panel={"voltage": 12.0})


def test_read_of_a_wrong_profile_says_so(workshop: SimulatedBench) -> None:
    """The load has no input registers: function 4 is answered with exception 01."""
    with pytest.raises(DeviceError, match="does not fit this instrument"):
        read(workshop.ports["rack"], "simulated-thermocouples", 1, role="thermometer")


def test_read_of_a_unit_that_is_not_there_gives_advice(workshop: SimulatedBench) -> None:
    with pytest.raises(DeviceError, match=r"unit 9.*no answer.*switched on"):
        read(workshop.ports["rack"], "simulated-load", 9)


def test_read_over_the_network(network: SimulatedBench) -> None:
    load = read(port_of_kind(network, "scpi-tcp"), "simulated-scpi-load", None)
    voltage = next(c for c in load.channels if c.name == "voltage_v")
    assert voltage.value == pytest.approx(12.0, abs=0.3)
    assert "E+" in voltage.raw[0][1], "the answer as it came"
    tcp = read(port_of_kind(network, "modbus-tcp"), "simulated-load", 1)
    assert next(c for c in tcp.channels if c.name == "mode").text == "cp"


def test_a_port_that_is_missing_is_one_line() -> None:
    missing = Port("rack", "modbus-rtu", "/dev/serial/by-id/none", baudrate=9600)
    with pytest.raises(BusError, match="by-id"):
        read(missing, "simulated-load", 1)


# -- scan


def test_scan_of_a_line(workshop: SimulatedBench) -> None:
    findings = list(scan(workshop.ports["rack"].address, CLOCK, QUICK))
    assert {f.unit for f in findings if isinstance(f, Found)} == {1, 2, 5}


def test_scan_of_network_instruments(network: SimulatedBench) -> None:
    scpi = port_of_kind(network, "scpi-tcp")
    (item,) = [f for f in scan(f"{scpi.host}:{scpi.tcp_port}", CLOCK, Search(kinds=("scpi-tcp",))) if isinstance(f, Found)]
    assert item.identity["vendor"] == "SIMULATED"
    modbus = port_of_kind(network, "modbus-tcp")
    (item,) = [f for f in scan(f"{modbus.host}:{modbus.tcp_port}", CLOCK, Search(kinds=("modbus-tcp",))) if isinstance(f, Found)]
    assert item.unit == 1


def test_scan_of_a_closed_network_port_is_one_line() -> None:
    with pytest.raises(BusError, match="refused"):
        list(scan("127.0.0.1:1", CLOCK))


def test_scan_without_anybody_says_what_to_try(workshop: SimulatedBench) -> None:
    nobody = Search(baudrates=(38400,), parities=("N",), units=(77,), kinds=("modbus-rtu",), timeout_s=0.1)
    assert any("A and B" in f.text for f in scan(workshop.ports["rack"].address, CLOCK, nobody) if isinstance(f, Hint))


# -- registers


def test_registers_of_the_simulated_load(workshop: SimulatedBench) -> None:
    """Holes and values of the manual's table; 240101 is 3 · 65536 + 43493."""
    bus = bus_of(workshop.ports["rack"])
    link = open_link(bus, CLOCK)
    link.open()
    try:
        found = read_registers(bus, link, CLOCK, 1, 0, 0x48)
    finally:
        link.close()
    assert [(h.first, h.last) for h in found.holes] == [(0x04, 0x0F), (0x1A, 0x1F), (0x26, 0x2F), (0x38, 0x3F), (0x45, 0x47)]
    assert (found.words[2], found.words[3]) == (3, 43493)
    by_address = {m.address: m for m in found.meanings}
    assert by_address[0].u16 == 0x4C31
    assert by_address[2].u32 == 240101
    assert by_address[0x20].f32_low_first == 5.0
    assert by_address[0x30].hints == ("text 'SUPPLY STAND'",)
    voltage = by_address[0x12].u32
    assert voltage is not None
    best = found.showing(voltage / 1000)[0]
    assert (best.address, best.scale) == (0x12, 0.001)


def test_watching_a_knob(workshop: SimulatedBench) -> None:
    rack = workshop.ports["rack"]
    bus = bus_at(rack.address, "modbus-rtu", rack.baudrate)
    link = open_link(bus, CLOCK)
    link.open()
    try:
        start = read_registers(bus, link, CLOCK, 2, 0x20, 6)
        changes = watch_registers(bus, link, CLOCK, start, interval_s=0.02)
        assert isinstance(next(changes), Settled)
        workshop.inject("knob", "load-2", setpoint=4.5)
        change = next(changes)
    finally:
        link.close()
    assert not isinstance(change, Settled)
    assert change.address == 0x21, "the set-point is a float, low word first: 3.0 to 4.5 changes its high word"
    assert (change.old.u16, change.new.u16) == (0x4040, 0x4090)
