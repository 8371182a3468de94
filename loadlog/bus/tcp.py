"""TCP connections, and the Modbus TCP conversation on one.

Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1 (MBAP header: transaction, protocol 0, length, unit) and 4.2.

Each request has a transaction identifier of its own and only the answer that carries it is taken, so a late answer is recognised for what
it is and dropped: nothing need be held. A byte stream that has lost its frames cannot be mended; the connection is closed.
"""

from __future__ import annotations

import contextlib
import socket
import struct

from loadlog.bus.descriptor import Descriptor
from loadlog.bus.link import LinkBase, PortLostError, Stream
from loadlog.bus.pdu import Exchange, Fault, decode, exchange
from loadlog.config import BusConfig
from loadlog.model.clock import NS, Clock
from loadlog.model.errors import BusError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import LinkFailure, LinkTraits, ModbusRead, ModbusWrite, Reply, Request

_MBAP = struct.Struct(">HHHB")
_LARGEST_LENGTH = 254  # unit and a PDU of at most 253 bytes
_KEEPALIVE = {"TCP_KEEPIDLE": 5, "TCP_KEEPINTVL": 2, "TCP_KEEPCNT": 3}  # a peer that is gone shows after 11 s of silence
_UNACKNOWLEDGED_MS = 10_000


class TcpPort(Descriptor):
    """See `link.Stream`."""

    def __init__(self, config: BusConfig) -> None:
        super().__init__(config.address)
        self._config = config
        self._socket: socket.socket | None = None

    def open(self) -> None:
        """See `link.Stream`."""
        if self.is_open:
            return
        try:
            connection = socket.create_connection((self._config.host, self._config.tcp_port), self._config.connect_timeout_s)
        except OSError as exc:
            what, hint = _explain(exc, self._config)
            raise BusError(what, where=self._address, hint=hint, retryable=True) from exc
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for name, value in {**_KEEPALIVE, "TCP_USER_TIMEOUT": _UNACKNOWLEDGED_MS}.items():
            if hasattr(socket, name):
                connection.setsockopt(socket.IPPROTO_TCP, getattr(socket, name), value)
        self._socket, self._fd = connection, connection.fileno()

    def read(self, timeout_s: float) -> bytes:
        """See `link.Stream`. Acknowledged at once: an instrument that sends an answer in pieces waits for it, up to 40 ms a piece (RFC 896
        with the delay of RFC 1122, 4.2.3.2); Linux forgets the wish after a while, so it is repeated."""
        data = super().read(timeout_s)
        if data and self._socket is not None and hasattr(socket, "TCP_QUICKACK"):
            with contextlib.suppress(OSError):
                self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)
        return data

    def close(self) -> None:
        """See `link.Stream`."""
        connection, self._socket = self._socket, None
        super().close()
        if connection is not None:
            with contextlib.suppress(OSError):
                connection.close()


def _explain(exc: OSError, config: BusConfig) -> tuple[str, str]:
    if isinstance(exc, socket.gaierror):
        return f"no address is known for {config.host}", "check host, or give its number"
    if isinstance(exc, ConnectionRefusedError):
        return "connection refused", "check tcp_port and that the instrument's server is switched on"
    if isinstance(exc, TimeoutError):
        return (
            f"no connection within {config.connect_timeout_s:g} s",
            "check host, cable and power; many instruments take one connection only",
        )
    return f"no connection: {exc.strerror or exc}", "check host, cable and network"


class ModbusTcpLink(LinkBase):
    """See `link.Link`."""

    def __init__(self, port: Stream, clock: Clock) -> None:
        super().__init__(port, clock)
        self._transaction = 0
        self._buffer = bytearray()
        self._last_ns = clock.monotonic_ns()

    def _reset(self) -> None:
        self._buffer.clear()

    def transact(self, unit: int, request: Request, traits: LinkTraits) -> Reply | LinkFailure:
        """See `link.Link`."""
        if not isinstance(request, ModbusRead | ModbusWrite):
            raise BusError(f"{request} cannot be sent over Modbus TCP")
        call = exchange(unit, request, traits.write_reply_words)
        t_request_ns = self._now()
        if not self._port.is_open:
            return self._lost(request, t_request_ns, "the connection is not open")
        try:
            self._clock.sleep_until(self._last_ns + int(traits.quiet_s * NS))
            self._drop_stale()
            t_request_ns = self._send(call)
            verdict = self._listen(call, t_request_ns + int(traits.timeout_s * NS), traits.timeout_s)
        except PortLostError as exc:
            return self._lost(request, t_request_ns, str(exc))
        if isinstance(verdict, Fault):
            return self._fail(request, verdict.cause, verdict.detail, t_request_ns, verdict.exception_code)
        return Reply(request, verdict, "", t_request_ns, self._last_ns)

    def _drop_stale(self) -> None:
        """Take in what came since the last answer, so that a closed connection shows before the request is lost on it."""
        while data := self._port.read(0.0):
            self._arrived(data)
        while self._next_frame() is not None:
            self._tally.stale_dropped += 1

    def _send(self, call: Exchange) -> int:
        self._transaction = (self._transaction + 1) & 0xFFFF
        frame = _MBAP.pack(self._transaction, 0, len(call.pdu) + 1, call.unit) + call.pdu
        t_ns = self._now()
        self._tally.silence(t_ns - self._last_ns)
        self._tally.transactions += 1
        self._tally.bytes_out += len(frame)
        self._port.write(frame)
        self._last_ns = t_ns
        return t_ns

    def _listen(self, call: Exchange, end_ns: int, timeout_s: float) -> tuple[int, ...] | Fault:
        while True:
            while (frame := self._next_frame()) is not None:
                transaction, unit, pdu = frame
                if transaction != self._transaction:
                    self._tally.stale_dropped += 1
                elif unit != call.unit:
                    return Fault(FailureCause.WRONG_UNIT, f"unit {unit} answered, unit {call.unit} was asked")
                else:
                    return decode(call, pdu)
            left_ns = end_ns - self._now()
            if data := self._port.read(max(0, left_ns) / NS):
                self._arrived(data)
            elif left_ns <= 0 and self._buffer:
                return Fault(FailureCause.SHORT, f"answer broke off after {len(self._buffer)} bytes")
            elif left_ns <= 0:
                return Fault(FailureCause.TIMEOUT, f"no answer within {timeout_s:g} s")

    def _arrived(self, data: bytes) -> None:
        self._last_ns = self._now()
        self._tally.bytes_in += len(data)
        self._buffer += data

    def _next_frame(self) -> tuple[int, int, bytes] | None:
        """Transaction, unit and PDU of the next whole frame, or None when there is none yet.

        Raises:
            PortLostError: what came is not Modbus TCP; the connection is closed.
        """
        buffer = self._buffer
        if len(buffer) < _MBAP.size:
            return None
        transaction, protocol, length, unit = _MBAP.unpack_from(buffer)
        if protocol or not 2 <= length <= _LARGEST_LENGTH:
            head = buffer[:8].hex(" ")
            self._port.close()
            raise PortLostError(f"not Modbus TCP: {head}; an RTU-over-TCP server needs kind modbus-rtu-over-tcp")
        end = _MBAP.size - 1 + length
        if len(buffer) < end:
            return None
        pdu = bytes(buffer[_MBAP.size : end])
        del buffer[:end]
        return transaction, unit, pdu
