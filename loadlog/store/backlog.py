"""The bounded queue between the pipeline and the writing thread.

Putting never blocks and never fails. While the disk takes them samples lie in it as they come; once many wait, as packed bytes (about 150
each), so that a queue of 100,000 stays small. When it is
full the oldest sample goes, so that after an outage the newest hours are there; events, notes and orders stay, in their order. What was
lost is counted per device and told with its extent.
"""

from __future__ import annotations

import marshal
import threading
from collections import deque
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

from loadlog.model.circumstance import Begun, Ordered
from loadlog.model.event import Event
from loadlog.model.run import Note, RunInfo, Snapshot

UNPACKED_MAX = 5_000
OTHERS_MAX = 50_000  # events and notes; a bench that makes more during one outage keeps the newest


@dataclass(frozen=True, slots=True)
class StartRun:
    """From here on the run's devices are recorded in its recording."""

    run: RunInfo
    snapshot: Snapshot
    done: Future[None]


@dataclass(frozen=True, slots=True)
class StopRun:
    """The run's last row lies before this."""

    run_id: str
    t_utc_ns: int
    reason: str
    done: Future[None]


@dataclass(frozen=True, slots=True)
class Flush:
    """Resolved with the last number when everything before it is on the disk."""

    done: Future[int]


@dataclass(frozen=True, slots=True)
class PutNote:
    """A logbook line of a run, or of the time between runs."""

    run_id: str | None
    note: Note
    done: Future[None]


@dataclass(frozen=True, slots=True)
class Identity:
    """What a device says it is."""

    device: str
    texts: dict[str, str]
    t_utc_ns: int


@dataclass(frozen=True, slots=True)
class PutLearned:
    """What was learned of a device so far, as JSON; the last one holds."""

    device: str
    text: str


Row = tuple[str, tuple[Any, ...]]  # a sample: device and row
Item = bytes | Row | Event | PutNote | Identity | PutLearned | Begun | Ordered | StartRun | StopRun | Flush
SAMPLE = (tuple, bytes)  # the forms of a sample in the queue
_LOSABLE = (Event, PutNote, Identity, PutLearned, Begun, Ordered)


@dataclass(slots=True)
class Loss:
    """Samples of one device that had to be given up."""

    count: int
    first_seq: int
    last_seq: int
    from_utc_ns: int
    to_utc_ns: int


def pack(device: str, row: tuple[Any, ...]) -> bytes:
    """One row as bytes; only this process reads them."""
    return marshal.dumps((device, row))


def unpack(item: bytes | Row) -> Row:
    """The inverse of `pack`; what was not packed as it is."""
    if isinstance(item, tuple):
        return item
    unpacked: Row = marshal.loads(item)
    return unpacked


class Backlog:
    """One taker. What puts holds ``lock``, which is also that of who numbers what is put: one lock a sample instead of two."""

    def __init__(self, max_samples: int) -> None:
        self._max_samples = max_samples
        self.lock = threading.Lock()
        self._rescued: deque[Item] = deque()  # older than everything in _items
        self._items: deque[Item] = deque()
        self._samples = 0
        self._lost: dict[str, Loss] = {}

    def __len__(self) -> int:
        return len(self._items) + len(self._rescued)

    @property
    def samples(self) -> int:
        """Samples waiting."""
        return self._samples

    def put(self, item: Item) -> None:
        """Anything but a sample."""
        self._items.append(item)
        if len(self._items) + len(self._rescued) - self._samples > OTHERS_MAX:
            self._drop_other()

    def put_sample(self, device: str, row: tuple[Any, ...]) -> None:
        """A sample; the oldest one goes when there are too many."""
        waiting = self._samples
        self._items.append((device, row) if waiting < UNPACKED_MAX else pack(device, row))
        self._samples = waiting + 1
        if waiting >= self._max_samples:
            self._drop_sample()

    def _drop_sample(self) -> None:
        while not isinstance(oldest := self._items.popleft(), SAMPLE):
            self._rescued.append(oldest)
        self._samples -= 1
        device, row = unpack(oldest)
        loss = self._lost.setdefault(device, Loss(0, row[0], row[0], row[1], row[1]))
        loss.count, loss.last_seq, loss.to_utc_ns = loss.count + 1, row[0], row[1]

    def _drop_other(self) -> None:
        for queue in (self._rescued, self._items):
            for item in queue:
                if isinstance(item, _LOSABLE):
                    queue.remove(item)
                    return

    def take(self, most: int) -> list[Item]:
        """Up to ``most`` items, oldest first."""
        with self.lock:
            out: list[Item] = []
            for queue in (self._rescued, self._items):
                if len(queue) <= most - len(out):
                    out.extend(queue)
                    queue.clear()
                else:
                    out.extend(queue.popleft() for _ in range(most - len(out)))
            self._samples -= sum(isinstance(item, SAMPLE) for item in out)
            return out

    def take_losses(self) -> dict[str, Loss]:
        """Losses since the last call, by device."""
        if not self._lost:
            return {}
        with self.lock:
            lost, self._lost = self._lost, {}
            return lost
