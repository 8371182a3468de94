"""Commands about events: `events`, `ack`."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Any

import click

from loadlog.cli.common import config_option, json_option, pick, print_json, print_table, say_left_out
from loadlog.model.clock import NS, format_utc, parse_utc
from loadlog.model.duration import parse_duration
from loadlog.model.errors import UsageError
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
    say_left_out(archive.damaged.values())
    if as_json:
        for event in found:
            print_json(event.to_json())
        return 0
    print_table("", ["id", "onset (UTC)", "kind", "where", "severity", "state", "what"], map(_event_row, found), right=[0])
    if not (since or kinds or active):
        for name, known in sorted(archive.learned(run).items()):
            if known.learning and device in (None, name):
                click.echo(f"{name} is learning, and silent until then: {', '.join(sorted(known.learning))}")
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


def _archive(config_path: Path) -> Any:
    from loadlog.loading import load_bench
    from loadlog.store import Archive

    return Archive(load_bench(config_path).data_dir)


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
