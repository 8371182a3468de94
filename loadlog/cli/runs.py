"""`loadlog run start|stop|note|list|keep|show`: runs, while the service goes on."""

from __future__ import annotations

import getpass
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loadlog.cli.common import Duration, Suggesting, config_option, json_option, print_json, print_table, say, say_left_out
from loadlog.model.clock import NS, format_utc
from loadlog.model.run import RunInfo

if TYPE_CHECKING:
    from loadlog.store.progress import Progress


@click.group(cls=Suggesting)
def run() -> None:
    """Runs: one named test with a start, an end and its devices."""


@run.command()
@click.argument("name")
@click.option("--device", "devices", multiple=True, help="A device of the run; repeat it. Default: all.")
@click.option("--duration", type=Duration(), default=0.0, help="Planned duration, e.g. 12h; the run ends by itself then.")
@click.option("--keep", is_flag=True, help="Never removed by retention.")
@config_option
@json_option
def start(name: str, devices: tuple[str, ...], duration: float, keep: bool, config_path: Path, as_json: bool) -> int:
    """Start a run NAME on the given devices."""
    answer = _control(config_path).call("run_start", name=name, devices=list(devices) or None, duration_s=duration, keep=keep)
    if as_json:
        print_json(answer)
    else:
        click.echo(f"run {answer['run']} on {', '.join(answer['devices'])}")
    return 0


@run.command()
@click.argument("run_id", metavar="[RUN]", required=False)
@click.option("--reason", default="stopped by order", help="Kept with the run.")
@config_option
@json_option
def stop(run_id: str | None, reason: str, config_path: Path, as_json: bool) -> int:
    """Stop RUN, or the only one that is on."""
    answer = _control(config_path).call("run_stop", run=run_id, reason=reason)
    if as_json:
        print_json(answer)
    else:
        click.echo(f"run {answer['run']} stopped")
    return 0


@run.command()
@click.argument("text")
@click.option("--run", "run_id", help="The run; default the only one that is on.")
@click.option("--author", default=getpass.getuser, help="Who writes; default the user's name.")
@config_option
@json_option
def note(text: str, run_id: str | None, author: str, config_path: Path, as_json: bool) -> int:
    """Write TEXT into the logbook of a run, or of the time between runs when none is on."""
    client = _control(config_path)
    if run_id is None:
        runs = client.call("status")["runs"]
        run_id = runs[0]["id"] if len(runs) == 1 else None
    answer = client.call("note", text=text, run=run_id, author=author)
    if as_json:
        print_json(answer)
    else:
        click.echo(f"noted in {answer['run'] or 'the logbook between runs'}")
    return 0


@run.command(name="list")
@config_option
@json_option
def list_(config_path: Path, as_json: bool) -> int:
    """All runs, newest first; those that are on with how far they have come."""
    from loadlog.loading import load_bench
    from loadlog.store import Archive
    from loadlog.store.progress import progress

    archive = Archive(load_bench(config_path).data_dir)
    runs = sorted(archive.runs(), key=lambda r: -r.started_utc_ns)
    now_ns = time.time_ns()
    going_on = {r.id: progress(archive, r, now_ns) for r in runs if r.ended_utc_ns is None}
    say_left_out(archive.damaged.values())
    if as_json:
        for item in runs:
            print_json(run_json(item, going_on.get(item.id)))
        return 0
    rows = [
        (r.id, format_utc(r.started_utc_ns)[:19] + "Z", _lasted(r, going_on.get(r.id)), _readings(going_on.get(r.id)), ", ".join(r.devices),
         _state(r))
        for r in runs
    ]  # fmt: skip
    print_table("", ["run", "started", "lasted", "readings", "devices", "state"], rows)
    return 0


@run.command()
@click.argument("run_id", metavar="RUN")
@click.option("--off", is_flag=True, help="Take the mark away.")
@config_option
@json_option
def keep(run_id: str, off: bool, config_path: Path, as_json: bool) -> int:
    """Mark RUN, which has ended: retention never removes it."""
    from loadlog.loading import load_bench
    from loadlog.store import Archive
    from loadlog.store.retention import mark

    archive = Archive(load_bench(config_path).data_dir)
    found = archive.run(run_id)
    for recording in archive.recordings_of(found.id):
        mark(recording, not off)
    if as_json:
        print_json({"run": found.id, "keep": not off})
    else:
        click.echo(f"run {found.id} is {'no longer ' if off else ''}kept")
    return 0


@run.command()
@click.argument("run_id", metavar="RUN")
@config_option
@json_option
def show(run_id: str, config_path: Path, as_json: bool) -> int:
    """One run: devices, statistics, events, notes, and how complete its data are."""
    from loadlog.loading import load_bench
    from loadlog.review import summarise, summary_text
    from loadlog.store import Archive

    summary = summarise(Archive(load_bench(config_path).data_dir), run_id, time.time_ns())
    if as_json:
        print_json(summary.to_json())
    else:
        say(summary_text(summary))
    return 0


def run_json(item: RunInfo, going_on: Progress | None) -> dict[str, Any]:
    """A run as programs get it; ``progress`` while it is on."""
    return {
        "id": item.id,
        "name": item.name,
        "devices": list(item.devices),
        "started": format_utc(item.started_utc_ns),
        "ended": None if item.ended_utc_ns is None else format_utc(item.ended_utc_ns),
        "planned_s": item.planned_s,
        "end_reason": item.end_reason,
        "keep": item.keep,
        "progress": going_on,
    }


def _state(item: RunInfo) -> str:
    return "on" if item.ended_utc_ns is None else item.end_reason or "ended"


def _lasted(item: RunInfo, going_on: Progress | None) -> str:
    """Of what was planned, while it is on."""
    if going_on is not None:
        planned = f" of {_clock(round(item.planned_s))}" if item.planned_s else ""
        return _clock(int(going_on.elapsed_s)) + planned
    return _clock(((item.ended_utc_ns or item.started_utc_ns) - item.started_utc_ns) // NS)


def _clock(seconds: int) -> str:
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _readings(going_on: Progress | None) -> str:
    """Received, of those that the rates make."""
    if going_on is None:
        return ""
    share = "" if going_on.share is None else f" ({100 * going_on.share:.1f} %)"
    return f"{going_on.received} of {going_on.expected}{share}"


def _control(config_path: Path) -> Any:
    from loadlog.control.client import ControlClient
    from loadlog.loading import load_bench

    return ControlClient(load_bench(config_path).data_dir)
