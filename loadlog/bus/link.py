"""What every link offers, and what it counts.

A link owns one port or one connection and carries out one transaction at a time for the one thread that uses it; only `counters` may
be read from elsewhere. Line trouble is a value (`LinkFailure`); `BusError` is raised by `open` alone. A link is handed out closed:
who uses it opens it, and opens it again, with a back-off, when `is_open` has become False.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Protocol

from loadlog.bus.clock import ask_for_fine_timers
from loadlog.model.clock import NS, Clock
from loadlog.model.errors import BusError
from loadlog.model.sample import FailureCause
from loadlog.model.wire import LinkFailure, LinkTraits, Reply, Request


class PortLostError(BusError):
    """The port or the connection went away in the middle of its use."""


@dataclass(frozen=True, slots=True)
class BusCounters:
    """What a link has done since it was made.

    ``stale_dropped``: answers, or pieces of them, that came when none was expected. ``wrong_reply``: function, length or text was no
    answer to the request. ``hold_s``: time for which the line was held after failures. ``min_silence_ns``: shortest silence seen before
    a request, None before the second one.
    """

    transactions: int = 0
    timeouts: int = 0
    crc_errors: int = 0
    stale_dropped: int = 0
    short_replies: int = 0
    wrong_unit: int = 0
    wrong_reply: int = 0
    exceptions: int = 0
    bytes_out: int = 0
    bytes_in: int = 0
    reopened: int = 0
    hold_s: float = 0.0
    min_silence_ns: int | None = None


COUNTER_OF = {
    FailureCause.TIMEOUT: "timeouts",
    FailureCause.CRC: "crc_errors",
    FailureCause.SHORT: "short_replies",
    FailureCause.WRONG_UNIT: "wrong_unit",
    FailureCause.WRONG_REPLY: "wrong_reply",
    FailureCause.EXCEPTION: "exceptions",
}


class Tally:
    """The counters while they are counted; the fields of `BusCounters`, mutable."""

    __slots__ = tuple(f.name for f in fields(BusCounters))

    transactions: int
    timeouts: int
    crc_errors: int
    stale_dropped: int
    short_replies: int
    wrong_unit: int
    wrong_reply: int
    exceptions: int
    bytes_out: int
    bytes_in: int
    reopened: int
    hold_s: float
    min_silence_ns: int | None

    def __init__(self) -> None:
        for field in fields(BusCounters):
            setattr(self, field.name, field.default)

    def failed(self, cause: FailureCause) -> None:
        """Count one failure under its cause."""
        name = COUNTER_OF.get(cause)
        if name:
            setattr(self, name, getattr(self, name) + 1)

    def silence(self, ns: int) -> None:
        """Note the silence before a request."""
        if self.min_silence_ns is None or ns < self.min_silence_ns:
            self.min_silence_ns = ns

    def snapshot(self) -> BusCounters:
        """The counts of now."""
        return BusCounters(**{f.name: getattr(self, f.name) for f in fields(BusCounters)})


class Stream(Protocol):
    """A port or a connection: bytes out, bytes in, no meaning.

    ``line_paced``: the bytes come at the pace of a serial line, so that it pays to sleep until they can be there. ``half_duplex``: it is a
    wire on which nothing can answer before the request has left.
    """

    line_paced: bool
    half_duplex: bool

    @property
    def is_open(self) -> bool:
        """False before `open`, after `close`, and once it was lost."""
        ...

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is not as it should be, one line each, with the cure."""
        ...

    def open(self) -> None:
        """Open; nothing when open.

        Raises:
            BusError: missing, busy, not permitted, refused.
        """
        ...

    def close(self) -> None:
        """Close; nothing when closed."""
        ...

    def read(self, timeout_s: float) -> bytes:
        """What is there, at the latest after ``timeout_s`` (0: at once); empty when nothing came.

        Raises:
            PortLostError: closed by the other side, unplugged.
        """
        ...

    def write(self, data: bytes) -> None:
        """Hand over all of ``data``.

        Raises:
            PortLostError: closed by the other side, unplugged.
        """
        ...


class Link(Protocol):
    """One bus. See the module for who may call what."""

    @property
    def is_open(self) -> bool:
        """False before `open`, after `close`, and once the port was lost."""
        ...

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is not as it should be with the port, one line each, with the cure."""
        ...

    @property
    def counters(self) -> BusCounters:
        """The counts of now."""
        ...

    def open(self) -> None:
        """Open the port or the connection; nothing when it is open.

        Raises:
            BusError: missing, busy, not permitted, refused; one line with what to do.
        """
        ...

    def close(self) -> None:
        """Close it; nothing when it is closed."""
        ...

    def transact(self, unit: int, request: Request, traits: LinkTraits) -> Reply | LinkFailure:
        """Carry out one request; ``unit`` is ignored by SCPI. Never raises for trouble on the line.

        Raises:
            BusError: the request itself cannot be sent on this kind of bus (a fault of the caller).
        """
        ...


class LinkBase:
    """Opening, closing and counting, the same for every kind of link."""

    def __init__(self, port: Stream, clock: Clock) -> None:
        self._port = port
        self._clock = clock
        self._now = clock.monotonic_ns
        self._tally = Tally()
        self._was_open = False

    @property
    def is_open(self) -> bool:
        """See `Link`."""
        return self._port.is_open

    @property
    def warnings(self) -> tuple[str, ...]:
        """See `Link`."""
        return self._port.warnings

    @property
    def counters(self) -> BusCounters:
        """See `Link`."""
        return self._tally.snapshot()

    def open(self) -> None:
        """See `Link`."""
        if self._port.is_open:
            return
        ask_for_fine_timers()
        self._port.open()
        if self._was_open:
            self._tally.reopened += 1
        self._was_open = True
        self._reset()

    def close(self) -> None:
        """See `Link`."""
        self._port.close()

    def _reset(self) -> None:
        """Forget the conversation: the port was opened anew."""

    def _gap_ns(self, traits: LinkTraits) -> int:
        """Longest silence inside an answer. A network may hold back any piece of it, so there only the time-out counts."""
        return int((traits.gap_s if self._port.line_paced else max(traits.gap_s, traits.timeout_s)) * NS)

    def _lost(self, request: Request, t_request_ns: int, detail: str) -> LinkFailure:
        self._port.close()
        return LinkFailure(request, FailureCause.PORT_LOST, detail, t_request_ns, self._now())

    def _fail(self, request: Request, cause: FailureCause, detail: str, t_request_ns: int, code: int = 0) -> LinkFailure:
        self._tally.failed(cause)
        return LinkFailure(request, cause, detail, t_request_ns, self._now(), code)
