"""A Modbus RTU line as its units see it: bytes in, bytes out, time as an argument. No port, no clock, no thread.

Framing follows the silence on the line (MODBUS over Serial Line V1.02, 2.5.1.1): a request is over 3.5 characters after its last
character, and one that begins before 3.5 characters of silence is not recognised by a strict line: it is lost. Every request is recorded
with the silence before it, so that a test can assert that none came too early. Without a pace a request is over as soon as it is whole.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from loadlog.sim import frames
from loadlog.sim.pacing import Pace, Transmitter
from loadlog.sim.wire_faults import Alteration, Exchange, WireFaults

RECORDS = 200_000
STRAY_NS = 5_000_000  # without a pace: bytes that make no request are forgotten after this


@dataclass(frozen=True, slots=True)
class RequestRecord:
    """``t_ns``: first character, monotonic. ``gap_ns``: silence before it. ``outcome``: ``answered``, ``altered``, ``broadcast``,
    ``nobody`` (no such unit), ``bad_crc``, ``early`` (less than 3.5 characters of silence), ``collision``, ``wrong_baud``."""

    t_ns: int
    gap_ns: int
    frame: bytes
    outcome: str


@dataclass
class WireLog:
    """What was seen on one line; the newest ``RECORDS`` of each."""

    requests: deque[RequestRecord] = field(default_factory=lambda: deque(maxlen=RECORDS))
    alterations: deque[Alteration] = field(default_factory=lambda: deque(maxlen=RECORDS))
    outcomes: Counter[str] = field(default_factory=Counter)

    def enter(self, record: RequestRecord) -> None:
        """One request more."""
        self.requests.append(record)
        self.outcomes[record.outcome] += 1

    def gaps_s(self) -> list[float]:
        """Silence before each request but the first, s."""
        return [record.gap_ns / 1e9 for record in list(self.requests)[1:]]


Answer = Callable[[int, bytes], bytes]


@dataclass(frozen=True, slots=True)
class Unit:
    """An instrument on the line. ``answer``: answer to a PDU at this instant."""

    name: str
    answer: Callable[[bytes], bytes]


class RtuLine:
    """``strict``: lose what comes before 3.5 characters of silence. ``hears``: False while the other side speaks at another baud rate."""

    def __init__(
        self,
        name: str,
        units: Mapping[int, Unit],
        faults: WireFaults,
        *,
        pace: Pace | None = None,
        processing_ns: int = 0,
        strict: bool = False,
        hears: Callable[[], bool] = lambda: True,
    ) -> None:
        self.name = name
        self.log = WireLog()
        self.faults = faults
        self.processing_ns = processing_ns
        self._units = units
        self._pace = pace or Pace()
        self._strict = strict
        self.hears = hears
        self._out = Transmitter(self._pace)
        self._echo = Transmitter(Pace())
        self._buffer = bytearray()
        self._begin_ns = self._end_ns = self._gap_ns = 0
        self._over_ns: int | None = None
        self._verdict = ""

    def forget(self) -> None:
        """The line was cut: nothing waits any more."""
        self._out.clear()
        self._echo.clear()
        self._buffer.clear()
        self._over_ns = None

    def receive(self, data: bytes, now_ns: int) -> None:
        """Characters that began to arrive at ``now_ns``."""
        if not self._buffer:
            self._begin(now_ns)
        self._buffer += data
        self._end_ns = max(now_ns, self._end_ns if len(self._buffer) > len(data) else now_ns) + len(data) * self._pace.character_ns
        if self.faults.echo:
            self._echo.enter(self._end_ns, data)
        self._over_ns = self._end_ns + self._pace.silence_ns
        if not self._pace.character_ns and not self._is_whole():
            self._over_ns = now_ns + STRAY_NS

    def _begin(self, now_ns: int) -> None:
        idle_since_ns = max(self._end_ns, self._out.idle_since_ns)
        self._begin_ns, self._gap_ns = now_ns, now_ns - idle_since_ns
        self._verdict = ""
        if not self.hears():
            self._verdict = "wrong_baud"
        elif self._out.busy:
            self._gap_ns = 0
            self._verdict = "collision" if self._strict else ""
        elif self._strict and idle_since_ns and self._gap_ns < self._pace.silence_ns:
            self._verdict = "early"

    def _is_whole(self) -> bool:
        wanted = frames.rtu_request_bytes(bytes(self._buffer[:16]))
        if wanted is None:
            return frames.rtu_split(bytes(self._buffer)) is not None
        return len(self._buffer) >= wanted

    def due_ns(self) -> int | None:
        """When `take` has something to do next."""
        return min((t for t in (self._over_ns, self._out.due_ns(), self._echo.due_ns()) if t is not None), default=None)

    def take(self, now_ns: int) -> bytes:
        """What leaves the line by ``now_ns``."""
        echo = self._echo.take(now_ns)
        if self._over_ns is not None and self._over_ns <= now_ns:
            frame, self._over_ns = bytes(self._buffer), None
            self._buffer.clear()
            outcome = self._verdict or self._handle(frame)
            self.log.enter(RequestRecord(self._begin_ns, self._gap_ns, frame, outcome))
        return echo + self._out.take(now_ns)

    def _handle(self, frame: bytes) -> str:
        parts = frames.rtu_split(frame)
        if parts is None:
            return "bad_crc"
        number, pdu = parts
        if number == 0:
            if pdu[0] in (frames.WRITE_COIL, frames.WRITE_REGISTER, frames.WRITE_COILS, frames.WRITE_REGISTERS):
                for unit in self._units.values():
                    unit.answer(pdu)
            return "broadcast"
        unit_or_none = self._units.get(number)
        return "nobody" if unit_or_none is None else self._answer(number, unit_or_none, pdu)

    def _answer(self, number: int, unit: Unit, pdu: bytes) -> str:
        exchange = Exchange("rtu", number, pdu, unit.answer(pdu), answer_other=lambda offset: unit.answer(moved(pdu, offset)))
        sent, faults = self.faults.answer(self.name, unit.name, exchange)
        ready_ns = self._end_ns + max(self._pace.silence_ns, self.processing_ns)
        for transmission in sent:
            self._out.enter(ready_ns + round(transmission.delay_s * 1e9), transmission.data)
        if faults:
            self.log.alterations.append(Alteration(self._end_ns, unit.name, faults, pdu, b"".join(t.data for t in sent)))
        return "altered" if faults else "answered"


def moved(pdu: bytes, offset: int) -> bytes:
    """The same request for registers ``offset`` further on."""
    address = (int.from_bytes(pdu[1:3], "big") + offset) & 0xFFFF
    return pdu[:1] + address.to_bytes(2, "big") + pdu[3:]
