"""Recordings: one SQLite file each, one writing process, any number of readers.

`Journal` is all that the recorder needs, `Archive` all that everybody else needs. The format stands in FORMAT.md. Nothing outside this
package speaks SQL. The recorder takes `loadlog.store.journal`, which needs the standard library alone; readers decode sealed rows with
numpy, which is why the names here are loaded when they are first used.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loadlog.store.info import RecordingInfo
    from loadlog.store.journal import Journal
    from loadlog.store.reader import Archive
    from loadlog.store.trouble import Trouble

__all__ = ["Archive", "Journal", "RecordingInfo", "Trouble"]
_HOME = {"RecordingInfo": "info", "Journal": "journal", "Archive": "reader", "Trouble": "trouble"}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
