"""Notices and digests as text: what stands in them, and what foreign texts cannot do to them."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from loadlog.model.clock import NS
from loadlog.model.duration import duration_words
from loadlog.model.event import KINDS, EventState, Severity
from loadlog.model.run import RunInfo
from loadlog.notify.advice import ADVICE
from loadlog.notify.desk import Draft, Entry
from loadlog.notify.digest import Day, digest
from loadlog.notify.news import of_event
from loadlog.notify.text import SUBJECT_LENGTH, Letterhead, notice
from loadlog.notify.watch import TROUBLES
from tests.unit.notify.test_desk import T0, news
from tests.unit.store.recorded import event

ROOT = Path(__file__).parents[3]
HEAD = Letterhead("north-wall", ZoneInfo("Europe/Berlin"), "http://bench.example:8437/")


def draft(*entries: Entry, **more: Any) -> Draft:
    return Draft(tuple(entries), **more)


def entry(id_: str = "1", **more: Any) -> Entry:
    return Entry(news(id_, **more), T0)


def test_a_notice_says_what_where_since_when_how_sure_what_it_means_and_where_to_look() -> None:
    found = event(
        17, 5, kind="sense_fallback", group="stack-a", run="soak-0007", message="load-1: sense fallback, voltage stepped by -0.061 V",
        confidence=0.98, alternatives={"supply_droop": 0.02},
    )  # fmt: skip
    text = notice(draft(Entry(of_event(found), T0)), HEAD)
    assert text.subject == "ALARM: load-1 sense fallback (north-wall)"
    assert text.severity == "failure"
    for part in (
        "ALARM load-1 (group stack-a): sense fallback – active",
        "voltage stepped by -0.061 V",
        KINDS["sense_fallback"],
        "since 2027-01-15 08:00:00 CET",
        "first: voltage and power are now those at the load",
        "probability 0.98, else supply droop 0.02",
        "run soak-0007",
        "Look: http://bench.example:8437/; loadlog run show soak-0007",
        "Not a safety device.",
    ):
        assert part in text.body


@pytest.mark.parametrize("kind", [*KINDS, *TROUBLES])
def test_every_kind_says_what_to_do_first_on_one_line(kind: str) -> None:
    told = notice(draft(entry(kind=kind)), HEAD).body
    assert f"\n  first: {ADVICE[kind]}\n" in told
    assert "first:" not in notice(draft(entry(kind=kind, acknowledged_by="Ida")), HEAD).body, "somebody is at it"
    assert "first:" not in notice(draft(Entry(news(1, 0.0, 9.0, kind=kind), T0, ending=True)), HEAD).body


def test_the_notice_in_the_guide_is_one_that_is_sent() -> None:
    (shown,) = (block for block in (ROOT / "README.md").read_text(encoding="utf-8").split("```") if "sense fallback – active" in block)
    lines = shown.removeprefix("text\n").splitlines()
    message = next(line for line in lines if "stepped" in line).strip()
    found = event(
        17, 5, kind="sense_fallback", group="stack-a", run="soak-0007", message=message, alternatives={"supply_droop": 0.02}
    )  # fmt: skip
    sent = notice(draft(Entry(of_event(found), T0)), HEAD).body.splitlines()
    assert [line for line in lines if "since" not in line] == [line for line in sent[: len(lines)] if "since" not in line]


def test_the_end_of_an_alarm_says_how_long_it_lasted() -> None:
    over = news(1, 0.0, 720.0, kind="communication_lost")
    text = notice(draft(Entry(over, T0, ending=True)), HEAD)
    assert text.subject == "cleared: load-1 communication lost (north-wall)"
    assert "CLEARED load-1: communication lost – cleared after 12 min" in text.body
    assert "until 2027-01-15 09:12:00 CET" in text.body
    assert text.severity == "success"


def test_an_onset_that_is_not_known_well_is_told_as_an_interval() -> None:
    found = of_event(event(2, 600))
    assert "since 2027-01-15 08:01:00 CET\n" in notice(draft(Entry(found, T0)), HEAD).body
    wide = dataclasses.replace(found, since_ns=found.since_latest_ns - 60 * NS)
    assert "since between 2027-01-15 08:00:00 CET and 2027-01-15 08:01:00 CET\n" in notice(draft(Entry(wide, T0)), HEAD).body


def test_many_events_are_listed_up_to_ten_and_the_rest_is_counted() -> None:
    entries = [entry(str(i), device=f"load-{i}") for i in range(14)]
    text = notice(draft(*entries, counts={("alarm", "limit", "load-1"): 200, ("warning", "drift", "load-2"): 3}), HEAD)
    assert text.subject == "214 ALARMS: load-0 limit, 216 more (north-wall)"
    assert text.body.count("ALARM load-") == 10
    assert "and 207 more:\n  200 × alarm limit load-1\n" in text.body


def test_the_same_thing_again_is_one_entry_with_a_count() -> None:
    text = notice(draft(Entry(news(1, 0.0, 3.0), T0, count=37)), HEAD)
    assert text.subject == "37 ALARMS: load-1 limit ×37 (north-wall)"
    assert "limit, 37 times, the last one: – cleared after 3 s" in text.body


def test_the_subject_begins_with_the_worst_and_counts_its_kind() -> None:
    warning, over = entry("2", severity=Severity.WARNING), Entry(news("3", 0.0, 9.0), T0, ending=True)
    assert notice(draft(entry(), warning, over), HEAD).subject == "ALARM: load-1 limit, 2 more (north-wall)"
    assert notice(draft(warning, over), HEAD).subject == "WARNING: load-1 limit, 1 more (north-wall)"
    assert notice(draft(over, over), HEAD).subject == "2 cleared: load-1 limit, 1 more (north-wall)"


@pytest.mark.parametrize(
    "foreign",
    ["x\r\nBcc: all@lab.example\r\n\r\n<script>alert(1)</script>", "\x1b[2J\x07boo\x00", "a\u2028b\u202ec\u0085d", "<b>&amp;\n.\nQUIT"],
)
def test_texts_of_instruments_stay_one_line_of_printable_characters(foreign: str) -> None:
    text = notice(draft(entry(message=foreign, device=foreign, run=foreign, kind=foreign, acknowledged_by=foreign)), HEAD)
    assert "\n" not in text.subject
    assert all(c.isprintable() for c in text.subject)
    lines = text.body.split("\n")
    assert all(c.isprintable() for line in lines for c in line)
    plain = notice(draft(entry(run="r", acknowledged_by="x")), HEAD).body.split("\n")
    assert len(lines) == len(plain)
    assert len(text.subject) <= SUBJECT_LENGTH


def test_a_text_of_any_length_gives_a_subject_for_a_telephone_and_a_bounded_body() -> None:
    entries = [entry(str(i), device="d" * 500, message="m" * 10_000) for i in range(10)]
    text = notice(draft(*entries, counts={("alarm", "k" * 500, str(i)): 1 for i in range(100)}), HEAD)
    assert len(text.subject) <= SUBJECT_LENGTH
    assert text.subject.endswith("…, 109 more (north-wall)")
    assert len(text.body) < 30_000


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0 s"), (99, "99 s"), (720, "12 min"), (3600 * 5 + 1200, "5 h 20 min"), (7200, "2 h"), (273_600, "3 d 4 h")]
)
def test_durations_for_people(seconds: float, text: str) -> None:
    assert duration_words(seconds) == text


STATUS = {"devices": ["load-1", "case"]}
DAY = {"since_ns": T0, "now_ns": T0 + 86_400 * NS, "status": STATUS}


def test_a_quiet_day_is_all_well() -> None:
    text = digest(Day(events=[], runs=[RunInfo("soak-0001", "soak", ("load-1",), T0)], **DAY), HEAD)
    assert text.subject == "all well for 24 h (north-wall)"
    assert "All well." in text.body
    assert "The recorder polls 2 devices." in text.body
    assert "soak-0001 is on since 2027-01-15 09:00:00 CET" in text.body
    assert text.severity == "info"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"status": None}, "the recorder does not answer: nothing is recorded; first: check the logger's power"),
        ({"events": [event(1, 5)]}, "1 × alarm limit load-1"),
        ({"events": [event(1, 5, state=EventState.CLEARED, severity=Severity.WARNING)]}, "1 × warning limit load-1"),
        ({"troubles": ["no notices reach phone: nobody listens there"]}, "no notices reach phone"),
    ],
)
def test_a_day_that_was_not_well_is_not_called_so(changes: dict[str, Any], said: str) -> None:
    text = digest(Day(**{"events": [], "runs": [], **DAY, **changes}), HEAD)
    assert "all well" not in text.subject
    assert "All well" not in text.body
    assert said in text.body
    assert text.severity == "warning"


def test_mere_information_is_listed_and_is_well() -> None:
    text = digest(Day(events=[event(1, 5, kind="sense_restored", severity=Severity.INFO, state=EventState.CLEARED)], runs=[], **DAY), HEAD)
    assert "All well." in text.body
    assert "1 × info sense restored load-1" in text.body


def test_what_was_withdrawn_says_what_it_was() -> None:
    over = event(3, 6, kind="open_circuit", state=EventState.CLEARED, cleared_utc_ns=T0 + 9 * NS, evidence={"revised_to": "supply_trip"})
    text = notice(draft(Entry(of_event(over), T0, ending=True)), HEAD)
    assert text.subject == "withdrawn: load-1 open circuit (north-wall)"
    assert "WITHDRAWN load-1: open circuit – is told as supply trip now" in text.body
    droop = dataclasses.replace(over, kind="sense_fallback", evidence={"revised_to": "supply_droop"})
    assert "sense fallback – it was: supply droop" in notice(draft(Entry(of_event(droop), T0, ending=True)), HEAD).body
    joined = dataclasses.replace(over, kind="sense_fallback", evidence={"joined_in": "sense_intermittent"})
    assert "sense fallback – is told as sense intermittent now" in notice(draft(Entry(of_event(joined), T0, ending=True)), HEAD).body


def test_all_that_hang_on_a_source_are_named_in_its_line() -> None:
    found = of_event(event(4, 7, kind="supply_trip"))
    assert "ALARM load-1, load-2, load-3: supply trip – active" in notice(draft(Entry(found, T0, also=("load-2", "load-3"))), HEAD).body
