"""`loadlog export`: a run as a table, or as one file that opens elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loadlog.cli.common import config_option, json_option, pick, print_json, progress_bar
from loadlog.model.errors import StoreError, UsageError

if TYPE_CHECKING:
    from loadlog.store import Archive


@click.command()
@click.argument("run_id", metavar="RUN")
@click.option("--format", "form", type=click.Choice(["csv", "parquet", "archive"]), default="csv", show_default=True)
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="File; default standard output, for CSV.")
@click.option("--device", "devices", multiple=True, help="Only this device; repeat it.")
@config_option
@json_option
def export(run_id: str, form: str, output: Path | None, devices: tuple[str, ...], config_path: Path, as_json: bool) -> int:
    """RUN as a table with units in the column names (CSV, Parquet), or whole in one file (archive) for `loadlog review FILE`."""
    from loadlog.loading import load_bench
    from loadlog.store import Archive

    data_dir = load_bench(config_path).data_dir
    archive = Archive(data_dir)
    run = archive.run(run_id)
    devices = tuple(dict.fromkeys(devices))
    for device in devices:
        pick(device, run.devices, f"device of run {run.id}:")
    if output is None and (form != "csv" or as_json):
        suffix = {"parquet": "parquet", "archive": "zip"}.get(form, "csv")
        raise UsageError(f"{form} goes into a file{' with --json' if form == 'csv' else ''}", hint=f"give --output {run.id}.{suffix}")
    if form == "archive" and devices:
        raise UsageError("an archive holds the whole run", hint="leave --device out")
    if output is None:
        _print_csv(archive, run.id, devices)
        return 0
    total = sum(archive.polls(name, run.id)[0] for name in devices or run.devices)
    with progress_bar(f"exporting {run.id}", total) as advance:
        what, count = _write(archive, data_dir, run.id, form, output, devices, advance)
    if as_json:
        print_json({"run": run.id, "format": form, "output": output, what: count})
    else:
        click.echo(f"run {run.id}, {count} {what}, written: {output}")
    return 0


def _print_csv(archive: Archive, run_id: str, devices: tuple[str, ...]) -> None:
    from loadlog.store.export_csv import export_csv

    sys.stdout.reconfigure(newline="")  # type: ignore[union-attr]  # RFC 4180 ends its lines itself
    export_csv(archive, sys.stdout, run=run_id, devices=devices)


def _write(
    archive: Archive, data_dir: Path, run_id: str, form: str, output: Path, devices: tuple[str, ...], advance: Callable[[int], None]
) -> tuple[str, int]:  # fmt: skip
    """What the file holds, and how many of it."""
    if form == "archive":
        from loadlog.review.archive_file import write_archive

        return "members", write_archive(data_dir, run_id, output, advance)
    if form == "parquet":
        from loadlog.store.export_parquet import export_parquet

        return "samples", export_parquet(archive, output, run=run_id, devices=devices, progress=advance)
    from loadlog.store.disk import written_whole
    from loadlog.store.export_csv import export_csv

    try:
        with written_whole(output) as fresh, fresh.open("w", encoding="utf-8", newline="") as file:
            return "samples", export_csv(archive, file, run=run_id, devices=devices, progress=advance)
    except OSError as exc:
        raise StoreError(f"cannot be written: {exc.strerror}", where=str(output), hint="give another --output") from exc
