"""How far each forwarding target has come, and what its server would not take; in the viewer's database.

A cursor has one place per recording and lane (``samples``, ``events``): recordings are committed one after the other, so one number would
not do. An acknowledgement moves places, what the makers of lines have under way, and the lines that were set aside, in one transaction.

For servers that may lose what they acknowledged, every acknowledgement leaves what was before it (``undo``), for as long as the target
wants to be able to go back.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from loadlog.store.viewer_state import ViewerState, read_state

SAMPLES, EVENTS = "samples", "events"
LANES = (SAMPLES, EVENTS)


@dataclass(frozen=True, slots=True)
class Aside:
    """A line that the server refused, with its reason and since when."""

    id: int
    t_utc_ns: int
    reason: str
    line: str


@dataclass(frozen=True, slots=True)
class Position:
    """Where a target stands. ``places``: lane -> recording -> highest number dealt with. ``state``: what is under way, JSON-able.
    ``newest_utc_ns``: time of the newest sample acknowledged. ``lines``: acknowledged so far. ``is_new``: nothing ever was."""

    places: Mapping[str, Mapping[str, int]] = field(default_factory=lambda: {lane: {} for lane in LANES})
    state: Mapping[str, Any] = field(default_factory=dict)
    acknowledged_utc_ns: int | None = None
    newest_utc_ns: int | None = None
    lines: int = 0
    is_new: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """One acknowledgement: places that moved in a lane, the state after it (JSON), lines acknowledged, lines set aside with reasons."""

    lane: str
    moved: Mapping[str, int]
    state: str
    t_utc_ns: int
    lines: int = 0
    newest_utc_ns: int | None = None
    aside: Sequence[tuple[str, str]] = ()


class ForwardState:
    """Of one target. Thread-safe as `ViewerState` is."""

    def __init__(self, viewer: ViewerState, target: str, undo_ns: int = 0) -> None:
        self._viewer, self._target, self._undo_ns = viewer, target, undo_ns

    def position(self) -> Position:
        """Where the target stands."""
        with self._viewer.transaction() as connection:
            return _position(connection, self._target)

    def acknowledge(self, step: Step) -> None:
        """The server has, or will never take, everything up to ``step.moved``.

        Raises:
            StoreError: not kept; the same lines will be sent again.
        """
        with self._viewer.transaction() as connection:
            if self._undo_ns and step.moved:
                self._keep_undo(connection, step)
            self._move(connection, step.lane, step.moved)
            connection.execute(
                "INSERT INTO progress VALUES(?, ?, ?, ?, ?, '') ON CONFLICT(target) DO UPDATE SET state = excluded.state, "
                "acknowledged_utc_ns = excluded.acknowledged_utc_ns, lines = lines + excluded.lines, "
                "newest_utc_ns = coalesce(excluded.newest_utc_ns, newest_utc_ns)",
                (self._target, step.state, step.t_utc_ns, step.newest_utc_ns, step.lines),
            )
            connection.executemany(
                "INSERT INTO aside(target, t_utc_ns, reason, line) VALUES(?, ?, ?, ?) "
                "ON CONFLICT(target, line) DO UPDATE SET reason = excluded.reason",
                [(self._target, step.t_utc_ns, reason, line) for line, reason in step.aside],
            )

    def _move(self, connection: sqlite3.Connection, lane: str, moved: Mapping[str, int | None]) -> None:
        connection.executemany(
            "INSERT INTO place VALUES(?, ?, ?, ?) ON CONFLICT(target, lane, recording) DO UPDATE SET seq = excluded.seq",
            [(self._target, lane, recording, seq) for recording, seq in moved.items() if seq is not None],
        )
        connection.executemany(
            "DELETE FROM place WHERE target = ? AND lane = ? AND recording = ?",
            [(self._target, lane, recording) for recording, seq in moved.items() if seq is None],
        )

    def _keep_undo(self, connection: sqlite3.Connection, step: Step) -> None:
        now = _position(connection, self._target)
        before = {
            "lane": step.lane, "places": {recording: now.places[step.lane].get(recording) for recording in step.moved},
            "state": now.state, "newest": now.newest_utc_ns, "lines": now.lines,
        }  # fmt: skip
        connection.execute(
            "INSERT INTO undo VALUES(?, (SELECT coalesce(max(number), 0) + 1 FROM undo WHERE target = ?), ?, ?)",
            (self._target, self._target, step.t_utc_ns, json.dumps(before)),
        )
        connection.execute("DELETE FROM undo WHERE target = ? AND acknowledged_utc_ns < ?", (self._target, step.t_utc_ns - self._undo_ns))

    def rewind(self, to_utc_ns: int) -> bool:
        """Forget every acknowledgement at or after an instant, as far back as they are kept; whether there was any."""
        query = "SELECT before FROM undo WHERE target = ? AND acknowledged_utc_ns >= ? ORDER BY number DESC"
        with self._viewer.transaction() as connection:
            steps = connection.execute(query, (self._target, to_utc_ns)).fetchall()
            for (text,) in steps:
                before = json.loads(text)
                self._move(connection, before["lane"], before["places"])
                connection.execute(
                    "UPDATE progress SET state = ?, newest_utc_ns = ?, lines = ? WHERE target = ?",
                    (json.dumps(before["state"]), before["newest"], before["lines"], self._target),
                )
            connection.execute("DELETE FROM undo WHERE target = ? AND acknowledged_utc_ns >= ?", (self._target, to_utc_ns))
            return bool(steps)

    def tell(self, facts: Mapping[str, Any]) -> None:
        """Keep what the target says of itself, for those who ask while the viewer is off."""
        with self._viewer.transaction() as connection:
            connection.execute(
                "INSERT INTO progress VALUES(?, '{}', NULL, NULL, 0, ?) ON CONFLICT(target) DO UPDATE SET told = excluded.told",
                (self._target, json.dumps(facts)),
            )

    def aside_count(self) -> int:
        """Lines that were set aside."""
        with self._viewer.transaction() as connection:
            return _aside_count(connection, self._target)

    def aside(self, after_id: int = 0, limit: int = 1000) -> list[Aside]:
        """Lines that were set aside, oldest first."""
        with self._viewer.transaction() as connection:
            return _aside(connection, self._target, after_id, limit)

    def retried(self, taken: Sequence[int], refused: Mapping[int, str]) -> None:
        """Lines that the server took after all, and the new reasons of the others."""
        with self._viewer.transaction() as connection:
            connection.executemany("DELETE FROM aside WHERE id = ?", [(id_,) for id_ in taken])
            connection.executemany("UPDATE aside SET reason = ? WHERE id = ?", [(reason, id_) for id_, reason in refused.items()])


def _position(connection: sqlite3.Connection, target: str) -> Position:
    places: dict[str, dict[str, int]] = {lane: {} for lane in LANES}
    for lane, recording, seq in connection.execute("SELECT lane, recording, seq FROM place WHERE target = ?", (target,)):
        places.setdefault(lane, {})[recording] = seq
    row = connection.execute(
        "SELECT state, acknowledged_utc_ns, newest_utc_ns, lines FROM progress WHERE target = ?", (target,)
    ).fetchone()  # fmt: skip
    if row is None:
        return Position(places, is_new=True)
    return Position(places, json.loads(row[0]), row[1], row[2], row[3], is_new=row[1] is None)


def _aside_count(connection: sqlite3.Connection, target: str) -> int:
    count: int = connection.execute("SELECT count(*) FROM aside WHERE target = ?", (target,)).fetchone()[0]
    return count


def _aside(connection: sqlite3.Connection, target: str, after_id: int, limit: int) -> list[Aside]:
    query = "SELECT id, t_utc_ns, reason, line FROM aside WHERE target = ? AND id > ? ORDER BY id LIMIT ?"
    return [Aside(*row) for row in connection.execute(query, (target, after_id, limit))]


@dataclass(frozen=True, slots=True)
class Seen:
    """A target as another process sees it. ``told``: what it last said of itself."""

    position: Position
    aside_count: int
    aside: list[Aside]
    told: dict[str, Any]


def read_forward(directory: Path, targets: Sequence[str], limit: int = 100) -> dict[str, Seen]:
    """The targets of a data directory, read-only; a target that never got anywhere is at its beginning.

    Raises:
        StoreError: the viewer's database is damaged or not permitted.
    """
    nothing = Seen(Position(is_new=True), 0, [], {})
    with read_state(directory) as connection:
        if connection is None:
            return dict.fromkeys(targets, nothing)
        out = {}
        for target in targets:
            row = connection.execute("SELECT told FROM progress WHERE target = ?", (target,)).fetchone()
            out[target] = Seen(
                _position(connection, target), _aside_count(connection, target), _aside(connection, target, 0, limit),
                json.loads(row[0]) if row and row[0] else {},
            )  # fmt: skip
        return out


def forwarded_up_to(directory: Path, targets: Sequence[str]) -> dict[str, int]:
    """Recording -> highest number of a sample that every target has; retention asks before it removes one. Absent: nothing was sent."""
    seen = read_forward(directory, targets, 0)
    places = [one.position.places[SAMPLES] for one in seen.values()]
    names = set[str]().union(*places) if places else set()
    return {name: min(place.get(name, 0) for place in places) for name in names}
