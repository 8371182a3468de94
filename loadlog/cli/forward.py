"""`loadlog forward`: how far each time-series database has come, and sending again what one refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from loadlog.cli.common import Suggesting, config_option, json_option, pick, print_json, print_table, say


@click.group(cls=Suggesting)
def forward() -> None:
    """Time-series databases: how far each has come, what it refused."""


@forward.command()
@config_option
@json_option
def status(config_path: Path, as_json: bool) -> int:
    """Per target: last acknowledged, backlog, lines set aside with the reason. Exit status 1 when nothing gets through to one."""
    from loadlog.loading import load_bench

    bench = load_bench(config_path)
    targets = _targets(bench)
    if as_json:
        for target in targets:
            print_json(target)
    elif not targets:
        click.echo("no target is configured: see [[forward]] in the sample configuration")
    else:
        columns = ["target", "state", "acknowledged up to (UTC)", "lines", "backlog", "lines/s", "done in", "set aside"]
        print_table("", columns, map(_row, targets), right=[3, 4, 5, 6, 7])
        _print_details(targets)
    return 1 if any(target["state"] in ("waiting", "refused", "stopped") for target in targets) else 0


def _targets(bench: Any) -> list[dict[str, Any]]:
    """What the viewer says, or while it is off what it wrote down; with the lines that were set aside."""
    from loadlog.control.address import VIEWER_SOCKET
    from loadlog.control.client import ControlClient
    from loadlog.model.errors import LoadlogError
    from loadlog.store.forward_state import read_forward

    names = [config.name for config in bench.config.forward]
    try:
        live = {one["name"]: one for one in ControlClient(bench.data_dir, 3.0, VIEWER_SOCKET).call("forward_status")["targets"]}
    except LoadlogError:
        live = {}
    out = []
    for config, (name, seen) in zip(bench.config.forward, read_forward(bench.data_dir, names).items(), strict=True):
        facts = live.get(name) or _facts_off(bench, config, seen)
        reasons: dict[str, dict[str, Any]] = {}
        for one in seen.aside:
            reasons.setdefault(one.reason, {"reason": one.reason, "lines": []})["lines"].append(one.line)
        out.append({**facts, "viewer": name in live, "refused_lines": list(reasons.values())})
    return out


def _facts_off(bench: Any, config: Any, seen: Any) -> dict[str, Any]:
    """The target as it stands while no viewer forwards."""
    import time

    from loadlog.forwarder.backlog import waiting_samples
    from loadlog.forwarder.facts import State, TargetFacts, backlog_age_s
    from loadlog.store import Archive
    from loadlog.store.forward_state import SAMPLES

    position = seen.position
    waiting = waiting_samples(Archive(bench.data_dir).recordings(), position.places[SAMPLES])
    age_s = backlog_age_s(position.newest_utc_ns, waiting, time.time_ns())
    detail = "no viewer is running: start it with loadlog serve"
    return TargetFacts(
        config.name, config.kind, config.url, State.STOPPED, detail, waiting, age_s,
        seen.aside_count, position.lines, acknowledged_utc_ns=position.acknowledged_utc_ns, newest_utc_ns=position.newest_utc_ns,
    ).to_json()  # fmt: skip


def _row(target: dict[str, Any]) -> tuple[Any, ...]:
    remaining = target["remaining_s"]
    return (
        target["name"], target["state"].replace("_", " "), (target["newest_sample"] or "nothing yet")[:19], target["lines"],
        target["backlog_samples"], f"{target['lines_per_s']:.0f}", "" if remaining is None else f"{remaining:.0f} s", target["set_aside"],
    )  # fmt: skip


def _print_details(targets: list[dict[str, Any]]) -> None:
    for target in targets:
        if target["detail"]:
            say(f"{target['name']}: {target['detail']}")
        for group in target["refused_lines"]:
            lines = "1 line" if len(group["lines"]) == 1 else f"{len(group['lines'])} lines"
            say(f"{target['name']}: {lines} set aside: {group['reason']}")
            say(f"  {group['lines'][0]}")


@forward.command()
@click.argument("target")
@config_option
@json_option
def retry(target: str, config_path: Path, as_json: bool) -> int:
    """Send to TARGET again what it refused, and try at once what waits."""
    from loadlog.control.address import VIEWER_SOCKET
    from loadlog.control.client import ControlClient
    from loadlog.loading import load_bench

    bench = load_bench(config_path)
    pick(target, [config.name for config in bench.config.forward], "forwarding target")
    ControlClient(bench.data_dir, name=VIEWER_SOCKET).call("forward_retry", target=target)
    if as_json:
        print_json({"target": target, "retried": True})
    else:
        click.echo(f"{target}: what was set aside is sent again; see loadlog forward status")
    return 0
