"""Structured logs: one line an entry on standard error, ``key=value`` for people, JSON objects for machines (``--log-json``).

Fields are given with ``extra={"fields": {...}}``. Nothing secret is ever put into a field; control characters in a value (an
instrument's text) are escaped, so an entry stays one line and steers no terminal.
"""

from __future__ import annotations

import json
import logging
import sys
import time
from typing import Any


class LineFormatter(logging.Formatter):
    """``2026-01-31T02:12:07.412Z WARNING recorder message key=value`` or the same as one JSON object."""

    def __init__(self, process: str, as_json: bool) -> None:
        super().__init__()
        self._process, self._as_json = process, as_json

    def format(self, record: logging.LogRecord) -> str:
        """One line, whatever the values hold."""
        stamp = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(record.created)) + f".{int(record.msecs):03d}Z"
        fields: dict[str, Any] = getattr(record, "fields", {})
        entry = {"t": stamp, "level": record.levelname, "process": self._process, "message": record.getMessage(), **fields}
        if record.exc_info:
            entry["trace"] = self.formatException(record.exc_info)
        if self._as_json:
            return json.dumps(entry, ensure_ascii=False, default=str)
        more = "".join(f" {key}={_shown(value)}" for key, value in entry.items() if key not in ("t", "level", "process", "message"))
        return f"{stamp} {record.levelname:7} {self._process} {_printable(record.getMessage())}{more}"


def _shown(value: Any) -> str:
    text = str(value)
    return _printable(json.dumps(text, ensure_ascii=False) if any(c in text for c in ' "\n=') else text)


def _printable(text: str) -> str:
    """Control characters as escapes: in a terminal they would be carried out (ECMA-48), and a line could be made to look like another."""
    return text if text.isprintable() else "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def configure(process: str, *, verbose: bool = False, as_json: bool = False) -> None:
    """Send all logs of this process to standard error. Called once, by the composition root."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(LineFormatter(process, as_json))
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.DEBUG if verbose else logging.INFO)
    # The libraries' own chatter is not about the bench; their warnings are.
    for name in ("pymodbus", "uvicorn.access", "asyncio"):
        logging.getLogger(name).setLevel(logging.WARNING)
