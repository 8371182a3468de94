"""What was learned is kept with the recording that the samples are in, and comes back where that recording is gone on with."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from loadlog.model.learned import Knowledge, Learned, Understanding, fact, fixed
from loadlog.review import summarise, summary_text
from loadlog.store import Archive
from tests.unit.store.recorded import NS, SPECS, T0, OpenJournal, run_info, sample, snapshot, spec

FACTS = (
    fact("noise_voltage_v", "V", 0.0012, 0.0001, 400, 60),
    fact("level_current_a", "A", None, None, 12, 60),
    fixed("output_resistance_ohm", "Ω", 0.004),
)
KNOWN = Understanding(T0 + NS, FACTS, {"drift": "level_current_a 12 of 60"})


def test_facts_come_back_as_they_were_put(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
        opened.journal.put_learned("load-1", Understanding(T0, (), {}))
        opened.journal.put_learned("load-1", KNOWN)
        opened.flush()
        assert Archive(tmp_path).learned("soak-0001") == {"load-1": KNOWN}
        opened.journal.stop_run("soak-0001", T0 + 2 * NS, "done")
    assert Archive(tmp_path).learned("soak-0001") == {"load-1": KNOWN}


def test_a_number_that_is_none_is_stored_as_unknown(tmp_path: Path) -> None:
    """An infinite uncertainty is no number of JSON."""
    wide = Understanding(T0, (Learned("drift_v_per_h", "V/h", float("nan"), float("inf"), 3, Knowledge.LEARNING),), {})
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1))
        opened.journal.put_learned("load-1", wide)
        opened.flush()
    (found,) = Archive(tmp_path).learned()["load-1"].facts
    assert (found.value, found.uncertainty, found.n) == (None, None, 3)


def test_a_restart_in_mid_run_remembers_and_a_changed_device_does_not(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
        opened.journal.put_learned("load-1", KNOWN)
    with OpenJournal(tmp_path) as opened:
        assert opened.journal.remembered == {"load-1": KNOWN}
    changed = {**SPECS, "load-1": spec("load-1", extra=1)}
    with OpenJournal(tmp_path, specs=changed) as opened:
        assert opened.journal.remembered == {}


def test_what_is_damaged_in_it_was_not_learned(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.put(sample(1))
        opened.journal.put_learned("load-1", KNOWN)
        opened.flush()
    (recording,) = Archive(tmp_path).recordings()
    for text in ("{", "[]", '{"t_utc_ns":1,"facts":[{"name":"x"}],"learning":{}}', "null"):
        with sqlite3.connect(recording.path) as connection:
            connection.execute("UPDATE meta SET value = ? WHERE key = 'learned:load-1'", (text,))
        assert Archive(tmp_path).learned() == {}


def test_nothing_is_begun_only_to_say_what_was_learned(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.put_learned("load-1", KNOWN)
        opened.flush()
    assert Archive(tmp_path).recordings() == []


def test_run_show_tells_what_was_learned_and_what_was_still_learning(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(sample(1))
        opened.journal.put_learned("load-1", KNOWN)
        opened.flush()
    summary = summarise(Archive(tmp_path), "soak-0001")
    text = summary_text(summary)
    assert "noise_voltage_v              0.0012 ± 0.0001 V  learned, from 400" in text
    assert "output_resistance_ohm        0.004 Ω  fixed" in text
    assert "level_current_a              learning, 12 of 60" in text
    assert "learning: drift (level_current_a 12 of 60)" in text
    assert summary.to_json()["learned"]["load-1"]["learning"] == {"drift": "level_current_a 12 of 60"}


@pytest.mark.parametrize(
    ("known", "says"),
    [
        (fact("noise_voltage_v", "V", 0.001, 0.0001, 12, 60), "12 of 60"),
        (fact("noise_voltage_v", "V", 0.001, 0.0001, 400, 60), "from 400"),
        (fact("thermal_time_constant_fast_s", "s", None, None, 56, 0), "from 56"),
        (fact("thermal_time_constant_slow_s", "s", None, None, 56, 15), "from 56, not settled yet"),
        (fixed("output_resistance_ohm", "Ω", 0.004), ""),
    ],
)
def test_what_it_rests_on_is_said_so_that_it_means_something(known: Learned, says: str) -> None:
    """Never "56 of 0", nor "15 of 15" of what is still being learned."""
    assert known.rests_on == says
