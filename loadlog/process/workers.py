"""Threads of a service, each of which does its work piece by piece and waits in between, until all are asked to end.

A fault of ours in one of them ends neither the others nor, for good, itself. What may be said of it is the caller's business: a fault can
hold what no log may show.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

AFTER_FAULT_S = 10.0


class Workers:
    """Thread-safe. ``end_s``: how long `stop` waits for what is under way."""

    def __init__(self, end_s: float) -> None:
        self._end_s = end_s
        self._ending = threading.Event()
        self._wakes: dict[str, threading.Event] = {}
        self._threads: list[threading.Thread] = []

    def run(self, name: str, work: Callable[..., None], *arguments: Any) -> None:
        """``work`` in a thread of its own; it is to end soon after `wait` gives True."""
        thread = threading.Thread(target=work, args=arguments, name=name, daemon=True)
        self._threads.append(thread)
        thread.start()

    def repeat(self, name: str, step: Callable[[], float], on_fault: Callable[[Exception], None]) -> None:
        """``step`` again and again in a thread of its own; it says how long to wait before the next time, s. ``on_fault``: called with what
        it raised."""
        wake = self._wakes[name] = threading.Event()
        self.run(name, self._go_on, step, on_fault, wake)

    def _go_on(self, step: Callable[[], float], on_fault: Callable[[Exception], None], wake: threading.Event) -> None:
        while not self._ending.is_set():
            try:
                wait_s = step()
            except Exception as exc:
                on_fault(exc)
                wait_s = AFTER_FAULT_S
            if wait_s > 0:
                wake.wait(wait_s)
                wake.clear()

    def wake(self, name: str) -> None:
        """Its next step comes at once; nothing where `repeat` has not begun it."""
        if (wake := self._wakes.get(name)) is not None:
            wake.set()

    def wake_all(self) -> None:
        """As `wake`, every one."""
        for wake in tuple(self._wakes.values()):
            wake.set()

    def wait(self, wait_s: float) -> bool:
        """Wait so long at most; True as soon as all are asked to end."""
        return self._ending.wait(wait_s)

    def stop(self) -> None:
        """Ask all to end, and let what is under way end, for a short while."""
        self._ending.set()
        self.wake_all()
        until_s = time.monotonic() + self._end_s
        for thread in tuple(self._threads):
            thread.join(max(0.0, until_s - time.monotonic()))
