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


@pytest.mark.parametrize("as_json", [False, True])
def test_no_entry_steers_a_terminal_or_looks_like_another(as_json: bool) -> None:
    """ECMA-48: ESC and, of eight bits, CSI begin what a terminal carries out; a carriage return writes over the line."""
    hostile = "\x1b]0;owned\x07\x1b[2K\rERROR forged=1\x9b31m\u2028\x00"
    line = LineFormatter("viewer", as_json).format(record(hostile, **{"text": hostile, "peer": "192.0.2.1"}))
    controls = [c for c in line if not c.isprintable()]
    assert controls == [] if not as_json else not [c for c in controls if ord(c) < 0x20]


def test_json_lines_carry_the_fields_exactly() -> None:
    entry = json.loads(LineFormatter("recorder", True).format(record("event", text=HOSTILE, id=17)))
    assert entry["text"] == HOSTILE
    assert (entry["id"], entry["level"], entry["process"], entry["message"]) == (17, "WARNING", "recorder", "event")
    assert entry["t"].endswith("Z")
