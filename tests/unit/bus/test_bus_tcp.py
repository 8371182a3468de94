"""Modbus TCP over real loopback connections with a server that speaks bytes.

Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3 (MBAP header).
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator

import pytest

from loadlog.bus import Link, SystemClock, open_link
from loadlog.config import BusConfig
from loadlog.model.errors import BusError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import LinkFailure, LinkTraits, ModbusRead, ModbusWrite, Reply, ScpiQuery
from tests.traps.frames import exception, registers
from tests.traps.tcp_server import Server

TRAITS = LinkTraits(timeout_s=0.15, gap_s=0.05)
PATIENT = LinkTraits(timeout_s=2.0)  # where an answer must come, however busy the machine is
A, B = ModbusRead(3, 0, 2), ModbusRead(3, 50, 2)


def mbap(request: bytes, frame: bytes, transaction: int | None = None) -> bytes:
    """The answer ``frame`` (RTU form; its CRC is cut off) under the header of ``request``."""
    number = request[:2] if transaction is None else transaction.to_bytes(2, "big")
    return number + b"\x00\x00" + (len(frame) - 2).to_bytes(2, "big") + frame[:-2]


def right(request: bytes) -> bytes:
    first = int.from_bytes(request[8:10], "big")
    return mbap(request, registers(request[6], request[7], [first, first + 1]))


@pytest.fixture
def server() -> Iterator[Server]:
    made = Server(lambda request: [(0, right(request))])
    yield made
    made.close()


@pytest.fixture
def link(server: Server) -> Iterator[Link]:
    made = open_link(BusConfig(name="net", kind="modbus-tcp", host="127.0.0.1", tcp_port=server.port), SystemClock())
    made.open()
    yield made
    made.close()


def failed(answer: Reply | LinkFailure, cause: FailureCause) -> LinkFailure:
    assert isinstance(answer, LinkFailure), answer
    assert answer.cause is cause, answer
    return answer


def words(answer: Reply | LinkFailure) -> tuple[int, ...]:
    assert isinstance(answer, Reply), answer
    return answer.words


def test_good_answer(link: Link, server: Server) -> None:
    assert words(link.transact(7, A, PATIENT)) == (0, 1)
    assert words(link.transact(7, B, PATIENT)) == (50, 51)
    first, second = server.requests
    assert first[2:] == bytes.fromhex("00 00 00 06 07 03 00 00 00 02")
    assert first[:2] != second[:2]


def test_late_answer_is_known_by_its_transaction(link: Link, server: Server) -> None:
    held: list[bytes] = []

    def script(request: bytes) -> list[tuple[float, bytes]]:
        if not held:
            held.append(right(request))
            return []
        return [(0, held[0]), (0.01, right(request))]

    server.script = script
    failed(link.transact(1, A, TRAITS), FailureCause.TIMEOUT)
    assert words(link.transact(1, B, PATIENT)) == (50, 51)
    assert link.counters.stale_dropped == 1


def test_late_answer_waiting_before_the_next_request(link: Link, server: Server) -> None:
    server.script = lambda request: [(0.2, right(request))]
    failed(link.transact(1, A, TRAITS), FailureCause.TIMEOUT)
    time.sleep(0.1)
    server.script = lambda request: [(0, right(request))]
    assert words(link.transact(1, B, PATIENT)) == (50, 51)
    assert link.counters.stale_dropped == 1


def test_split_and_trickled(link: Link, server: Server) -> None:
    server.script = lambda request: [(0.002, right(request)[i : i + 1]) for i in range(13)]
    assert words(link.transact(1, A, PATIENT)) == (0, 1)


@pytest.mark.parametrize(
    ("answer", "cause"),
    [
        (lambda r: mbap(r, exception(1, 3, 2)), FailureCause.EXCEPTION),
        (lambda r: mbap(r, registers(9, 3, [1, 2])), FailureCause.WRONG_UNIT),
        (lambda r: mbap(r, registers(1, 4, [1, 2])), FailureCause.WRONG_REPLY),
        (lambda r: mbap(r, registers(1, 3, [1])), FailureCause.WRONG_REPLY),
        (lambda r: mbap(r, registers(1, 3, [1, 2, 3])), FailureCause.WRONG_REPLY),
        (lambda r: mbap(r, registers(1, 3, [1, 2]), transaction=0xBEEF), FailureCause.TIMEOUT),
        (lambda r: right(r)[:9], FailureCause.SHORT),
        (lambda r: registers(1, 3, [1, 2]), FailureCause.PORT_LOST),
    ],
    ids=["exception", "unit", "function", "short list", "long list", "transaction", "truncated", "rtu"],
)
def test_what_is_no_answer(link: Link, server: Server, answer: Callable[[bytes], bytes], cause: FailureCause) -> None:
    server.script = lambda request: [(0, answer(request))]
    failed(link.transact(1, A, TRAITS), cause)


def test_write(link: Link, server: Server) -> None:
    server.script = lambda request: [(0, request)]
    assert words(link.transact(1, ModbusWrite(6, 0x40, (1,)), PATIENT)) == (1,)


def test_connection_closed_and_opened_again(link: Link, server: Server) -> None:
    server.script = lambda request: [(0, b"")]
    failed(link.transact(1, A, TRAITS), FailureCause.PORT_LOST)
    assert not link.is_open
    server.script = lambda request: [(0, right(request))]
    link.open()
    assert words(link.transact(1, A, PATIENT)) == (0, 1)
    assert link.counters.reopened == 1


def test_truncated_answer_does_not_shift_the_next(link: Link, server: Server) -> None:
    server.script = lambda request: [(0, right(request)[:9])]
    failed(link.transact(1, A, TRAITS), FailureCause.SHORT)
    server.script = lambda request: [(0, right(request))]
    answer = link.transact(1, B, TRAITS)
    assert isinstance(answer, LinkFailure) or answer.words == (50, 51)
    if not link.is_open:
        link.open()
    assert words(link.transact(1, B, PATIENT)) == (50, 51)


def test_refused_and_unknown_host() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(BusError, match=r"127.0.0.1:\d+: connection refused \(.*tcp_port"):
        open_link(BusConfig(name="net", kind="modbus-tcp", host="127.0.0.1", tcp_port=port), SystemClock()).open()
    with pytest.raises(BusError, match=r"no address is known for no-such-host\.invalid"):
        open_link(BusConfig(name="net", kind="modbus-tcp", host="no-such-host.invalid", tcp_port=port), SystemClock()).open()


def test_scpi_on_a_modbus_bus_is_a_fault_of_the_caller(link: Link) -> None:
    with pytest.raises(BusError, match="Modbus"):
        link.transact(1, ScpiQuery("*IDN?"), TRAITS)


def test_rtu_over_tcp(server: Server) -> None:
    server.script = lambda request: [(0, registers(request[0], request[1], [request[3], 9]))]
    link = open_link(BusConfig(name="net", kind="modbus-rtu-over-tcp", host="127.0.0.1", tcp_port=server.port), SystemClock())
    link.open()
    assert words(link.transact(1, A, PATIENT)) == (0, 9)
    server.script = lambda request: [(0.2, registers(1, 3, [7, 7]))]
    failed(link.transact(1, A, TRAITS), FailureCause.TIMEOUT)
    server.script = lambda request: [(0, registers(request[0], request[1], [request[3], 9, 9][: request[5]]))]
    assert words(link.transact(1, B, PATIENT)) == (50, 9)
    link.close()
