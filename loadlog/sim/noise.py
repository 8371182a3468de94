"""Chance for the bench: counter-based, so that a draw depends only on who asks for what instant, never on who asked before.

Two benches with one seed are equal bit for bit whatever the order of polls. A key is mixed with the finaliser of splitmix64 (Steele, Lea,
Flood: Fast splittable pseudorandom number generators, 2014); a normal deviate is the Box-Muller transform of two uniform ones.
"""

from __future__ import annotations

import math
import zlib
from typing import Protocol

_MASK = (1 << 64) - 1
_GAMMA = 0x9E3779B97F4A7C15


class Chance(Protocol):
    """What the pure half needs of a `random.Random`; a seeded one comes from outside."""

    def random(self) -> float:
        """Evenly in [0, 1)."""
        ...

    def getrandbits(self, k: int, /) -> int:
        """``k`` bits."""
        ...

    def randrange(self, stop: int, /) -> int:
        """Evenly below ``stop``."""
        ...

    def randbytes(self, n: int) -> bytes:
        """``n`` bytes."""
        ...

    def sample(self, population: range, k: int) -> list[int]:
        """``k`` different ones."""
        ...


def key_of(seed: int, *names: str) -> int:
    """A 64-bit key for a named stream of draws."""
    key = seed & _MASK
    for name in names:
        key = _mix(key + _GAMMA * (zlib.crc32(name.encode()) + 1))
    return key


def _mix(z: int) -> int:
    z &= _MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
    return z ^ (z >> 31)


def uniform(key: int, index: int) -> float:
    """The ``index``-th draw of the stream, evenly in (0, 1)."""
    return ((_mix(key + _GAMMA * (index + 1)) >> 11) + 0.5) * 2.0**-53


def between(key: int, index: int, low: float, high: float) -> float:
    """The ``index``-th draw of the stream, evenly in (low, high)."""
    return low + (high - low) * uniform(key, index)


def gauss(key: int, index: int) -> float:
    """The ``index``-th draw of the stream, normal with mean 0 and standard deviation 1."""
    radius = math.sqrt(-2.0 * math.log(uniform(key, 2 * index)))
    return radius * math.cos(2.0 * math.pi * uniform(key, 2 * index + 1))
