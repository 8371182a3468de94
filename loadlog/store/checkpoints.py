"""When a recording's WAL is brought into the file: between commits, by the thread that makes them, after what they made durable was told.

SQLite does so of itself within the commit that fills the WAL, which then waits for the disk several times as long as others, and beside
readers, which hold parts of it back, it is tried again within the next (https://www.sqlite.org/wal.html, 2.1).
"""

from __future__ import annotations

import sqlite3

from loadlog.store.connect import WAL_PAGES

PAGES_OF_COMMIT, ROWS_OF_PAGE = 8, 32  # a first guess at what a commit adds to the WAL; how far it is off is found out
AGAIN_AFTER = WAL_PAGES // 8


class Checkpoints:
    """Of one connection. No statement tells how long a WAL is without bringing it into the file, so that is guessed from what was written,
    and the guess is put right by each checkpoint."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._guessed, self._due = 0, WAL_PAGES  # pages since the WAL was begun anew, and at how many of them it is time

    def committed(self, rows: int) -> None:
        """Another transaction that wrote or removed so many rows."""
        self._guessed += PAGES_OF_COMMIT + rows // ROWS_OF_PAGE

    def make_when_due(self) -> None:
        """A passive checkpoint when the WAL holds some `WAL_PAGES`. Never raises: what cannot be brought stays in the WAL, and a disk that
        refuses shows at the next commit."""
        if self._guessed < self._due:
            return
        try:
            refused, pages, brought = self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        except sqlite3.Error:
            refused, pages, brought = 1, 0, 0
        if refused or brought < pages:  # a reader still needs some of it, and meanwhile the WAL is not begun anew
            self._due = self._guessed + AGAIN_AFTER
            return
        if pages > 0:
            self._due = min(max(self._guessed * WAL_PAGES // pages, AGAIN_AFTER), 2 * WAL_PAGES)
        self._guessed = 0
