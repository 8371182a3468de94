"""The post-mortem says what was recorded: verdict, first cause, honest order, escaped text, and nothing made up."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest

from loadlog.model.event import KINDS, Event, EventState, Onset, Severity
from loadlog.review.cause import OF_THE_SERVICE, WHOSE, verdict
from loadlog.review.compare import compare
from loadlog.review.html import html_report
from loadlog.review.judging import judged_answer
from loadlog.review.pdf import pdf_report
from loadlog.review.postmortem import first_answer, post_mortem
from loadlog.review.text import summary_text
from loadlog.store import Archive
from tests.unit.store.recorded import NS, SPECS, T0, OpenJournal, event, failed, run_info, sample, snapshot, spec


def happened(id_: int, kind: str, begin_s: float, end_s: float, severity: Severity = Severity.ALARM, **changes: object) -> Event:
    onset = Onset(T0 + round(begin_s * NS), T0 + round(end_s * NS))
    made = event(id_, id_, kind=kind, key="", severity=severity, onset=onset, confidence=1.0, alternatives={})
    return dataclasses.replace(made, **changes)  # type: ignore[arg-type]


def say(*events: Event, seen: float | None = 1.0, ended: bool = True, length_s: float = 43_200.0) -> tuple[str, str]:
    said = verdict(events, started_utc_ns=T0, ended=ended, seen=seen, length_s=length_s)
    return said.word, said.sentence


def test_the_first_cause_is_named_with_whose_doing_it_was() -> None:
    word, sentence = say(happened(1, "supply_trip", 3600.0, 3600.1), happened(2, "limit", 3700.0, 3700.1, Severity.WARNING))
    assert word == "did not hold"
    assert sentence.startswith("Did not hold: first supply_trip on load-1, after 1 h 00 min")
    assert "the supply" in sentence
    assert "; 1 more warning or alarm followed" in sentence


def test_what_overlaps_is_not_ordered() -> None:
    _, sentence = say(happened(1, "limit", 10.0, 10.5, Severity.WARNING), happened(2, "sense_fallback", 10.2, 10.6))
    assert "first sense_fallback" in sentence  # the alarm goes before the warning, but no order is claimed
    assert "not ordered against it: limit" in sentence
    assert "followed" not in sentence


def test_what_was_withdrawn_is_not_the_first_cause() -> None:
    """An alarm that turned out to be a hand on the controls, told for itself; one that turned out to be no event of its own stays."""
    alarm = happened(1, "open_circuit", 10.0, 10.5, evidence={"revised_to": "setpoint_changed"})
    hand = happened(2, "setpoint_changed", 10.0, 12.0, Severity.WARNING)
    _, sentence = say(alarm, hand)
    assert "first setpoint_changed" in sentence
    assert "open_circuit" not in sentence
    assert say(happened(1, "sense_fallback", 10.0, 10.5, evidence={"revised_to": "supply_droop"}))[0] == "did not hold"


def test_what_a_source_does_to_all_that_hang_on_it_is_told_once() -> None:
    """The others name the load at which it was seen first; later and elsewhere the same kind is another matter."""
    first = happened(1, "supply_trip", 10.0, 10.1)
    second = happened(2, "supply_trip", 10.05, 10.15, device="load-2", evidence={"same_cause_as": "load-1"})
    elsewhere = happened(3, "supply_trip", 10.05, 10.15, device="load-3", evidence={"same_cause_as": "load-9"})
    later = happened(4, "supply_trip", 900.0, 900.1, device="load-2", evidence={"same_cause_as": "load-1"})
    for order in ((first, second), (second, first)):
        _, sentence = say(*order)
        assert "first supply_trip on load-1, load-2, after 10.1 s" in sentence
        assert "not ordered" not in sentence
        assert "followed" not in sentence
    assert "not ordered against it: supply_trip" in say(first, elsewhere)[1]
    assert "; 1 more warning or alarm followed" in say(first, second, later)[1]


def test_events_of_the_service_do_not_make_a_run_fail() -> None:
    about = [happened(1, "clock_step", 1.0, 1.0, Severity.WARNING), happened(2, "store_trouble", 2.0, 3.0)]
    assert say(*about)[0] == "held"


def test_a_battery_that_reaches_its_end_has_not_failed() -> None:
    assert say(happened(1, "cutoff_reached", 10.0, 10.5, Severity.WARNING))[0] == "held"


def test_every_kind_is_the_bench_s_or_the_service_s() -> None:
    """A kind that stands in neither table would be told and yet count for no verdict."""
    assert set(WHOSE).isdisjoint(OF_THE_SERVICE)
    assert set(WHOSE) | OF_THE_SERVICE == KINDS.keys()


def test_a_momentary_event_has_no_end_of_its_own_in_any_report(tmp_path: Path) -> None:
    at = T0 + 12 * NS
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(*(sample(n) for n in range(1, 300)))
        told = happened(1, "sense_restored", 11.9, 12.0, Severity.INFO, state=EventState.CLEARED, detected_utc_ns=at, cleared_utc_ns=at)
        opened.journal.put_events([dataclasses.replace(told, seq=300)])
        opened.journal.stop_run("soak-0001", T0 + 30 * NS, "done")
        opened.flush()
    report = post_mortem(Archive(tmp_path), "last")
    (shown,) = (line for line in summary_text(report.summary).splitlines() if "sense_restored" in line)
    assert shown.split()[-1] == "load-1"
    (row,) = (part for part in html_report(report).split("<tr>") if "sense_restored<br>" in part)
    assert row.count("07:00:12.000") == 1, "its onset alone"


def test_one_doubt_is_one() -> None:
    one = happened(1, "reading_frozen", 1.0, 2.0, Severity.WARNING)
    assert "; 1 doubt about the readings." in say(one)[1]
    assert "; 2 doubts about the readings." in say(one, happened(2, "communication_lost", 3.0, 4.0))[1]


@pytest.mark.parametrize(
    ("seen", "word"), [(0.5, "cannot be judged"), (0.0, "cannot be judged"), (None, "cannot be judged"), (0.97, "held")]
)
def test_too_little_seen_is_not_held(seen: float | None, word: str) -> None:
    assert say(seen=seen)[0] == word


def test_a_run_that_goes_on_has_not_held_yet() -> None:
    assert say(ended=False)[0] == "going on"


def test_nothing_recorded_becomes_markup(archive: Archive) -> None:
    page = html_report(post_mortem(archive, "last"))
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page
    assert "\u2028" not in page.split('id="data"')[1].split("</script>")[0]
    for outside in ('src="', 'href="', "@import", "url("):
        assert outside not in page


def test_the_curves_around_an_event_hold_every_sample(archive: Archive) -> None:
    (window,) = post_mortem(archive, "last").windows
    (curve,) = [c for c in window.curves if c.channel == "voltage_v"]
    stored = list(archive.samples("load-1", window.from_utc_ns, window.to_utc_ns, "soak-0001"))
    assert [round(t * NS) // 1000 for t in curve.t_s] == [s.stamp.t_utc_ns // 1000 for s in stored]
    assert list(curve.mean) == [None if s.failure else s.values["voltage_v"] for s in stored]


def test_normal_is_what_was_before_the_first_trouble(archive: Archive) -> None:
    report = post_mortem(archive, "last")
    before = [s for s in archive.samples("load-1", run="soak-0001") if s.stamp.t_utc_ns < report.normal_until_utc_ns]
    good = [s.values["voltage_v"] for s in before if s.good("voltage_v") is not None]
    mean, _, n = report.devices[0].normal["voltage_v"]
    assert n == len(good)
    assert mean == pytest.approx(sum(v for v in good if v is not None) / n, abs=1e-9)


def test_the_quick_and_the_full_answer_agree_and_json_is_json(archive: Archive) -> None:
    report = post_mortem(archive, "last")
    assert first_answer(archive, "last")[1] == report.verdict
    told = json.loads(json.dumps(report.to_json(), allow_nan=False))
    assert told["verdict"]["first"] == [1]
    assert told["figures"]["load-1"]


def test_pdf_takes_any_text(archive: Archive) -> None:
    pdf = pdf_report(post_mortem(archive, "last"))
    assert pdf.startswith(b"%PDF-")
    assert pdf.rstrip().endswith(b"%%EOF")


@pytest.mark.parametrize("samples", [0, 1])
def test_runs_with_hardly_anything_in_them(tmp_path: Path, samples: int) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), snapshot())
        opened.put(*(failed(n + 1) for n in range(samples)))
        opened.journal.stop_run("soak-0001", T0 + 30 * NS, "stopped")
        opened.flush()
    report = post_mortem(Archive(tmp_path), "soak-0001")
    assert report.verdict.word == "cannot be judged"
    assert html_report(report)
    assert pdf_report(report).startswith(b"%PDF-")
    json.dumps(report.to_json(), allow_nan=False)


def test_two_runs_side_by_side(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        for number, offset in ((1, 0), (2, 100)):
            opened.journal.start_run(run_info(f"soak-000{number}"), snapshot())
            first = 1000 * number
            opened.put(*(sample(first + n, counts={"voltage_v": 24_000 + n % 3 + offset, "current_a": 50_000 + n % 2}) for n in range(200)))
            opened.journal.stop_run(f"soak-000{number}", T0 + (first + 300) * NS // 10, "done")
        opened.flush()
    archive = Archive(tmp_path)
    result = compare(post_mortem(archive, "soak-0001"), post_mortem(archive, "soak-0002"))
    found = {(d.channel, d.statistic): d for d in result.differences}
    voltage, current = found["voltage_v", "mean"], found["current_a", "mean"]
    assert voltage.change == pytest.approx(0.1)
    assert voltage.exceeds is True  # 0.1 V against 0.05 % + 5 mV at 24 V: twice 9.8 mV times the root of two
    assert current.change == pytest.approx(0.0, abs=1e-9)
    assert current.exceeds is False
    json.dumps(result.to_json(), allow_nan=False)


@pytest.mark.parametrize(
    ("low", "high", "word", "begins"),
    [(23.9, 24.1, "held", "Pass: "), (24.2, None, "did not hold", "Fail: "), (24.001, 24.5, "cannot be judged", "Cannot be decided: ")],
)
def test_acceptance_limits_of_the_recorded_plan_decide(tmp_path: Path, low: float, high: float | None, word: str, begins: str) -> None:
    """24.000 .. 24.006 V with 0.05 % + 5 mV: u = 9.8 mV, so 24.001 V is too near to say (JCGM 106, guard band 2 u)."""
    limit = f"low = {low}" + ("" if high is None else f", high = {high}")
    plan = f'accept = [{{ device = "load-1", channel = "voltage", statistic = "mean", {limit} }}]'
    config = f"[[plan]]\nname = 'soak'\ndevices = ['load-1']\n{plan}\n"
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), dataclasses.replace(snapshot(), config=config))
        opened.put(*(sample(n) for n in range(300)))
        opened.journal.stop_run("soak-0001", T0 + 30 * NS, "planned duration reached")
        opened.flush()
    report = post_mortem(Archive(tmp_path), "soak-0001")
    assert report.verdict.word == word, report.verdict.sentence
    assert report.verdict.sentence.startswith(begins)
    assert "Acceptance limits" in html_report(report)
    assert judged_answer(Archive(tmp_path), "soak-0001")[1] == report.verdict
    assert report.to_json()["acceptance"]["limits"]


def test_a_plan_that_is_changed_while_the_run_is_on_changes_no_verdict(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The device is described anew as well, so the run goes on in a second part, with the later configuration."""
    asked = (
        "[[plan]]\nname = 'soak'\ndevices = ['load-1']\naccept = [{ device = 'load-1', channel = 'voltage', statistic = 'mean', low = %s }]"
    )
    first, later = (dataclasses.replace(snapshot(), config=asked % low) for low in (23.0, 24.5))
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(), first)
        opened.put(*(sample(n) for n in range(200)))
    monkeypatch.setattr("tests.unit.store.recorded.snapshot", lambda specs: later)
    wider = {**SPECS, "load-1": spec("load-1", extra=1)}
    with OpenJournal(tmp_path, specs=wider) as opened:
        opened.put(*(sample(n, device_spec=wider["load-1"]) for n in range(200, 400)))
        opened.journal.stop_run("soak-0001", T0 + 40 * NS, "planned duration reached")
        opened.flush()
    archive = Archive(tmp_path)
    assert len(archive.recordings_of("soak-0001")) == 2
    report = post_mortem(archive, "soak-0001")
    assert report.to_json()["acceptance"]["limits"][0]["low"] == 23.0
    assert judged_answer(archive, "soak-0001")[1] == report.verdict


def test_devices_that_share_a_source_are_compared_at_whatever_rates_they_are_polled(tmp_path: Path) -> None:
    """4 A and 6 A from one source: shares of 40 % and 60 %."""
    specs = {
        name: dataclasses.replace(SPECS[name], group="stack-a", period_s=period_s) for name, period_s in (("load-1", 0.1), ("load-2", 1.0))
    }
    with OpenJournal(tmp_path, specs=specs) as opened:
        opened.journal.start_run(run_info(devices=("load-1", "load-2")), snapshot(specs))
        for n in range(1, 1200):
            device, amperes = ("load-2", 6.0) if n % 10 == 0 else ("load-1", 4.0)
            counts = {"voltage_v": 24_000, "current_a": round(amperes * 10_000), "input_on": 1}
            opened.journal.put_sample(sample(n, device, counts=counts))
        opened.journal.stop_run("soak-0001", T0 + 120 * NS, "done")
        opened.flush()
    report = post_mortem(Archive(tmp_path), "soak-0001")
    shares = {g.device: g.figure.value for g in report.groups}
    assert shares["load-1"] == pytest.approx(40.0, abs=0.01)
    assert shares["load-2"] == pytest.approx(60.0, abs=0.01)
    assert "Groups: devices that share one source" in html_report(report)
    assert pdf_report(report).startswith(b"%PDF-")
    json.dumps(report.to_json(), allow_nan=False)
