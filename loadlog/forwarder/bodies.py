"""Bodies of lines out of the recordings, each with what the cursor is after it. While one is on its way, the next is made ready beside it.

Whatever fails in between, a new `Bodies` made from the acknowledged position gives the same lines again.
"""

from __future__ import annotations

import contextlib
import json
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

from loadlog.config import ForwardConfig
from loadlog.forwarder.columns import ColumnLines
from loadlog.forwarder.lines import SampleLines
from loadlog.forwarder.reduction import Reduction, make_reduction
from loadlog.forwarder.stamps import Stamps
from loadlog.model.errors import StoreError
from loadlog.store import Archive
from loadlog.store.follower import Stretch
from loadlog.store.forward_state import EVENTS, SAMPLES, Position

ROUNDS_AT_MOST = 40  # bodies' worth of rows read for one body, where samples are reduced


@dataclass(frozen=True, slots=True)
class Body:
    """``text``: so many ``lines``, without the last line break. ``moved``: where the cursor stands after it; ``state``: what is under way
    then (JSON). ``is_full``: there is more to read."""

    text: bytes
    lines: int
    moved: dict[str, int]
    state: str
    newest_utc_ns: int | None
    is_full: bool


class Bodies:
    """Goes on from ``position``. ``follower`` is also there for events. Not thread-safe: nobody may use it inside `reading_ahead`."""

    def __init__(self, config: ForwardConfig, bench: str, archive: Archive, position: Position) -> None:
        self._mode = [config.every, config.interval_s, config.stamps]
        self._most = config.batch_lines
        kept = position.state if position.state.get("mode") == self._mode else {}
        self._stamps = Stamps(config.stamps, kept.get("stamps"))
        lines = SampleLines(bench, self._stamps)
        self._columns = ColumnLines(lines, self._stamps)
        self._reduction = make_reduction(lines, self._stamps, config.every, config.interval_s, kept.get("reduction", {}))
        self.follower = archive.follow(0, position.places[SAMPLES], position.places[EVENTS])
        self._ready: deque[Body] = deque()
        self._fault: BaseException | None = None
        self._beside = ThreadPoolExecutor(1, f"forward-{config.name}-read")

    @property
    def waiting(self) -> int:
        """Lines that were read and are not acknowledged."""
        return sum(body.lines for body in self._ready)

    def first(self) -> Body | None:
        """The oldest body that is not `done`; None when there is nothing to read."""
        if not self._ready:
            if self._fault is not None:
                raise StoreError(f"reading ahead failed: {self._fault}", retryable=True) from self._fault
            if (body := self._read()) is not None:
                self._ready.append(body)
        return self._ready[0] if self._ready else None

    def done(self) -> None:
        """The first body was acknowledged."""
        self._ready.popleft()

    @contextlib.contextmanager
    def reading_ahead(self) -> Iterator[None]:
        """The body after the first is made ready while the block runs, where there is one to come."""
        ahead: Future[Body | None] | None = None
        if len(self._ready) == 1 and self._ready[0].is_full and self._fault is None:
            ahead = self._beside.submit(self._read)
        try:
            yield
        finally:
            if ahead is not None:
                self._fault = ahead.exception()
                body = None if self._fault else ahead.result()
                if body is not None:
                    self._ready.append(body)

    def close(self) -> None:
        """End the thread beside."""
        self._beside.shutdown(wait=False)

    def _read(self) -> Body | None:
        """The next samples as lines; None when there are none."""
        before = self.follower.places
        text, lines, newest, full = self._read_all() if self._reduction is None else self._read_reduced(self._reduction)
        moved = {name: seq for name, seq in self.follower.places.items() if before.get(name) != seq}
        under_way = {} if self._reduction is None else self._reduction.state
        state = {"mode": self._mode, "stamps": self._stamps.state, "reduction": under_way}
        return Body(text, lines, moved, json.dumps(state), newest, full) if moved else None

    def _read_all(self) -> tuple[bytes, int, int | None, bool]:
        """A line a sample; how many; the newest instant; whether there is more to read."""
        stretches: list[Stretch] = []
        wanted = self._most
        while wanted > 0 and (fresh := self.follower.poll_slabs(wanted)):
            stretches += fresh
            wanted -= sum(len(stretch.slab.seqs) for stretch in fresh)
        newest = max((int(stretch.slab.times[-1]) for stretch in stretches), default=None)
        return self._columns.body(stretches), self._most - wanted, newest, wanted <= 0

    def _read_reduced(self, reduction: Reduction) -> tuple[bytes, int, int | None, bool]:
        """As `_read_all`, of what is left of the samples."""
        lines: list[str] = []
        newest: int | None = None
        feed, full = reduction.feed, False
        for _ in range(ROUNDS_AT_MOST):
            wanted = self._most - len(lines)
            rows = self.follower.poll_rows(wanted)
            for stored in rows:
                feed(stored, lines)
            if rows:
                newest = rows[-1].row.t_utc_ns
            full = len(rows) >= wanted
            if not full or len(lines) >= self._most:
                break
        return "\n".join(lines).encode(), len(lines), newest, full
