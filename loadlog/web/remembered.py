"""Facts that cost something and may be a little old: worked out once, however many ask."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")
MAX_KEYS = 64
SHARE = 0.05


class Remembered(Generic[T]):
    """``find(key)`` at most every ``age_s`` a key, and less often where it takes so long that it would use more than `SHARE` of the time;
    while one thread works it out, others are given what was known. Thread-safe."""

    def __init__(self, find: Callable[[str], T], age_s: float, monotonic_s: Callable[[], float]) -> None:
        self._find, self._age_s, self._monotonic_s = find, age_s, monotonic_s
        self._lock = threading.Lock()
        self._known: dict[str, tuple[float, T]] = {}  # key -> good until, fact

    def get(self, key: str) -> T:
        """The fact of that key."""
        now_s = self._monotonic_s()
        with self._lock:
            known = self._known.get(key)
            if known is not None:
                if now_s < known[0]:
                    return known[1]
                self._known[key] = (math.inf, known[1])  # this thread looks again; the others take the old
        try:
            found = self._find(key)
        except BaseException:
            with self._lock:
                self._known.pop(key, None)
            raise
        done_s = self._monotonic_s()
        with self._lock:
            self._known.pop(key, None)
            while len(self._known) >= MAX_KEYS:
                del self._known[next(iter(self._known))]
            self._known[key] = (done_s + max(self._age_s, (done_s - now_s) / SHARE), found)
        return found
