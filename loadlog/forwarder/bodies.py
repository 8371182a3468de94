"""Bodies of lines out of the recordings, each with what the cursor is after it. While one is on its way, the next ones are made ready
beside it: several come out of one look at the recordings, and making the first of those takes longer than sending one.

Whatever fails in between, a new `Bodies` made from the acknowledged position gives the same lines again.
"""

from __future__ import annotations

import json
import threading
from collections import deque
from concurrent.futures import ThreadPoolExecutor
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

READY_AT_MOST = 4
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
    """Goes on from ``position``. For one thread, which has a second one at work inside."""

    def __init__(self, config: ForwardConfig, bench: str, archive: Archive, position: Position) -> None:
        self._mode = [config.every, config.interval_s, config.stamps]
        self._most = config.batch_lines
        kept = position.state if position.state.get("mode") == self._mode else {}
        self._stamps = Stamps(config.stamps, kept.get("stamps"))
        lines = SampleLines(bench, self._stamps)
        self._columns = ColumnLines(lines, self._stamps)
        self._reduction = make_reduction(lines, self._stamps, config.every, config.interval_s, kept.get("reduction", {}))
        self._follower = archive.follow(0, position.places[SAMPLES])
        self.events = archive.follow(0, None, position.places[EVENTS])
        self._beside = ThreadPoolExecutor(1, f"forward-{config.name}-read")
        self._changed = threading.Condition()  # over what follows; whoever is at work has the rest for itself
        self._ready: deque[Body] = deque()
        self._places = self._follower.places
        self._is_at_work = self._is_closed = False
        self._fault: BaseException | None = None

    @property
    def unread(self) -> tuple[dict[str, int], int]:
        """Recording -> number up to which bodies were made of it; how many lines of those are not acknowledged."""
        with self._changed:
            return self._places, sum(body.lines for body in self._ready)

    def first(self) -> Body | None:
        """The oldest body that is not `done`; None when there is nothing to read.

        Raises:
            StoreError: the recordings cannot be read.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._ready or not self._is_at_work)
            if self._ready:
                return self._ready[0]
            if self._fault is not None:
                raise StoreError(f"reading ahead failed: {self._fault}", retryable=True) from self._fault
        body = self._read()
        with self._changed:
            self._add(body)
        return body

    def done(self) -> None:
        """The first body was acknowledged."""
        with self._changed:
            self._ready.popleft()

    def read_ahead(self) -> None:
        """Let the bodies after the first be made ready, where there are some to come; does not wait for them."""
        with self._changed:
            if self._is_at_work or not self._wants_more():
                return
            self._is_at_work = True
        self._beside.submit(self._work)

    def close(self) -> None:
        """End the thread beside."""
        with self._changed:
            self._is_closed = True
        self._beside.shutdown(wait=False)

    def _wants_more(self) -> bool:
        more_to_come = bool(self._ready) and self._ready[-1].is_full
        return more_to_come and len(self._ready) < READY_AT_MOST and self._fault is None and not self._is_closed

    def _add(self, body: Body | None) -> None:
        if body is not None:
            self._ready.append(body)
            self._places = self._places | body.moved

    def _work(self) -> None:
        """Beside: bodies until enough are ready."""
        while True:
            body, fault = None, None
            try:
                body = self._read()
            except BaseException as exc:
                fault = exc
            with self._changed:
                self._add(body)
                self._fault = fault
                self._is_at_work = body is not None and self._wants_more()
                self._changed.notify_all()
                if not self._is_at_work:
                    return

    def _read(self) -> Body | None:
        """The next samples as lines; None when there are none."""
        before = self._follower.places
        text, lines, newest, full = self._read_all() if self._reduction is None else self._read_reduced(self._reduction)
        moved = {name: seq for name, seq in self._follower.places.items() if before.get(name) != seq}
        under_way = {} if self._reduction is None else self._reduction.state
        state = {"mode": self._mode, "stamps": self._stamps.state, "reduction": under_way}
        return Body(text, lines, moved, json.dumps(state), newest, full) if moved else None

    def _read_all(self) -> tuple[bytes, int, int | None, bool]:
        """A line a sample; how many; the newest instant; whether there is more to read."""
        stretches: list[Stretch] = []
        wanted = self._most
        while wanted > 0 and (fresh := self._follower.poll_slabs(wanted)):
            stretches += fresh
            wanted -= sum(stretch.last - stretch.first for stretch in fresh)
        newest = max((int(stretch.times[-1]) for stretch in stretches), default=None)
        return self._columns.body(stretches), self._most - wanted, newest, wanted <= 0

    def _read_reduced(self, reduction: Reduction) -> tuple[bytes, int, int | None, bool]:
        """As `_read_all`, of what is left of the samples."""
        lines: list[str] = []
        newest: int | None = None
        feed, full = reduction.feed, False
        for _ in range(ROUNDS_AT_MOST):
            wanted = self._most - len(lines)
            rows = self._follower.poll_rows(wanted)
            for stored in rows:
                feed(stored, lines)
            if rows:
                newest = rows[-1].row.t_utc_ns
            full = len(rows) >= wanted
            if not full or len(lines) >= self._most:
                break
        return "\n".join(lines).encode(), len(lines), newest, full
