"""How far a run has come: counted from what its rates make, failed polls are no readings, and nothing runs past its plan."""

from __future__ import annotations

from pathlib import Path

import pytest

from loadlog.review.summary import summarise
from loadlog.store import Archive
from loadlog.store.progress import Progress, progress
from tests.unit.store.recorded import NS, OpenJournal, failed, run_info, sample, snapshot


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """Three hundred polls of load-1 at 10 Hz, every third of which failed."""
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(planned_s=60.0), snapshot())
        opened.put(*(failed(n) if n % 3 == 0 else sample(n) for n in range(1, 301)))
        opened.flush()
    return Archive(tmp_path)


def test_failed_polls_are_no_readings(archive: Archive) -> None:
    run = archive.run("soak-0001")
    found = progress(archive, run, run.started_utc_ns + 40 * NS)
    period_s = archive.devices()["load-1"].period_s
    assert (found.received, found.expected, found.elapsed_s) == (200, round(40 / period_s), 40)


def test_nothing_is_expected_past_the_plan(archive: Archive) -> None:
    run = archive.run("soak-0001")
    assert run.planned_s
    late = progress(archive, run, run.started_utc_ns + round((run.planned_s + 999) * NS))
    assert late.elapsed_s == run.planned_s


def test_before_the_first_poll_nothing_was_due(tmp_path: Path) -> None:
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(planned_s=60.0), snapshot())
        opened.flush()
    archive = Archive(tmp_path)
    run = archive.run("soak-0001")
    early = progress(archive, run, run.started_utc_ns - NS)
    assert (early.elapsed_s, early.received, early.expected, early.share) == (0, 0, 0, None)


def test_no_more_is_received_than_was_due(tmp_path: Path) -> None:
    """Three hundred periods with a poll at both ends hold 301 polls; the review counts the same."""
    with OpenJournal(tmp_path) as opened:
        opened.journal.start_run(run_info(planned_s=60.0), snapshot())
        opened.put(*(sample(n) for n in range(1, 302)))
        opened.flush()
    archive = Archive(tmp_path)
    run = archive.run("soak-0001")
    found = progress(archive, run, run.started_utc_ns + 30 * NS)
    assert (found.received, found.expected, found.share) == (301, 301, 1.0)
    shown = summarise(archive, run.id, run.started_utc_ns + 30 * NS)
    assert [(d.polls, d.expected) for d in shown.devices if d.device == "load-1"] == [(301, 301)]
    assert shown.progress.received <= shown.progress.expected


def test_the_share_is_never_above_one() -> None:
    assert Progress(1.0, 11, 10).share == 1.0
    assert Progress(1.0, 5, 10).share == 0.5
