"""One log entry is one line, whatever an instrument or a note puts into it."""

from __future__ import annotations

import json
import logging

import pytest

from loadlog.process.logs import LineFormatter

HOSTILE = 'X"\nERROR forged=1\r\t\u2028'


def record(message: str, **fields: object) -> logging.LogRecord:
    made = logging.LogRecord("t", logging.WARNING, __file__, 1, message, None, None)
    made.fields = fields
    return made


@pytest.mark.parametrize("as_json", [False, True])
def test_a_newline_in_a_value_or_message_stays_in_its_line(as_json: bool) -> None:
    line = LineFormatter("recorder", as_json).format(record("identity\nchanged", text=HOSTILE, device="load-1"))
    assert "\n" not in line
    assert "load-1" in line


def test_json_lines_carry_the_fields_exactly() -> None:
    entry = json.loads(LineFormatter("recorder", True).format(record("event", text=HOSTILE, id=17)))
    assert entry["text"] == HOSTILE
    assert (entry["id"], entry["level"], entry["process"], entry["message"]) == (17, "WARNING", "recorder", "event")
    assert entry["t"].endswith("Z")
