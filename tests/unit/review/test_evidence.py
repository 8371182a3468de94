"""Evidence in words: units, uncertainties, the pieces that matter first, nothing raw."""

from __future__ import annotations

from pathlib import Path

from loadlog.review import first_answer, verdict_text
from loadlog.review.evidence import brief, whole
from loadlog.store import Archive
from tests.unit.store.recorded import NS, T0, OpenJournal, event, run_info, sample, snapshot

FALLBACK = {
    "mode": "cc", "samples": 2, "current_a": 4.0, "step_v": -0.0489331, "step_uncertainty_v": 0.000552, "expected_step_v": -0.048,
    "slope_v_per_s": 0.25, "suspected": False, "group_step_v": {"load-2": 0.00025}, "restored_step_v": 0.0486,
}  # fmt: skip


def test_what_was_measured_and_expected_comes_first_with_units() -> None:
    told = event(1, 10, kind="sense_fallback", evidence=FALLBACK)
    assert brief(told) == ["step -0.048933 V ± 0.00055 V", "expected step -0.048 V", "current 4 A"]


def test_the_whole_of_it_leaves_nothing_measured_out() -> None:
    said = "; ".join(whole(event(1, 10, kind="sense_fallback", evidence=FALLBACK)))
    for piece in ("mode cc", "slope 0.25 V/s", "restored step 0.0486 V", "group step: load-2 0.00025 V"):
        assert piece in said
    assert "_" not in said
    assert "{" not in said


def test_a_value_without_a_unit_of_its_own_has_the_event_s() -> None:
    told = event(1, 10, evidence={"channel": "voltage_v", "limit": 23.0, "value": 22.9, "unit": "V"})
    assert brief(told) == ["limit 23 V", "value 22.9 V", "channel voltage_v"]


def test_before_and_after_go_together() -> None:
    told = event(1, 10, evidence={"form": "dropout", "returns": 1, "voltage_before_v": 23.87, "voltage_v": 0.001, "current_a": 0.0})
    assert brief(told) == ["voltage before 23.87 V", "voltage 0.001 V", "current 0 A"]


def test_the_terminal_shows_three_pieces_and_not_hundreds_of_events(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(*(sample(n) for n in range(1, 300)))
        opened.journal.put_events([event(n, 300 + n, kind="supply_trip", key=str(n), evidence=FALLBACK) for n in range(1, 101)])
        opened.journal.stop_run("soak-0001", T0 + 30 * NS, "done")
        opened.flush()
    summary, said = first_answer(Archive(tmp_path), "last")
    text = verdict_text(summary, said)
    evidence = [line for line in text.splitlines() if line.startswith("    evidence: ")]
    assert evidence
    assert all(line == "    evidence: step -0.048933 V ± 0.00055 V, expected step -0.048 V, current 4 A" for line in evidence)
    assert "and 75 more: loadlog events --run soak-0001" in text
    assert len(text.splitlines()) < 90
