"""A bus in virtual time for the tests of acquisition: instruments that speak bytes on a virtual line, the real link,
a clock turned by hand.

The instruments' frames come from `tests.traps.frames`, which shares no code with the product.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Any

from loadlog.acquisition import BusPoller, PolledDevice
from loadlog.bus.rtu import RtuLink
from loadlog.config import BusConfig
from loadlog.model.clock import NS, Anchor, ClockStep
from loadlog.model.errors import BusError
from loadlog.model.sample import PollFailure, Reading
from loadlog.model.wire import Line, LinkTraits, ModbusRead, Reply, Request
from tests.traps import frames
from tests.traps.virtual_line import Answers, VirtualClock, VirtualLine

BUS = BusConfig(name="line", kind="modbus-rtu", port="/dev/virtual", baudrate=19200, dead_probe_s=5.0)
TRAITS = LinkTraits(timeout_s=0.2, processing_s=0.002)


class SteppedClock(VirtualClock):
    """A virtual clock whose time of day can be set."""

    step_ns = 0

    def utc_ns(self) -> int:
        return super().utc_ns() + self.step_ns


class PluggedLine(VirtualLine):
    """A virtual line whose adapter can be pulled out."""

    plugged = True

    def open(self) -> None:
        if not self.plugged:
            raise BusError("there is no such port", where="/dev/virtual", retryable=True)
        super().open()

    def write(self, data: bytes) -> None:
        self._must_be_there()
        super().write(data)

    def read(self, timeout_s: float) -> bytes:
        self._must_be_there()
        return super().read(timeout_s)

    def _must_be_there(self) -> None:
        from loadlog.bus.link import PortLostError

        if not self.plugged:
            self.close()
            raise PortLostError("lost: unplugged", where="/dev/virtual", retryable=True)


@dataclass
class Instrument:
    """One unit. ``answers`` may be changed under way: gets a request frame, gives timed answers."""

    unit: int
    registers: dict[int, int] = field(default_factory=dict)
    requests: list[bytes] = field(default_factory=list)
    is_silent: bool = False
    refuses: frozenset[int] = frozenset()  # first addresses answered with exception 02
    ignores: frozenset[int] = frozenset()  # first addresses that are not answered at all
    delay_ns: int = 2_000_000

    def answer(self, request: bytes) -> Answers:
        self.requests.append(request)
        first, count = int.from_bytes(request[2:4], "big"), int.from_bytes(request[4:6], "big")
        if self.is_silent or first in self.ignores:
            return []
        if first in self.refuses:
            return [(self.delay_ns, frames.exception(self.unit, request[1], 2))]
        if request[1] == 6:
            self.registers[first] = count
            return [(self.delay_ns, request)]
        words = [self.registers.get(first + i, 0) for i in range(count)]
        return [(self.delay_ns, frames.registers(self.unit, request[1], words))]


@dataclass(frozen=True)
class Counts:
    """What `BlockPlan` decodes to."""

    counts: Mapping[str, int | None]
    reasons: Mapping[str, str] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class BlockPlan:
    """Ten registers at every poll, the block at 100 at every ``slow_every``-th as well, one register at 500 as identity."""

    slow_every: int = 10
    has_identity: bool = False

    @property
    def identity_requests(self) -> Sequence[Request]:
        return (ModbusRead(3, 500, 1),) if self.has_identity else ()

    @property
    def full_requests(self) -> Sequence[Request]:
        return ModbusRead(3, 0, 10), ModbusRead(3, 100, 2)

    def requests(self, n: int) -> Sequence[Request]:
        return self.full_requests if n % self.slow_every == self.slow_every - 1 else self.full_requests[:1]

    def decode_full(self, replies: Sequence[Reply | None]) -> Counts:
        return Counts({name: r.words[0] for name, r in zip(("fast", "slow"), replies, strict=False) if r is not None})

    def decode(self, n: int, replies: Sequence[Reply | None]) -> Counts:
        assert len(replies) == len(self.requests(n))
        return self.decode_full(replies)

    def decode_identity(self, replies: Sequence[Reply | None]) -> Mapping[str, str]:
        return {"serial": str(replies[0].words[0])} if replies[0] else {}


class Bench:
    """A poller with everything around it; `run` turns the clock."""

    def __init__(
        self, rates_hz: Sequence[float], *, plan: Any = None, bus: BusConfig = BUS, traits: LinkTraits = TRAITS, seed: int = 1
    ) -> None:
        self.clock = SteppedClock(Random(seed))
        self.instruments = {n: Instrument(n, {0: n}) for n in range(1, len(rates_hz) + 1)}
        line = Line(bus.baudrate)
        self.line = PluggedLine(line, self.clock, self._answer)
        self.outcomes: list[Reading | PollFailure] = []
        self.facts: list[ClockStep] = []
        plan = plan or BlockPlan()
        devices = [PolledDevice(f"d{n}", n, plan, traits, 1.0 / rate) for n, rate in enumerate(rates_hz, 1)]
        self.anchor = Anchor(self.clock)
        link = RtuLink(self.line, line, self.clock)
        self.poller = BusPoller(bus, devices, link, self.clock, self.anchor, self.outcomes.append, self.facts.append)

    def _answer(self, request: bytes, _t_end_ns: int) -> Answers:
        instrument = self.instruments.get(request[0])
        return instrument.answer(request) if instrument else []

    def run(self, seconds: float, each_turn: Callable[[], None] = lambda: None) -> None:
        until_ns = self.clock.now_ns + round(seconds * NS)
        while self.clock.now_ns < until_ns:
            self.clock.sleep_until(min(self.poller.turn(), until_ns))
            each_turn()

    def of(self, device: str) -> list[Reading | PollFailure]:
        return [o for o in self.outcomes if o.device == device]

    def readings(self, device: str) -> list[Reading]:
        return [o for o in self.of(device) if isinstance(o, Reading)]

    def failures(self, device: str) -> list[PollFailure]:
        return [o for o in self.of(device) if isinstance(o, PollFailure)]
