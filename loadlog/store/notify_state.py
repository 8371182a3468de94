"""What notices must know again after a restart; in the viewer's database.

How far the events were read, what each address was told and has waiting, and the notices that are not yet delivered move in one
transaction: so an event becomes part of exactly one notice of an address, whenever the viewer ends. A notice stays until its server has
accepted it. ``begun`` says that an attempt was under way: what the server did with it is then not known.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from loadlog.model.clock import format_utc
from loadlog.store.viewer_state import ViewerState, read_state

EVENTS, DIGEST = "events", "digest"

_TABLES = """
CREATE TABLE IF NOT EXISTS notify_place(recording TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS notify_service(id INTEGER PRIMARY KEY CHECK(id = 1), state TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS notify_address(name TEXT PRIMARY KEY, desk TEXT NOT NULL DEFAULT '{}', told TEXT NOT NULL DEFAULT '{}',
  accepted INTEGER NOT NULL DEFAULT 0, given_up INTEGER NOT NULL DEFAULT 0, accepted_utc_ns INTEGER, subject TEXT NOT NULL DEFAULT '')
  WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS notify_notice(id INTEGER PRIMARY KEY, address TEXT NOT NULL, made_utc_ns INTEGER NOT NULL, kind TEXT NOT NULL,
  severity TEXT NOT NULL, subject TEXT NOT NULL, body TEXT NOT NULL, attempts INTEGER NOT NULL DEFAULT 0, begun INTEGER NOT NULL DEFAULT 0);
"""


@dataclass(frozen=True, slots=True)
class Notice:
    """A notice of one address. ``kind``: `EVENTS` or `DIGEST`. ``id`` is 0 before it was kept."""

    address: str
    made_utc_ns: int
    kind: str
    severity: str
    subject: str
    body: str
    id: int = 0
    attempts: int = 0
    begun: bool = False


@dataclass(frozen=True, slots=True)
class Kept:
    """Everything at a start. ``places``: recording -> number up to which events were read; ``service``: of all addresses together."""

    places: Mapping[str, int] = field(default_factory=dict)
    service: Mapping[str, Any] = field(default_factory=dict)
    desks: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Tally:
    """Of an address, ever. ``waiting``: notices not yet accepted. ``told``: what the viewer last said of it."""

    accepted: int = 0
    given_up: int = 0
    accepted_utc_ns: int | None = None
    subject: str = ""
    waiting: int = 0
    told: Mapping[str, Any] = field(default_factory=dict)

    @property
    def accepted_text(self) -> str | None:
        """When the last notice was accepted, RFC 3339."""
        return None if self.accepted_utc_ns is None else format_utc(self.accepted_utc_ns)


class NotifyState:
    """The writing side. Thread-safe as `ViewerState` is; every method raises `StoreError` when the disk does not do."""

    def __init__(self, viewer: ViewerState) -> None:
        self._viewer = viewer
        with viewer.transaction() as connection:
            for statement in _TABLES.split(";\n"):
                connection.execute(statement)

    def load(self) -> Kept:
        """What was kept; empty at the first start."""
        with self._viewer.transaction() as connection:
            places = dict(connection.execute("SELECT recording, seq FROM notify_place").fetchall())
            row = connection.execute("SELECT state FROM notify_service").fetchone()
            desks = {name: json.loads(desk) for name, desk in connection.execute("SELECT name, desk FROM notify_address")}
            return Kept(places, json.loads(row[0]) if row else {}, desks)

    def keep(
        self, places: Mapping[str, int], service: Mapping[str, Any], desks: Mapping[str, Mapping[str, Any]], notices: Sequence[Notice]
    ) -> None:
        """All of it, or nothing. A digest takes the place of one that still waits, unless that is just being sent."""
        with self._viewer.transaction() as connection:
            connection.execute("DELETE FROM notify_place")
            connection.executemany("INSERT INTO notify_place VALUES(?, ?)", places.items())
            connection.execute("INSERT OR REPLACE INTO notify_service VALUES(1, ?)", (json.dumps(service),))
            connection.executemany(
                "INSERT INTO notify_address(name, desk) VALUES(?, ?) ON CONFLICT(name) DO UPDATE SET desk = excluded.desk",
                [(name, json.dumps(desk)) for name, desk in desks.items()],
            )
            for notice in notices:
                if notice.kind == DIGEST:
                    connection.execute("DELETE FROM notify_notice WHERE address = ? AND kind = ? AND NOT begun", (notice.address, DIGEST))
                connection.execute(
                    "INSERT INTO notify_notice(address, made_utc_ns, kind, severity, subject, body) VALUES(?, ?, ?, ?, ?, ?)",
                    (notice.address, notice.made_utc_ns, notice.kind, notice.severity, notice.subject, notice.body),
                )

    def waiting(self, kind: str) -> set[str]:
        """Addresses with a notice of a kind that is not yet accepted."""
        with self._viewer.transaction() as connection:
            return {name for (name,) in connection.execute("SELECT DISTINCT address FROM notify_notice WHERE kind = ?", (kind,))}

    def first(self, address: str) -> Notice | None:
        """The oldest notice that waits, of events before digests."""
        with self._viewer.transaction() as connection:
            row = connection.execute(
                "SELECT address, made_utc_ns, kind, severity, subject, body, id, attempts, begun FROM notify_notice WHERE address = ? "
                "ORDER BY kind = ?, id LIMIT 1",
                (address, DIGEST),
            ).fetchone()
        return replace(Notice(*row), begun=bool(row[8])) if row else None

    def begin(self, notice: Notice) -> None:
        """An attempt is under way from now on."""
        with self._viewer.transaction() as connection:
            connection.execute("UPDATE notify_notice SET attempts = attempts + 1, begun = 1 WHERE id = ?", (notice.id,))

    def failed(self, notice: Notice) -> None:
        """It was not accepted; it stays."""
        with self._viewer.transaction() as connection:
            connection.execute("UPDATE notify_notice SET begun = 0 WHERE id = ?", (notice.id,))

    def accepted(self, notice: Notice, t_utc_ns: int) -> None:
        """The server has it."""
        with self._viewer.transaction() as connection:
            connection.execute("DELETE FROM notify_notice WHERE id = ?", (notice.id,))
            connection.execute(
                "INSERT INTO notify_address(name, accepted, accepted_utc_ns, subject) VALUES(?, 1, ?, ?) ON CONFLICT(name) DO UPDATE SET "
                "accepted = accepted + 1, accepted_utc_ns = excluded.accepted_utc_ns, subject = excluded.subject",
                (notice.address, t_utc_ns, notice.subject),
            )

    def give_up(self, notice: Notice) -> None:
        """It is too old to be of use."""
        with self._viewer.transaction() as connection:
            connection.execute("DELETE FROM notify_notice WHERE id = ?", (notice.id,))
            connection.execute(
                "INSERT INTO notify_address(name, given_up) VALUES(?, 1) ON CONFLICT(name) DO UPDATE SET given_up = given_up + 1",
                (notice.address,),
            )

    def tell(self, address: str, facts: Mapping[str, Any]) -> None:
        """Keep what an address's thread says of itself, for those who ask while the viewer is off."""
        with self._viewer.transaction() as connection:
            connection.execute(
                "INSERT INTO notify_address(name, told) VALUES(?, ?) ON CONFLICT(name) DO UPDATE SET told = excluded.told",
                (address, json.dumps(facts)),
            )

    def tally(self, address: str) -> Tally:
        """Of one address."""
        with self._viewer.transaction() as connection:
            return _tally(connection, address)


def _tally(connection: sqlite3.Connection, address: str) -> Tally:
    row = connection.execute(
        "SELECT accepted, given_up, accepted_utc_ns, subject, told FROM notify_address WHERE name = ?", (address,)
    ).fetchone()  # fmt: skip
    waiting = connection.execute("SELECT count(*) FROM notify_notice WHERE address = ?", (address,)).fetchone()[0]
    return Tally(row[0], row[1], row[2], row[3], waiting, json.loads(row[4])) if row else Tally(waiting=waiting)


def read_notify(directory: Path) -> dict[str, Tally]:
    """The addresses of a data directory that were ever told anything, read-only.

    Raises:
        StoreError: the viewer's database is damaged or not permitted.
    """
    with read_state(directory) as connection:
        if connection is None or not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'notify_address'").fetchone():
            return {}
        return {name: _tally(connection, name) for (name,) in connection.execute("SELECT name FROM notify_address").fetchall()}
