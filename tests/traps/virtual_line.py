"""A half-duplex serial line in virtual time: exact to the nanosecond, deterministic, thousands of polls a second.

It is a `loadlog.bus.link.Stream` that carries bytes at the pace of its baud rate; what hangs on it is a function from a request frame to
timed answers. Two that talk at once destroy each other's characters, as on the wire. It notes every request sent before 3.5 characters of
silence.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from random import Random

from loadlog.model.wire import Line
from tests.traps.frames import split_requests

NS = 1_000_000_000
Answers = list[tuple[int, bytes]]  # delay after the request's last character in ns, bytes


class VirtualClock:
    """A `loadlog.model.clock.Clock`; each look at it costs a little time, each sleep ends a little late.

    ``stalls``: share of sleeps that end up to 0.2 s late, as on a machine that is too busy.
    """

    def __init__(self, chance: Random, late_ns: int = 60_000, stalls: float = 0.0) -> None:
        self._chance, self._late_ns, self._stalls = chance, late_ns, stalls
        self.now_ns = 1_000 * NS

    def monotonic_ns(self) -> int:
        self.now_ns += 300
        return self.now_ns

    def utc_ns(self) -> int:
        return 1_700_000_000 * NS + self.now_ns

    def sleep_until(self, monotonic_ns: int) -> None:
        self.late(monotonic_ns)

    def late(self, until_ns: int) -> None:
        """Go on to that instant and a little beyond."""
        self.now_ns = max(self.now_ns, until_ns) + self._chance.randrange(self._late_ns + 1)
        if self._stalls and self._chance.random() < self._stalls:
            self.now_ns += self._chance.randrange(200_000_000)


class VirtualLine:
    """See the module. ``device``: called with each intact request frame and the instant of its last character."""

    line_paced = True

    def __init__(
        self, line: Line, clock: VirtualClock, device: Callable[[bytes, int], Answers], *, half_duplex: bool = True, echo: bool = False
    ) -> None:
        self.half_duplex = half_duplex
        self._clock, self._device, self._echo = clock, device, echo
        self._character_ns = int(line.characters_s(1) * NS)
        self._silence_ns = int(line.silence_s * NS)
        self._coming: list[tuple[int, int, int]] = []  # instant of arrival, order, byte
        self._order = 0
        self._busy_until_ns = 0
        self.is_open = False
        self.warnings: tuple[str, ...] = ()
        self.too_early: list[int] = []
        self.collisions = 0

    def open(self) -> None:
        self.is_open = True

    def close(self) -> None:
        self.is_open = False

    def write(self, data: bytes) -> None:
        start_ns = self._clock.now_ns
        end_ns = start_ns + len(data) * self._character_ns
        if start_ns < self._busy_until_ns + self._silence_ns:
            self.too_early.append(start_ns - self._busy_until_ns)
        self._busy_until_ns = max(self._busy_until_ns, end_ns)
        collided = self._collides(start_ns, end_ns)
        if self._echo:
            self._transmit(start_ns, bytes(byte ^ 0xAA for byte in data) if collided else data)
        if collided:
            self.collisions += 1
            return
        requests, _ = split_requests(data)
        for request in requests:
            for delay_ns, answer in self._device(request, end_ns):
                self._transmit(end_ns + delay_ns, answer)

    def read(self, timeout_s: float) -> bytes:
        clock = self._clock
        if timeout_s > 0 and not self._arrived():
            limit_ns = clock.now_ns + int(timeout_s * NS)
            clock.late(min(limit_ns, self._coming[0][0]) if self._coming else limit_ns)
        data = bytearray()
        while self._arrived():
            data.append(heapq.heappop(self._coming)[2])
        return bytes(data)

    def _arrived(self) -> bool:
        return bool(self._coming) and self._coming[0][0] <= self._clock.now_ns

    def _transmit(self, start_ns: int, data: bytes) -> None:
        for index, byte in enumerate(data):
            self._order += 1
            heapq.heappush(self._coming, (start_ns + (index + 1) * self._character_ns, self._order, byte))

    def _collides(self, start_ns: int, end_ns: int) -> bool:
        """Characters of others under way at the same time: theirs are garbled, ours are lost."""
        hit = [i for i, (t_ns, _, _) in enumerate(self._coming) if start_ns < t_ns and t_ns - self._character_ns < end_ns]
        for i in hit:
            t_ns, order, byte = self._coming[i]
            self._coming[i] = (t_ns, order, byte ^ 0x55)
        return bool(hit)
