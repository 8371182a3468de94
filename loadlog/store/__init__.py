"""Recordings: one SQLite file each, one writing process, any number of readers.

`Journal` is all that the recorder needs, `Archive` all that everybody else needs. The format stands in FORMAT.md. Nothing outside this
package speaks SQL. Only the standard library is used, so that the recorder stays small.
"""

from loadlog.store.info import RecordingInfo
from loadlog.store.journal import Journal
from loadlog.store.reader import Archive
from loadlog.store.trouble import Trouble

__all__ = ["Archive", "Journal", "RecordingInfo", "Trouble"]
