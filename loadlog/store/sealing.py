"""Sealing, the recorder's side: which rows are due, the helper process that encodes them, and the transaction that swaps them.

Rows are sealed up to the end of a span, all devices together, so one number tells sealed from hot. The helper (`encoder`) holds numpy and
the codec, runs at the lowest priority and reads through a connection of its own: encoding neither holds the interpreter's lock of the bus
threads nor makes the recorder large. Without a helper rows stay hot: larger and slower to read, and nothing is lost.
"""

from __future__ import annotations

import contextlib
import json
import logging
import marshal
import sqlite3
import subprocess
import sys
import threading
from collections import Counter, deque
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from loadlog.store.edges import rolled_seq, sealed_seq
from loadlog.store.rollup import Sums, merge_minutes

SEAL_ROWS = 6_000  # of the fastest device
GROUP_ROWS = 60_000  # of all devices: bounds the sealing transaction and the helper's memory
GROUP_SPANS = 240  # a span is a minute of rows: bounds the rollup of a group where polls are rare
RETRY_S = 60.0
ANSWER_MAX_BYTES = 256 << 20
HELPER = (sys.executable, "-m", "loadlog.store.encoder")
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Group:
    """Rows to be sealed: numbers in (after, upto]. ``rolled``: they are in the minutes already."""

    path: Path
    after: int
    upto: int
    rolled: bool


@dataclass(frozen=True, slots=True)
class Sealed:
    """A group with what the helper made of it."""

    group: Group
    bodies: list[tuple[Any, ...]]
    minutes: list[tuple[Any, ...]]


@dataclass(slots=True)
class Unsealed:
    """The closed spans that are not sealed yet. ``spans``: (last number, rows of each device)."""

    sealed_seq: int
    rolled_seq: int
    spans: deque[tuple[int, Counter[int]]] = field(default_factory=deque)
    counts: Counter[int] = field(default_factory=Counter)

    @classmethod
    def read(cls, connection: sqlite3.Connection) -> Unsealed:
        """As a recording stands."""
        found = cls(sealed_seq(connection), rolled_seq(connection))
        spans = connection.execute(
            "SELECT first_seq, last_seq FROM span WHERE last_seq > ? ORDER BY last_seq", (found.sealed_seq,)
        ).fetchall()
        query = "SELECT device, count(*) FROM sample WHERE seq >= ? AND seq <= ? GROUP BY device"
        for first, last in spans:
            found.add(last, Counter(dict(connection.execute(query, (first, last)).fetchall())))
        return found

    def add(self, last_seq: int, counts: Counter[int]) -> None:
        """A span was closed."""
        self.spans.append((last_seq, counts))
        self.counts.update(counts)

    def due(self, path: Path) -> Group | None:
        """The oldest group, when there is a whole one. It never lies across the edge of what is in the minutes."""
        if not self.counts:
            return None
        total, fastest = self.counts.total(), max(self.counts.values())
        wanted = min(GROUP_ROWS, -(-SEAL_ROWS * total // fastest))
        rows = 0
        for number, (last_seq, counts) in enumerate(self.spans, start=1):
            rows += counts.total()
            if rows >= wanted or number >= GROUP_SPANS or last_seq == self.rolled_seq:
                return Group(path, self.sealed_seq, last_seq, last_seq <= self.rolled_seq)
        return None

    def sealed(self, upto: int) -> None:
        """Everything up to there is in bodies now."""
        while self.spans and self.spans[0][0] <= upto:
            self.counts.subtract(self.spans.popleft()[1])
        self.counts = +self.counts
        self.sealed_seq, self.rolled_seq = upto, max(self.rolled_seq, upto)


def swap(connection: sqlite3.Connection, sealed: Sealed) -> bool:
    """One transaction: bodies and minutes in, rows out. False when the file is not as the helper saw it, and nothing was changed."""
    group = sealed.group
    connection.execute("BEGIN IMMEDIATE")
    try:
        held = connection.execute("SELECT count(*) FROM sample WHERE seq > ? AND seq <= ?", (group.after, group.upto)).fetchone()[0]
        if sealed_seq(connection) != group.after or held != sum(body[3] for body in sealed.bodies):
            connection.execute("ROLLBACK")
            return False
        columns = "device, last_seq, first_seq, rows, t_min_ns, t_max_ns, body"
        connection.executemany(f"INSERT INTO sealed({columns}) VALUES(?, ?, ?, ?, ?, ?, ?)", sealed.bodies)
        merge_minutes(connection, ((row[:3], Sums.of_row(row[3:])) for row in sealed.minutes))
        connection.execute("DELETE FROM sample WHERE seq > ? AND seq <= ?", (group.after, group.upto))
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        raise
    return True


class Sealer:
    """The helper and the one group it works on. `offer` and `take` never block; for one caller thread."""

    def __init__(self, helper: tuple[str, ...] = HELPER) -> None:
        self._helper = helper
        self._process: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None
        self._done: Sealed | None = None
        self.trouble = ""

    @property
    def busy(self) -> bool:
        """A group is being encoded, or waits to be taken."""
        return self._thread is not None

    def offer(self, group: Group) -> None:
        """Begin; only while not `busy`."""
        self._done = None
        self._thread = threading.Thread(target=self._work, args=(group,), name="sealing", daemon=True)
        self._thread.start()

    def take(self) -> Sealed | None:
        """What was encoded; None while at work, and after a failure, which `trouble` tells."""
        if self._thread is None or self._thread.is_alive():
            return None
        self._thread = None
        done, self._done = self._done, None
        return done

    def _work(self, group: Group) -> None:
        try:
            answer = self._ask(group)
        except Exception as exc:  # whatever came from another process: rows stay hot
            self._end()
            self.trouble = f"the encoding helper failed: {exc or type(exc).__name__}"
            return
        self.trouble = answer.get("error", "")
        if not self.trouble:
            self._done = Sealed(group, answer["sealed"], answer["rollup"])

    def _ask(self, group: Group) -> dict[str, Any]:
        if self._process is None or self._process.poll() is not None:
            self._process = subprocess.Popen(self._helper, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        request = {"path": str(group.path), "after": group.after, "upto": group.upto, "rolled": group.rolled}
        pipe, replies = self._process.stdin, self._process.stdout
        if pipe is None or replies is None:
            raise EOFError
        pipe.write(json.dumps(request).encode() + b"\n")
        pipe.flush()
        size = int.from_bytes(_exactly(replies, 8), "little")
        if size > ANSWER_MAX_BYTES:
            raise ValueError(f"it answered with {size} bytes")
        answer: dict[str, Any] = marshal.loads(_exactly(replies, size))
        return answer

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        for pipe in (process.stdin, process.stdout):
            with contextlib.suppress(OSError):
                if pipe is not None:
                    pipe.close()
        process.wait()

    def close(self) -> None:
        """Give up what is under way; it is sealed another time."""
        if self._process is not None:
            with contextlib.suppress(OSError):
                self._process.kill()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self._end()


def _exactly(pipe: IO[bytes], size: int) -> bytes:
    data = pipe.read(size)
    if len(data) != size:
        raise EOFError("it ended without an answer")
    return data
