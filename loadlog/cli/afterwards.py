"""`loadlog review`, `loadlog replay`: what a run's recordings tell afterwards, and what stored samples say again."""

from __future__ import annotations

import time
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loadlog.cli.common import config_option, json_option, print_json, print_table, progress_bar, say
from loadlog.model.clock import format_utc
from loadlog.model.errors import StoreError, UsageError
from loadlog.model.event import Event

if TYPE_CHECKING:
    from loadlog.review.replay import Replay
    from loadlog.store import Archive


@click.command()
@click.argument("run_id", metavar="RUN")
@click.option("--html", "html_path", type=click.Path(path_type=Path, dir_okay=False), help="Write the whole report as one HTML file.")
@click.option("--pdf", "pdf_path", type=click.Path(path_type=Path, dir_okay=False), help="Write the whole report as PDF.")
@click.option(
    "--against",
    "other_id",
    metavar="RUN2",
    help="Beside another run: figures, differences, and whether they are more than the uncertainty.",
)
@config_option
@json_option
def review(
    run_id: str, html_path: Path | None, pdf_path: Path | None, other_id: str | None, config_path: Path, as_json: bool
) -> int:  # fmt: skip
    """What happened in RUN: verdict, first cause, timeline, figures; RUN may be an id, a name, ``last``, or an archive file."""
    with _recorded(run_id, config_path) as (archive, run):
        if other_id is not None:
            if html_path is not None or pdf_path is not None:
                raise UsageError("--against goes to the terminal or, with --json, to a program", hint="leave --html and --pdf out")
            with _recorded(other_id, config_path) as (other_archive, other_run):
                return _against(archive, run, other_archive, other_run, as_json)
        if html_path is None and pdf_path is None and not as_json:
            _say(archive, run)
            return 0
        return _report(archive, run, html_path, pdf_path, as_json)


def _say(archive: Archive, run_id: str) -> None:
    """At once from events and minutes; only acceptance limits need the samples, of the channels that they are about."""
    from loadlog.review import verdict_text
    from loadlog.review.judging import judged_answer

    with progress_bar(f"judging {run_id}", _polls(archive, run_id)) as advance:
        summary, said = judged_answer(archive, run_id, advance, time.time_ns())
    click.echo(verdict_text(summary, said))


@contextmanager
def _recorded(run_id: str, config_path: Path) -> Iterator[tuple[Archive, str]]:
    """A run of this bench, or the one in an archive file."""
    from loadlog.store import Archive

    if _is_file(run_id):
        from loadlog.review.archive_file import open_archive

        with open_archive(Path(run_id)) as opened:
            yield opened
        return
    from loadlog.loading import load_bench

    archive = Archive(load_bench(config_path).data_dir)
    yield archive, archive.run(run_id).id


def _is_file(run_id: str) -> bool:
    """An archive, however it was renamed: no run has a slash in its name."""
    return run_id.lower().endswith(".zip") or "/" in run_id or zipfile.is_zipfile(run_id)


def _polls(archive: Archive, run_id: str) -> int:
    """Of all devices of the run: what a progress bar counts."""
    return sum(archive.polls(name, run_id)[0] for name in archive.run(run_id).devices)


def _against(archive: Archive, run_id: str, other_archive: Archive, other_id: str, as_json: bool) -> int:
    from loadlog.review.compare import compare
    from loadlog.review.postmortem import post_mortem

    result = compare(post_mortem(archive, run_id), post_mortem(other_archive, other_id))
    if as_json:
        print_json(result.to_json())
        return 0
    for each in (result.first, result.second):
        say(f"{each.summary.run.id}: {each.verdict.sentence}")
    for run, devices in result.only_in.items():
        if devices:
            click.echo(f"only in {run}: {', '.join(devices)}")
    said = {True: "yes", False: "no", None: "not known"}
    rows = []
    for d in result.differences:
        change = "–" if d.change is None else f"{d.change:+.4g}"
        rows.append((d.device, d.channel, d.statistic.replace("_", " "), d.first.text(), d.second.text(), change, said[d.exceeds]))
    print_table("", ["device", "channel", "statistic", run_id, other_id, "change", "more than its uncertainty"], rows)
    if result.kinds:
        print_table("", ["events", run_id, other_id], [(kind, a, b) for kind, (a, b) in result.kinds.items()], right=(1, 2))
    return 0


def _report(archive: Archive, run_id: str, html_path: Path | None, pdf_path: Path | None, as_json: bool) -> int:
    from loadlog.review.postmortem import post_mortem

    with progress_bar(f"reading {run_id}", _polls(archive, run_id)) as advance:
        report = post_mortem(archive, run_id, advance, time.time_ns())
    if html_path is not None:
        from loadlog.review.html import html_report

        _write(html_path, html_report(report).encode())
    if pdf_path is not None:
        from loadlog.review.pdf import pdf_report

        _write(pdf_path, pdf_report(report))
    if as_json:
        print_json(report.to_json())
        return 0
    click.echo(report.verdict.sentence)
    for path in (p for p in (html_path, pdf_path) if p is not None):
        click.echo(f"written: {path}")
    return 0


def _write(path: Path, content: bytes) -> None:
    from loadlog.store.disk import written_whole

    try:
        with written_whole(path) as fresh:
            fresh.write_bytes(content)
    except OSError as exc:
        raise StoreError(f"cannot be written: {exc.strerror}", where=str(path), hint="give a place that takes files") from exc


@click.command()
@click.argument("run_id", metavar="RUN")
@click.option("--with", "other_path", type=click.Path(path_type=Path), help="Another configuration to judge by; default the present one.")
@click.option("--as-recorded", is_flag=True, help="Judge by the configuration recorded with the run; exit status 1 unless all is the same.")
@config_option
@json_option
def replay(run_id: str, other_path: Path | None, as_recorded: bool, config_path: Path, as_json: bool) -> int:
    """The detectors again over the stored samples of RUN, and which events come out differently. RUN may be an archive file here too."""
    from loadlog.loading import load_bench
    from loadlog.review.replay import replay_run

    if as_recorded and other_path is not None:
        raise UsageError("--as-recorded and --with exclude each other", hint="give one of them")
    judged_by = other_path or config_path
    devices = None if as_recorded else load_bench(judged_by).devices
    with _recorded(run_id, config_path) as (archive, run), progress_bar(f"replaying {run}", _polls(archive, run)) as advance:
        result = replay_run(archive, run, devices, advance)
    if as_json:
        print_json(result.to_json())
    else:
        _print(result, "as recorded" if as_recorded else f"by {judged_by}")
    return 1 if as_recorded and not result.identical else 0


def _print(result: Replay, how: str) -> None:
    said = "every event came out again, bit for bit" if result.identical else f"{result.same} events came out the same"
    click.echo(f"{result.samples} samples of run {result.run.id}, judged {how}: {said}")
    for caveat in result.caveats:
        click.echo(f"  note: {caveat}")
    rows = list(_rows(result))
    if rows:
        print_table("", ["", "kind", "where", "severity", "onset (UTC)", "says"], rows)


def _rows(result: Replay) -> Iterator[tuple[str, ...]]:
    for event in result.missing:
        yield ("no more", *_cells(event))
    for event in result.extra:
        yield ("new", *_cells(event))
    for change in result.changed:
        yield ("was", *_cells(change.recorded))
        yield (f"now ({', '.join(change.fields)})", *_cells(change.replayed))


def _cells(event: Event) -> tuple[str, ...]:
    onset = f"{format_utc(event.onset.earliest_utc_ns)[:23]} .. {format_utc(event.onset.latest_utc_ns)[11:23]}"
    return event.kind, event.device or event.group or "service", str(event.severity), onset, event.message
