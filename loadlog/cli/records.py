"""Commands about what was recorded: `events`, `ack`, `export`, `store`."""

from __future__ import annotations

import getpass
import sys
from pathlib import Path
from typing import Any

import click

from loadlog.cli.common import Suggesting, config_option, json_option, parse_duration, pick, print_json, print_table
from loadlog.model.clock import NS, format_utc, parse_utc
from loadlog.model.errors import StoreError, UsageError
from loadlog.model.event import KINDS, Event


@click.command()
@click.option("--run", "run_id", help="Only of this run (id, name, or 'last').")
@click.option("--since", help="Only since an instant (2026-01-31T22:00:00Z) or this long ago (12h).")
@click.option("--kind", "kinds", multiple=True, help="Only of this kind; repeat it.")
@click.option("--device", help="Only of this device.")
@click.option("--active", is_flag=True, help="Only what is active now.")
@config_option
@json_option
def events(
    run_id: str | None, since: str | None, kinds: tuple[str, ...], device: str | None, active: bool, config_path: Path, as_json: bool
) -> int:
    """What happened, oldest first."""
    archive = _archive(config_path)
    for kind in kinds:
        pick(kind, KINDS, "event kind")
    run = archive.run(run_id).id if run_id else None
    found = archive.events(run=run, since_ns=_since(since), kinds=kinds, active=True if active else None, device=device)
    if as_json:
        for event in found:
            print_json(event.to_json())
        return 0
    print_table("", ["id", "onset (UTC)", "kind", "where", "severity", "state", "what"], map(_event_row, found), right=[0])
    if not (since or kinds or active):
        for name, known in sorted(archive.learned(run).items()):
            if known.learning and device in (None, name):
                click.echo(f"{name} is learning, and silent until then: {', '.join(sorted(known.learning))}")
    _warn_damaged(archive)
    return 0


def _event_row(event: Event) -> tuple[Any, ...]:
    begin, end = format_utc(event.onset.earliest_utc_ns)[:23], format_utc(event.onset.latest_utc_ns)[11:23]
    state = str(event.state) + (", acknowledged" if event.acknowledged else "")
    where = event.device or event.group or "service"
    return event.id, f"{begin} .. {end}", event.kind, where, str(event.severity), state, event.message


@click.command()
@click.argument("event_id", metavar="ID", type=int)
@click.option("--by", default=getpass.getuser, help="Who acknowledges; default the user's name.")
@click.option("--note", default="", help="Kept with the event.")
@config_option
@json_option
def ack(event_id: int, by: str, note: str, config_path: Path, as_json: bool) -> int:
    """Acknowledge event ID."""
    from loadlog.control.client import ControlClient
    from loadlog.loading import load_bench

    event = ControlClient(load_bench(config_path).data_dir).call("ack", id=event_id, by=by, note=note)["event"]
    if as_json:
        print_json(event)
    else:
        click.echo(f"event {event_id} ({event['kind']}) acknowledged by {by}")
    return 0


@click.command()
@click.argument("run_id", metavar="RUN")
@click.option("--format", "form", type=click.Choice(["csv"]), default="csv", show_default=True)
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="File; default standard output.")
@click.option("--device", "devices", multiple=True, help="Only this device; repeat it.")
@config_option
def export(run_id: str, form: str, output: Path | None, devices: tuple[str, ...], config_path: Path) -> int:
    """The samples of RUN as a table with units in the column names."""
    from loadlog.store.export_csv import export_csv

    archive = _archive(config_path)
    run = archive.run(run_id)
    for device in devices:
        pick(device, run.devices, f"device of run {run.id}:")
    if output is None:
        sys.stdout.reconfigure(newline="")  # type: ignore[union-attr]  # RFC 4180 ends its lines itself
        export_csv(archive, sys.stdout, run=run.id, devices=devices)
        return 0
    try:
        with output.open("w", encoding="utf-8", newline="") as file:
            export_csv(archive, file, run=run.id, devices=devices)
    except OSError as exc:
        raise StoreError(f"cannot be written: {exc.strerror}", where=str(output), hint="give another --output") from exc
    return 0


@click.group(cls=Suggesting)
def store() -> None:
    """Recordings: how large, how sound."""


@store.command()
@config_option
@json_option
def status(config_path: Path, as_json: bool) -> int:
    """Size, growth a day, days until the disk is full, and the recordings."""
    import time

    from loadlog.loading import load_bench
    from loadlog.store.status import status as store_status

    facts = store_status(load_bench(config_path).data_dir, time.time_ns())
    if as_json:
        print_json(facts)
        return 0
    rows = [
        (r.name, r.run.id if r.run else "–", f"{r.size_bytes / 1e6:.1f}", _span(r.t_first_ns, r.t_last_ns), _written(r))
        for r in facts.recordings
    ]
    print_table("", ["recording", "run", "MB", "samples from .. to (UTC)", "state"], rows, right=[2])
    growth = "unknown yet" if facts.growth_bytes_per_day is None else f"{facts.growth_bytes_per_day / 1e6:.1f} MB a day"
    full = "" if facts.days_until_full is None else f", full in {facts.days_until_full:.0f} days"
    click.echo(f"{facts.directory}: {facts.size_bytes / 1e6:.1f} MB, growth {growth}; {facts.free_bytes / 1e9:.1f} GB free{full}")
    for line in facts.damaged.values():
        click.echo(f"loadlog: damaged: {line}", err=True)
    return 0


def _span(first_ns: int | None, last_ns: int | None) -> str:
    return "no samples" if first_ns is None or last_ns is None else f"{format_utc(first_ns)[:19]} .. {format_utc(last_ns)[:19]}"


def _written(recording: Any) -> str:
    return "closed" if recording.closed_utc_ns is not None else "being written, or cut off by a crash"


@store.command()
@config_option
@json_option
def verify(config_path: Path, as_json: bool) -> int:
    """Integrity, sequence gaps and checksums of every recording; exit status 4 when one is damaged."""
    from loadlog.loading import load_bench
    from loadlog.store.verify import verify as verify_store

    result = verify_store(load_bench(config_path).data_dir)
    if as_json:
        for finding in result.findings:
            print_json(finding)
    else:
        print_table("", ["recording", "samples", "result"], [(f.name, f.rows, f.message) for f in result.findings], right=[1])
    for first, last in result.missing:
        click.echo(f"loadlog: numbers {first}..{last} are in no recording", err=True)
    return 0 if all(f.sound for f in result.findings) else StoreError.exit_status


def _archive(config_path: Path) -> Any:
    from loadlog.loading import load_bench
    from loadlog.store import Archive

    return Archive(load_bench(config_path).data_dir)


def _warn_damaged(archive: Any) -> None:
    for line in archive.damaged.values():
        click.echo(f"loadlog: left out: {line}", err=True)


def _since(text: str | None) -> int | None:
    if text is None:
        return None
    try:
        return parse_utc(text)
    except ValueError:
        pass
    try:
        import time

        return time.time_ns() - round(parse_duration(text) * NS)
    except UsageError as exc:
        raise UsageError(f"--since: {text!r} is neither an instant such as 2026-01-31T22:00:00Z nor a duration such as 12h") from exc
