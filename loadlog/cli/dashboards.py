"""`loadlog dashboards`: Grafana dashboards, alert rules and provisioning files, for every bench of a database or for this one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from loadlog.cli.common import Suggesting, config_option, json_option, pick, print_json


@click.group(cls=Suggesting)
def dashboards() -> None:
    """Grafana: dashboards, data sources and alert rules as files."""


@dashboards.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--bench", "only_this", is_flag=True, help="For the bench of the configuration: its names, limits and database.")
@click.option("--target", default="", help="With --bench: which [[forward]] the database is; the first when not given.")
@config_option
@json_option
def write(folder: Path, only_this: bool, target: str, config_path: Path, as_json: bool) -> int:
    """Write them below FOLDER, over files of the same name."""
    from loadlog.grafana import EVERY_BENCH, all_files
    from loadlog.grafana import write as write_files
    from loadlog.model.errors import UsageError

    if target and not only_this:
        raise UsageError("--target is for --bench: without it no configuration is read")
    files = all_files(*_of_bench(config_path, target)) if only_this else all_files(EVERY_BENCH)
    write_files(folder, files)
    if as_json:
        print_json({"folder": str(folder), "files": sorted(files)})
        return 0
    for name in sorted(files):
        click.echo(folder / name)
    click.echo("copy them to where Grafana looks: the first lines of each file in datasources/ and provisioning/ say where")
    return 0


def _of_bench(config_path: Path, target: str) -> tuple[Any, Any]:
    """What the dashboards of the configured bench are made from."""
    from loadlog.grafana import Scope
    from loadlog.grafana.provisioning import Server
    from loadlog.loading import load_bench
    from loadlog.model.errors import ConfigError

    bench = load_bench(config_path)
    targets = {config.name: config for config in bench.config.forward}
    if not targets:
        hint = "configure where the samples go, or leave --bench out"
        raise ConfigError("no [[forward]] target: there is no database to show", where=str(config_path), hint=hint)
    chosen = targets[pick(target, targets, "forwarding target")] if target else next(iter(targets.values()))
    devices = tuple(bench.devices.values())
    slowest_s = max(device.period_s for device in devices) * chosen.every
    scope = Scope(bench.config.bench.name, devices, chosen.interval_s, slowest_s, chosen.heartbeat_s)
    return scope, Server(chosen.url, chosen.database or chosen.bucket, chosen.username)
