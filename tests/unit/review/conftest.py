"""A run that went wrong, told by instruments and people who write markup."""

from __future__ import annotations

from pathlib import Path

import pytest

from loadlog.model.event import Onset
from loadlog.store import Archive
from tests.unit.store.recorded import NS, T0, OpenJournal, event, failed, run_info, sample, snapshot

NASTY = "<script>alert(1)</script>&\"'\u2028"


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """A run with an event, notes that try to be markup, failed polls, a reading that is none."""
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(devices=("load-1", "case")), snapshot())
        opened.put(*(failed(n) if n % 25 == 0 else sample(n) for n in range(1, 300, 2)))
        opened.put(sample(301, counts={"voltage_v": None, "current_a": 50_000, "input_on": 1}, uncertain={"voltage_v": "not_a_number"}))
        told = event(1, 302, kind="supply_trip", onset=Onset(T0 + 20 * NS, T0 + 20 * NS + 10**8), message=NASTY)
        opened.journal.put_events([told])
        opened.journal.put_note(303, "soak-0001", T0 + 5 * NS, NASTY, NASTY)
        opened.journal.put_identity("load-1", {"model": NASTY}, T0)
        opened.journal.stop_run("soak-0001", T0 + 30 * NS, NASTY)
        opened.flush()
    return Archive(tmp_path)
