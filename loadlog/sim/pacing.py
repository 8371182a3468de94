"""Bytes leaving at the pace of a serial line. Pure; instants are monotonic nanoseconds that the caller passes.

A transmission waits until it is ready and the line is free, then leaves in chunks, each at the instant its last character would be
complete, as a UART with a small buffer delivers them. Without a pace everything leaves at once.
"""

from __future__ import annotations

import heapq
from collections import deque
from dataclasses import dataclass

CHUNK_NS = 2_000_000


@dataclass(frozen=True, slots=True)
class Pace:
    """``character_ns``: time of one character, 0 without a pace. ``silence_ns``: 3.5 characters, fixed at 1.750 ms above 19200 baud
    (MODBUS over Serial Line V1.02, 2.5.1.1)."""

    character_ns: int = 0
    silence_ns: int = 0

    @classmethod
    def of(cls, baudrate: int, bits_per_character: int) -> Pace:
        """The pace of a line."""
        character_ns = round(1e9 * bits_per_character / baudrate)
        return cls(character_ns, 1_750_000 if baudrate > 19200 else round(3.5e9 * bits_per_character / baudrate))


class Transmitter:
    """What is to leave, and when. ``idle_since_ns``: when the last character left; ``busy``: a transmission is under way."""

    def __init__(self, pace: Pace) -> None:
        self._pace = pace
        self._waiting: list[tuple[int, int, bytes]] = []
        self._chunks: deque[tuple[int, bytes]] = deque()
        self._order = 0
        self.idle_since_ns = 0

    @property
    def busy(self) -> bool:
        """Characters are on the wire."""
        return bool(self._chunks)

    def enter(self, ready_ns: int, data: bytes) -> None:
        """``data`` leaves at ``ready_ns`` or when the line is free."""
        if data:
            heapq.heappush(self._waiting, (ready_ns, self._order, data))
            self._order += 1

    def clear(self) -> None:
        """Nothing leaves any more."""
        self._waiting.clear()
        self._chunks.clear()

    def due_ns(self) -> int | None:
        """When something leaves next."""
        if self._chunks:
            return self._chunks[0][0]
        return self._waiting[0][0] if self._waiting else None

    def take(self, now_ns: int) -> bytes:
        """What has left by ``now_ns``."""
        out = bytearray()
        while True:
            if not self._chunks and self._waiting and self._waiting[0][0] <= now_ns:
                ready_ns, _, data = heapq.heappop(self._waiting)
                self._start(max(ready_ns, self.idle_since_ns), data)
            if not self._chunks or self._chunks[0][0] > now_ns:
                return bytes(out)
            out += self._chunks.popleft()[1]
            self.idle_since_ns = now_ns

    def _start(self, start_ns: int, data: bytes) -> None:
        character_ns = self._pace.character_ns
        size = max(1, CHUNK_NS // character_ns) if character_ns else len(data)
        # the short chunk goes first, so that the end of the transmission is exact without one more wake-up
        first = len(data) % size or size
        for end in range(first, len(data) + 1, size):
            self._chunks.append((start_ns + end * character_ns, data[max(0, end - size) : end]))
