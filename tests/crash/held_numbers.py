"""What is in the files of a directory, read with SQLite and the documented format of bodies alone."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from tests.unit.store.test_format import body_by_the_document


def numbers_in(directory: Path) -> set[int]:
    """Every number of a sample, event, note or circumstance, in every recording."""
    found: set[int] = set()
    for path in (directory / "recordings").glob("*.sqlite"):
        connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
        try:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            query = "SELECT seq FROM sample UNION SELECT seq FROM event UNION SELECT seq FROM note UNION SELECT seq FROM circumstance"
            found.update(seq for (seq,) in connection.execute(query))
            for (body,) in connection.execute("SELECT body FROM sealed"):
                found.update(row["seq"] for row in body_by_the_document(body))
        finally:
            connection.close()
    return found
