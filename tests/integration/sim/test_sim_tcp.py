"""Modbus TCP, RTU over TCP and SCPI of the simulated bench, asked by clients of others."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator

import pytest
import serial
from pymodbus import FramerType
from pymodbus.client import ModbusTcpClient

from loadlog.sim.run import Port, SimulatedBench, load_scenario
from tests.integration.sim.bench_ports import ask_line, until


@pytest.fixture(scope="module")
def bench() -> Iterator[SimulatedBench]:
    with SimulatedBench.start(load_scenario("scpi"), seed=4, faults=False) as running:
        yield running


def _client(port: Port, framer: FramerType = FramerType.SOCKET) -> ModbusTcpClient:
    client = ModbusTcpClient(port.host, port=port.tcp_port, framer=framer, timeout=1, retries=0)
    assert client.connect()
    return client


def test_modbus_tcp_with_an_independent_client(bench: SimulatedBench) -> None:
    client = _client(bench.ports["plant"])
    reply = client.read_holding_registers(0x0012, count=4, device_id=1)
    volts, amperes = reply.registers[0] * 65536 + reply.registers[1], reply.registers[2] * 65536 + reply.registers[3]
    assert volts * amperes / 1e6 == pytest.approx(120.0, abs=0.8), "constant power"
    refused = client.read_holding_registers(0x0004, count=1, device_id=1)
    assert refused.exception_code == 2
    client.close()


def test_two_modbus_tcp_clients_at_once(bench: SimulatedBench) -> None:
    one, other = _client(bench.ports["plant"]), _client(bench.ports["plant"])
    for _ in range(20):
        assert one.read_holding_registers(0, count=1, device_id=1).registers == [0x4C31]
        assert other.read_holding_registers(1, count=1, device_id=1).registers == [0x0123]
    one.close()
    other.close()


def test_rtu_over_tcp_with_an_independent_client(bench: SimulatedBench) -> None:
    client = _client(bench.ports["server"], FramerType.RTU)
    assert client.read_holding_registers(0x0011, count=1, device_id=3).registers == [3], "constant resistance"
    client.close()


def test_a_serial_server_serves_one_client_after_the_other(bench: SimulatedBench) -> None:
    for _ in range(5):
        client = _client(bench.ports["server"], FramerType.RTU)
        assert client.read_holding_registers(0, count=1, device_id=3).registers == [0x4C31]
        client.close()


def test_scpi_load_and_meter(bench: SimulatedBench) -> None:
    load, meter = bench.ports["scpi-load"], bench.ports["meter"]
    assert ask_line(load, "*IDN?\n") == "SIMULATED,SCPI LOAD,350001,1.0\n"
    volts, amperes, watts = (float(x) for x in ask_line(load, "MEAS:VOLT?;CURR?;POW?\n").split(";"))
    assert amperes == pytest.approx(8.0, abs=0.04)
    assert watts == pytest.approx(volts * amperes, abs=0.5)
    assert float(ask_line(meter, "READ?\n")) == pytest.approx(volts, abs=0.02), "remote sense: both measure at the supply"


def test_scpi_on_a_serial_line(bench: SimulatedBench) -> None:
    port = bench.ports["serial-meter"]
    with serial.Serial(port.address, port.baudrate, timeout=1.0) as line:
        line.write(b"*IDN?\n")
        assert line.readline() == b"SIMULATED,SCPI METER,7003,1.0\n"


def test_tcp_endpoint_gone_and_back(bench: SimulatedBench) -> None:
    port = bench.ports["meter"]
    bench.inject("adapter_unplugged", "meter")

    def refused() -> bool:
        try:
            socket.create_connection((port.host, port.tcp_port), timeout=0.5).close()
        except ConnectionRefusedError:
            return True
        return False

    until(refused)
    bench.restore("adapter_unplugged", "meter")
    until(lambda: not refused())
    assert ask_line(port, "*OPC?\n") == "1\n"


def test_a_late_answer_over_tcp_comes_late(bench: SimulatedBench) -> None:
    bench.inject("late_reply", "meter", delay_s=0.3)
    began_s = time.monotonic()
    assert ask_line(bench.ports["meter"], "*OPC?\n") == "1\n"
    bench.restore("late_reply", "meter")
    assert time.monotonic() - began_s >= 0.3


def test_garbage_on_modbus_tcp_costs_only_its_own_connection(bench: SimulatedBench) -> None:
    port = bench.ports["plant"]
    with socket.create_connection((port.host, port.tcp_port), timeout=1.0) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\n\r\n")
        assert connection.recv(100) == b""
    client = _client(port)
    assert client.read_holding_registers(0, count=1, device_id=1).registers == [0x4C31]
    client.close()
