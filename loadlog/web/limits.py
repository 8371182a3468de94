"""How often one peer may ask: wrong tokens in a minute, requests a second in a token bucket each for changes and for reads, and how many
costly reads at once.

A peer is an IPv4 address or an IPv6 network of 64 bits, of which one host has all the addresses. Loopback peers get `LOCAL_SHARE` times
as much: behind a proxy that `[web]` does not know they are many people, and a program on this machine has simpler ways to be a nuisance.
Memory is bounded: beyond `MAX_PEERS` the peer that was longest silent is forgotten.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import math
from collections import Counter, OrderedDict
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass

from starlette.types import Scope

from loadlog.web.problems import Problem

MAX_FAILURES = 10
FAILURE_WINDOW_S = 60.0
MAX_PEERS = 1000
LOCAL_SHARE = 10
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Rate:
    """``per_s`` requests a second for ever, ``burst`` at once."""

    per_s: float
    burst: int


# A page asks once per device and plot when it opens, and again when somebody pans; people act with a finger.
READS = Rate(per_s=50, burst=500)
CHANGES = Rate(per_s=2, burst=60)


class RateLimit:
    """One token bucket a peer. Not thread-safe: used on the event loop."""

    def __init__(self, rate: Rate, what: str, monotonic_s: Callable[[], float]) -> None:
        self._rate, self._what, self._monotonic_s = rate, what, monotonic_s
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()  # peer -> tokens left, instant

    def spend(self, peer: str) -> None:
        """One more request.

        Raises:
            Problem: 429 with the seconds until the next one is permitted.
        """
        share = LOCAL_SHARE if is_local(peer) else 1
        per_s, burst = self._rate.per_s * share, self._rate.burst * share
        now_s = self._monotonic_s()
        left, at_s = self._buckets.pop(peer, (burst, now_s))
        left = min(burst, left + (now_s - at_s) * per_s)
        permitted = left >= 1
        self._buckets[peer] = (left - 1 if permitted else left, now_s)
        while len(self._buckets) > MAX_PEERS:
            self._buckets.popitem(last=False)
        if not permitted:
            wait_s = math.ceil((1 - left) / per_s)
            what = f"too many {self._what}: at most {self._rate.per_s * share:g} a second; wait {wait_s} s"
            raise Problem(429, what, headers={"Retry-After": str(wait_s)})


class Places:
    """Costly reads that are worked on at one time: more would only fight for the same processor and hold more memory. The others wait in
    order, and one peer has at most `per_peer` waiting or under way. Used on the event loop."""

    def __init__(self, at_once: int = 2, per_peer: int = 16) -> None:
        self._free = asyncio.Semaphore(at_once)
        self._per_peer = per_peer
        self._held: Counter[str] = Counter()

    @asynccontextmanager
    async def take(self, peer: str) -> AsyncIterator[None]:
        """A place for the time of the block.

        Raises:
            Problem: 429 where the peer has too many in line.
        """
        most = self._per_peer * (LOCAL_SHARE if is_local(peer) else 1)
        if self._held[peer] >= most:
            raise Problem(429, f"too many reads at once: at most {most}; wait 1 s", headers={"Retry-After": "1"})
        self._held[peer] += 1
        try:
            async with self._free:
                yield
        finally:
            self._held[peer] -= 1
            if not self._held[peer]:
                del self._held[peer]


class FailureCounter:
    """Wrong tokens per peer within a minute."""

    def __init__(self, monotonic_s: Callable[[], float]) -> None:
        self._monotonic_s = monotonic_s
        self._failures: OrderedDict[str, list[float]] = OrderedDict()

    def _recent(self, peer: str) -> list[float]:
        since_s = self._monotonic_s() - FAILURE_WINDOW_S
        return [t for t in self._failures.get(peer, []) if t > since_s]

    def add(self, peer: str) -> None:
        """One more wrong token from this peer; told to the log, for whoever watches it."""
        _log.warning("wrong token", extra={"fields": {"peer": peer}})
        recent = self._recent(peer)
        self._failures.pop(peer, None)
        if len(self._failures) >= MAX_PEERS:
            self._failures.popitem(last=False)
        self._failures[peer] = [*recent, self._monotonic_s()]

    def refuse_blocked(self, peer: str) -> None:
        """Raises `Problem` 429 while the peer has used up its tries."""
        recent = self._recent(peer)
        if len(recent) >= MAX_FAILURES:
            wait_s = max(1, math.ceil(recent[-MAX_FAILURES] + FAILURE_WINDOW_S - self._monotonic_s()))
            raise Problem(429, f"too many wrong tokens; wait {wait_s} s", headers={"Retry-After": str(wait_s)})


def peer_of(scope: Scope) -> str:
    """Who asks: the peer's address without its port, for IPv6 its network of 64 bits."""
    client = scope.get("client")
    if not client:
        return ""
    try:
        address = ipaddress.ip_address(str(client[0]).partition("%")[0])
    except ValueError:
        return str(client[0])[:64]  # what a proxy wrote instead of an address
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is not None:
            return str(address.ipv4_mapped)
        return str(address) if address.is_loopback else str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def is_local(peer: str) -> bool:
    """Whether `peer_of` gave an address of this machine."""
    try:
        return ipaddress.ip_address(peer).is_loopback
    except ValueError:
        return False
