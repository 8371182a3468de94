"""The engine against servers that others wrote: libmodbus (C, Debian's libmodbus-dev) and the server of pymodbus, each over TCP and over a
pair of pseudo-terminals.

Expected exceptions are those of libmodbus 3.1.6: a read past the map answers 02; other limits are refused before they are sent.
"""

from __future__ import annotations

import asyncio
import os
import pty
import select
import shutil
import socket
import subprocess
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from loadlog.bus import Link, SystemClock, open_link
from loadlog.config import BusConfig
from loadlog.model.sample import FailureCause
from loadlog.model.wire import LinkFailure, LinkTraits, ModbusRead, ModbusWrite, Reply

SOURCE = Path(__file__).parents[2] / "c" / "modbus_server.c"
TRAITS = LinkTraits(timeout_s=1.0, gap_s=0.1)
UNIT = 5
BAUD = 115200


class NullModem:
    """Two pseudo-terminals wired to each other; ``ends`` are their names."""

    def __init__(self) -> None:
        pairs = [pty.openpty() for _ in range(2)]
        for _, slave in pairs:
            tty.setraw(slave)
        self._masters = [master for master, _ in pairs]
        self._slaves = [slave for _, slave in pairs]
        self.ends = [os.ttyname(slave) for slave in self._slaves]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        a, b = self._masters
        other = {a: b, b: a}
        while not self._stop.is_set():
            for fd in select.select([a, b], [], [], 0.05)[0]:
                os.write(other[fd], os.read(fd, 4096))

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        for fd in (*self._masters, *self._slaves):
            os.close(fd)


@pytest.fixture
def modem() -> Iterator[NullModem]:
    made = NullModem()
    yield made
    made.close()


@pytest.fixture(scope="module")
def libmodbus(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The C server, compiled; skipped where compiler or library is missing, but not in CI."""
    compiler = shutil.which("cc")
    program = tmp_path_factory.mktemp("c") / "modbus_server"
    if compiler and Path("/usr/include/modbus/modbus.h").exists():
        subprocess.run([compiler, "-O1", "-o", program, SOURCE, "-lmodbus", "-lpthread"], check=True, timeout=60)
        return program
    reason = "no C compiler, or no libmodbus: apt-get install gcc libc6-dev libmodbus-dev"
    if os.environ.get("CI") == "true":
        pytest.fail(reason)
    pytest.skip(reason)


class Child:
    """The C server as a child; it ends when its standard input does."""

    def __init__(self, *command: object) -> None:
        self._process = subprocess.Popen([str(part) for part in command], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self._process.stdout is not None
        word, port = self._process.stdout.readline().split()
        assert word == "ready"
        self.port = int(port)

    def close(self) -> None:
        self._process.communicate(timeout=10)


def words(answer: Reply | LinkFailure) -> tuple[int, ...]:
    assert isinstance(answer, Reply), answer
    return answer.words


def tcp_link(port: int) -> Link:
    link = open_link(BusConfig(name="net", kind="modbus-tcp", host="127.0.0.1", tcp_port=port), SystemClock())
    link.open()
    return link


def rtu_link(port: str) -> Link:
    link = open_link(BusConfig(name="rack", kind="modbus-rtu", port=port, baudrate=BAUD), SystemClock())
    link.open()
    return link


@pytest.mark.server
class TestLibmodbus:
    @pytest.fixture(params=["tcp", "rtu"])
    def link(self, request: pytest.FixtureRequest, libmodbus: Path, modem: NullModem) -> Iterator[Link]:
        if request.param == "tcp":
            child = Child(libmodbus, "tcp")
            link = tcp_link(child.port)
        else:
            child = Child(libmodbus, "rtu", modem.ends[0], BAUD, UNIT)
            link = rtu_link(modem.ends[1])
        yield link
        link.close()
        child.close()

    def test_every_read(self, link: Link) -> None:
        assert words(link.transact(UNIT, ModbusRead(3, 10, 5), TRAITS)) == (1010, 1011, 1012, 1013, 1014)
        assert words(link.transact(UNIT, ModbusRead(4, 10, 5), TRAITS)) == (2010, 2011, 2012, 2013, 2014)
        assert words(link.transact(UNIT, ModbusRead(1, 1, 11), TRAITS)) == (1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1)
        assert words(link.transact(UNIT, ModbusRead(2, 0, 7), TRAITS)) == (1, 0, 0, 1, 0, 0, 1)

    def test_largest_block(self, link: Link) -> None:
        assert words(link.transact(UNIT, ModbusRead(3, 0, 125), TRAITS)) == tuple(range(1000, 1125))

    def test_writes_are_read_back(self, link: Link) -> None:
        assert words(link.transact(UNIT, ModbusWrite(6, 3, (0xBEEF,)), TRAITS)) == (0xBEEF,)
        assert words(link.transact(UNIT, ModbusWrite(16, 4, (1, 2, 3)), TRAITS)) == (1, 2, 3)
        assert words(link.transact(UNIT, ModbusWrite(5, 0, (1,)), TRAITS)) == (1,)
        assert words(link.transact(UNIT, ModbusRead(3, 3, 4), TRAITS)) == (0xBEEF, 1, 2, 3)
        assert words(link.transact(UNIT, ModbusRead(1, 0, 1), TRAITS)) == (1,)

    def test_read_past_the_map(self, link: Link) -> None:
        answer = link.transact(UNIT, ModbusRead(3, 199, 2), TRAITS)
        assert isinstance(answer, LinkFailure)
        assert (answer.cause, answer.exception_code) == (FailureCause.EXCEPTION, 2)
        assert words(link.transact(UNIT, ModbusRead(3, 0, 1), TRAITS)) == (1000,)

    def test_many_polls(self, link: Link) -> None:
        for first in range(150):
            assert words(link.transact(UNIT, ModbusRead(3, first, 10), TRAITS)) == tuple(range(1000 + first, 1010 + first))
        counters = link.counters
        assert (counters.transactions, counters.timeouts, counters.crc_errors, counters.stale_dropped) == (150, 0, 0, 0)


@pytest.mark.server
def test_absent_unit_of_libmodbus_is_silent(libmodbus: Path, modem: NullModem) -> None:
    child = Child(libmodbus, "rtu", modem.ends[0], BAUD, UNIT)
    link = rtu_link(modem.ends[1])
    answer = link.transact(UNIT + 1, ModbusRead(3, 0, 1), LinkTraits(timeout_s=0.1))
    assert isinstance(answer, LinkFailure)
    assert answer.cause is FailureCause.TIMEOUT
    # libmodbus takes the next frame for the other unit's answer and lets it pass (confirmation_to_ignore in its modbus-rtu.c)
    link.transact(UNIT, ModbusRead(3, 0, 1), LinkTraits(timeout_s=0.1))
    assert words(link.transact(UNIT, ModbusRead(3, 0, 1), TRAITS)) == (1000,)
    link.close()
    child.close()


class PymodbusServer:
    """The server of pymodbus in a loop of its own; register a holds 3000 + a."""

    def __init__(self, port: str | None) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self.port = 0
        self._server = self._call(self._start(port))

    async def _start(self, port: str | None) -> ModbusTcpServer | ModbusSerialServer:
        device = SimDevice(id=UNIT, simdata=[SimData(0, values=list(range(3000, 3150)), datatype=DataType.REGISTERS)])
        if port is not None:
            serial = ModbusSerialServer(device, framer=FramerType.RTU, port=port, baudrate=BAUD)
            await serial.serve_forever(background=True)
            return serial
        server = ModbusTcpServer(device, address=("127.0.0.1", free_port()))
        await server.serve_forever(background=True)
        self.port = server.comm_params.source_address[1]
        return server

    def _call(self, work):  # type: ignore[no-untyped-def]
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(10)

    def close(self) -> None:
        self._call(self._server.shutdown())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


class TestPymodbusServer:
    @pytest.fixture(params=["tcp", "rtu"])
    def link(self, request: pytest.FixtureRequest, modem: NullModem) -> Iterator[Link]:
        server = PymodbusServer(modem.ends[0] if request.param == "rtu" else None)
        link = rtu_link(modem.ends[1]) if request.param == "rtu" else tcp_link(server.port)
        yield link
        link.close()
        server.close()

    def test_reads_and_writes(self, link: Link) -> None:
        assert words(link.transact(UNIT, ModbusRead(3, 0, 125), TRAITS)) == tuple(range(3000, 3125))
        assert words(link.transact(UNIT, ModbusWrite(6, 7, (1,)), TRAITS)) == (1,)
        assert words(link.transact(UNIT, ModbusWrite(16, 8, (2, 3)), TRAITS)) == (2, 3)
        assert words(link.transact(UNIT, ModbusRead(3, 6, 5), TRAITS)) == (3006, 1, 2, 3, 3010)

    def test_read_past_the_map(self, link: Link) -> None:
        answer = link.transact(UNIT, ModbusRead(3, 149, 2), TRAITS)
        assert isinstance(answer, LinkFailure)
        assert (answer.cause, answer.exception_code) == (FailureCause.EXCEPTION, 2)

    def test_many_polls(self, link: Link) -> None:
        for first in range(60):
            assert words(link.transact(UNIT, ModbusRead(3, first, 10), TRAITS)) == tuple(range(3000 + first, 3010 + first))
