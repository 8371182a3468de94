"""`loadlog export`: a run as a table, or as one file that opens elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loadlog.cli.common import config_option, pick, progress_bar
from loadlog.model.errors import StoreError, UsageError

if TYPE_CHECKING:
    from loadlog.store import Archive


@click.command()
@click.argument("run_id", metavar="RUN")
@click.option("--format", "form", type=click.Choice(["csv", "parquet", "archive"]), default="csv", show_default=True)
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="File; default standard output, for CSV.")
@click.option("--device", "devices", multiple=True, help="Only this device; repeat it.")
@config_option
def export(run_id: str, form: str, output: Path | None, devices: tuple[str, ...], config_path: Path) -> int:
    """RUN as a table with units in the column names (CSV, Parquet), or whole in one file (archive) for `loadlog review FILE`."""
    from loadlog.loading import load_bench
    from loadlog.store import Archive

    data_dir = load_bench(config_path).data_dir
    archive = Archive(data_dir)
    run = archive.run(run_id)
    for device in devices:
        pick(device, run.devices, f"device of run {run.id}:")
    if form == "csv":
        _csv(archive, run.id, devices, output)
        return 0
    if output is None:
        raise UsageError(f"{form} goes into a file", hint=f"give --output {run.id}.{'parquet' if form == 'parquet' else 'zip'}")
    if form == "parquet":
        from loadlog.store.export_parquet import export_parquet

        with progress_bar(f"exporting {run.id}", _samples(archive, run.id, devices or run.devices)) as advance:
            count = export_parquet(archive, output, run=run.id, devices=devices, progress=advance)
        click.echo(f"{count} samples of run {run.id} written: {output}")
        return 0
    if devices:
        raise UsageError("an archive holds the whole run", hint="leave --device out")
    from loadlog.review.archive_file import write_archive

    with progress_bar(f"archiving {run.id}", _samples(archive, run.id, run.devices)) as advance:
        members = write_archive(data_dir, run.id, output, advance)
    click.echo(f"run {run.id} with everything about it in {members} members written: {output}")
    return 0


def _csv(archive: Archive, run_id: str, devices: tuple[str, ...], output: Path | None) -> None:
    from loadlog.store.export_csv import export_csv

    if output is None:
        sys.stdout.reconfigure(newline="")  # type: ignore[union-attr]  # RFC 4180 ends its lines itself
        export_csv(archive, sys.stdout, run=run_id, devices=devices)
        return
    try:
        total = _samples(archive, run_id, devices or archive.run(run_id).devices)
        with output.open("w", encoding="utf-8", newline="") as file, progress_bar(f"exporting {run_id}", total) as advance:
            export_csv(archive, file, run=run_id, devices=devices, progress=advance)
    except OSError as exc:
        raise StoreError(f"cannot be written: {exc.strerror}", where=str(output), hint="give another --output") from exc


def _samples(archive: Archive, run_id: str, devices: Iterable[str]) -> int:
    return sum(archive.polls(name, run_id)[0] for name in devices)
