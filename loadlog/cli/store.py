"""`loadlog store`: size, integrity, live backup, retention."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from loadlog.cli.common import Suggesting, config_option, json_option, print_json, print_table, say
from loadlog.model.clock import format_utc
from loadlog.model.errors import StoreError

MANY_DAYS = 3650.0


@click.group(cls=Suggesting)
def store() -> None:
    """Recordings: how large, how sound; copies, and what may go."""


@store.command()
@config_option
@json_option
def status(config_path: Path, as_json: bool) -> int:
    """Size, growth a day, days until the disk is full, and the recordings."""
    from loadlog.loading import load_bench
    from loadlog.store.status import DAY_S
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
    most = "at most " if facts.recorded_s < DAY_S else ""  # rows that are not sealed yet take much more room than those that are
    growth = "unknown yet" if facts.growth_bytes_per_day is None else f"{most}{facts.growth_bytes_per_day / 1e6:.1f} MB a day"
    full = until_full(facts.days_until_full)
    click.echo(f"{facts.directory}: {facts.size_bytes / 1e6:.1f} MB, growth {growth}; {facts.free_bytes / 1e9:.1f} GB free{full}")
    for line in facts.damaged.values():
        say(f"loadlog: damaged: {line}", err=True)
    for line in facts.left_alone.values():
        say(f"loadlog: left alone: {line}", err=True)
    return 0


def until_full(days: float | None) -> str:
    """As the page has it: what the rate of a week says of decades is no promise."""
    return "" if days is None else ", full in more than ten years" if days > MANY_DAYS else f", full in {days:.0f} days"


def _span(first_ns: int | None, last_ns: int | None) -> str:
    return "no samples" if first_ns is None or last_ns is None else f"{format_utc(first_ns)[:19]} .. {format_utc(last_ns)[:19]}"


def _written(recording: Any) -> str:
    if recording.kind == "logbook":
        return f"notes {recording.notes}, acknowledged events {recording.acknowledged}"
    return "closed" if recording.closed_utc_ns is not None else "open: being written, or gone on with at the next start"


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


@store.command()
@click.argument("target", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option("--run", "run_id", help="Only this run (id, name, or 'last').")
@config_option
@json_option
def backup(target: Path, run_id: str | None, config_path: Path, as_json: bool) -> int:
    """Copy the recordings to DIR while they are being written; what is there and unchanged is left."""
    from loadlog.loading import load_bench
    from loadlog.store.backup import backup as backup_store

    done = backup_store(load_bench(config_path).data_dir, target, run_id)
    if as_json:
        print_json(done)
    else:
        click.echo(
            f"{done.folder}: {len(done.copied)} copied ({done.size_bytes / 1e6:.1f} MB in {done.seconds:.1f} s), {len(done.kept)} there"
        )
    for line in done.skipped.values():
        say(f"loadlog: not copied: {line}", err=True)
    return StoreError.exit_status if done.skipped else 0


@store.command()
@click.option("--dry-run", is_flag=True, help="Only say what would be removed.")
@config_option
@json_option
def prune(dry_run: bool, config_path: Path, as_json: bool) -> int:
    """Remove what [store] lets go: by age, then by size; never runs that are kept, still written, or not forwarded yet. What people wrote
    between runs stays."""
    from loadlog.loading import load_bench
    from loadlog.store import Archive
    from loadlog.store.forward_state import forwarded_up_to
    from loadlog.store.housekeeping import rules_of
    from loadlog.store.retention import prune as prune_store

    bench = load_bench(config_path)
    targets = [target.name for target in bench.config.forward]
    reached = forwarded_up_to(bench.data_dir, targets) if targets else {}
    rules = rules_of(bench.config.store, (lambda name: reached.get(name, 0)) if targets else None)
    found = prune_store(Archive(bench.data_dir).folder, time.time_ns(), rules, dry_run)
    if as_json:
        removals = [{**_entry(one), "written": one.written} for one in found.removals]
        facts = {"removals": removals, "spared": [_entry(one) for one in found.spared]}
        print_json({"removed": not dry_run, **facts, "over_bytes": found.over_bytes})
        return 0
    for removal in found.removals:
        say(
            f"{'would go' if dry_run else 'removed'}: {_names(removal.recordings)} ({removal.size_bytes / 1e6:.1f} MB): "
            + "; ".join(filter(None, (removal.why, removal.written)))
        )
    for spared in found.spared:
        say(f"stays: {_names(spared.recordings)}: {spared.why}")
    if not found.removals:
        click.echo("nothing to remove")
    if found.over_bytes:
        click.echo(f"loadlog: still {found.over_bytes / 1e6:.1f} MB more than [store] max_gib allows", err=True)
    return 0


def _names(recordings: Sequence[Any]) -> str:
    return ", ".join(recording.name for recording in recordings)


def _entry(found: Any) -> dict[str, Any]:
    return {"recordings": [r.name for r in found.recordings], "why": found.why, "size_bytes": sum(r.size_bytes for r in found.recordings)}
