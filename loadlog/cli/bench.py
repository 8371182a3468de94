"""Commands about the bench itself: `check`, `read`, and `serve --once`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loadlog.cli.common import config_option, json_option, pick, plain, print_json, print_table
from loadlog.model.clock import format_utc
from loadlog.model.errors import BusError, DeviceError, UsageError

if TYPE_CHECKING:
    from loadlog.bringup import DeviceRead
    from loadlog.loading import Bench
    from loadlog.profiles.budget import BusBudget, DeviceBudget


def _plan_starts(bench: Bench) -> list[tuple[str, str | None]]:
    """Each plan with its next start; checks what only the service would find else."""
    if not bench.config.plan:
        return []
    import time

    from loadlog.plans import check_plan, next_start

    out = []
    for plan in bench.config.plan:
        check_plan(plan, bench.devices, str(bench.path))
        start_ns = next_start(plan, time.time_ns())
        out.append((plan.name, None if start_ns is None else format_utc(start_ns)))
    return out


def _notices(bench: Bench) -> tuple[list[dict[str, str]], list[str]]:
    """Who is told, and what of it is not known here: a secret of the service need not be in this shell."""
    config = bench.config.notify
    if config is None:
        return [], []
    import os

    from loadlog.notify import check_notify, load_addresses, load_heartbeat

    check_notify(config, str(bench.path))
    variables = [*(t.urls_env for t in config.targets), config.heartbeat_url_env]
    files = [*(t.urls_file for t in config.targets), config.heartbeat_url_file]
    missing = [f"notify: environment variable {v} is not set here; the service needs it" for v in variables if v and v not in os.environ]
    missing += [
        f"notify: file {f} cannot be read here; the service needs it" for f in files if f and not os.access(bench.path.parent / f, os.R_OK)
    ]
    if missing:
        return [], missing
    load_heartbeat(config, bench.path.parent, os.environ)
    found = load_addresses(config, bench.path.parent, os.environ)
    return [{"name": a.name, "service": a.service, "severity": str(a.target.severity)} for a in found], []


@click.command()
@config_option
@json_option
def check(config_path: Path, as_json: bool) -> int:
    """Judge the configuration and its profiles; print devices and the wire budget of each bus."""
    from loadlog.loading import load_bench

    bench = load_bench(config_path)
    budgets = bench.budgets()
    if bench.config.forward:
        from loadlog.forwarder.naming import check_names

        check_names(bench.config.bench.name, bench.devices.values(), str(config_path))
    notices, missing = _notices(bench)
    starts = _plan_starts(bench)
    remarks = [*bench.remarks(), *missing]
    if as_json:
        facts: dict[str, Any] = {"bench": bench.config.bench.name, "buses": [plain(b.to_json()) for b in budgets], "remarks": remarks}
        facts["plans"] = [{"plan": name, "next_start": start} for name, start in starts]
        facts["protective_actions"] = [{"device": a.device, "action": a.action, "on": list(a.on)} for a in bench.config.protective_action]
        facts["forward"] = [{"name": target.name, "kind": target.kind, "url": target.url} for target in bench.config.forward]
        print_json({**facts, "notices": notices})
        return 0
    for name, start in starts:
        click.echo(f"plan {name}: {f'next start {start[:19]}Z' if start else 'started by order'}")
    for budget in budgets:
        _show_budget(budget)
    for remark in remarks:
        click.echo(f"note: {remark}")
    for action in bench.config.protective_action:
        click.echo(f"protective action: {action.action} of {action.device} on {', '.join(action.on)}. It is not a safety device.")
    for target in bench.config.forward:
        click.echo(f"forwarding to {target.name}: {target.kind} at {target.url}")
    for one in notices:
        click.echo(f"notices to {one['name']}: {one['service']}, from severity {one['severity']} on")
    return 0


def _show_budget(budget: BusBudget) -> None:
    wire = "wire time" if budget.computable else "time (estimate)"
    columns = ["device", "rate 1/s", "transactions a poll", f"{wire} a poll", "share of the bus", "highest rate 1/s"]
    print_table(f"bus {budget.bus}: {budget.kind} {budget.address}", columns, map(_budget_row, budget.devices), right=[1, 2, 3, 4, 5])
    click.echo(f"in all {budget.transactions_per_s:.1f} transactions/s, {100 * budget.share:.1f} % of the bus")
    for note in budget.notes:
        click.echo(f"note: {note}")
    click.echo()


def _budget_row(device: DeviceBudget) -> tuple[str, ...]:
    highest = f"{device.highest_rate_hz:.3g}" if device.highest_rate_hz < 1000 else "–"
    return (
        device.device, f"{device.rate_hz:g}", f"{device.transactions_per_poll:.2f}", f"{1000 * device.wire_s_per_poll:.2f} ms",
        f"{100 * device.share:.1f} %", highest,
    )  # fmt: skip


@click.command()
@click.argument("device_name", metavar="DEVICE")
@click.option(
    "--panel", "panel", multiple=True, metavar="CHANNEL=VALUE", help="What the front panel shows, e.g. voltage_v=24.01; repeat it."
)
@config_option
@json_option
def read(device_name: str, panel: tuple[str, ...], config_path: Path, as_json: bool) -> int:
    """One live poll of DEVICE: value, unit, standard uncertainty, quality and the raw words side by side.

    Exit status 1 when a value departs from what the front panel shows by more than both can explain.
    """
    from loadlog.loading import load_bench

    bench = load_bench(config_path)
    name = pick(device_name, bench.devices, "device")
    result = _read(bench, name, dict(map(_panel_value, panel)))
    if as_json:
        print_json(result)
    else:
        _show_read(result)
    return 0 if result.agrees else 1


def poll_all_once(bench: Bench, as_json: bool) -> int:
    """`serve --once`: every device read once; one that does not answer is said and costs the others nothing."""
    failed = 0
    for name in bench.devices:
        try:
            result = _read(bench, name, {})
        except (BusError, DeviceError) as exc:
            failed = exc.exit_status
            click.echo(f"loadlog: {exc}", err=True)
            continue
        if as_json:
            print_json(result)
        else:
            _show_read(result)
    return failed


def _read(bench: Bench, name: str, panel: dict[str, float]) -> DeviceRead:
    from loadlog.bringup import read_device
    from loadlog.bus import SystemClock, open_link

    device, bus = bench.configured(name)
    clock = SystemClock()
    return read_device(bus, device, bench.devices[name], bench.profile_of(device), open_link(bus, clock), clock, panel)


def _panel_value(text: str) -> tuple[str, float]:
    name, _, value = text.partition("=")
    try:
        number = float(value)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UsageError(f"--panel: {text!r} is not CHANNEL=VALUE such as voltage_v=24.01")
    return name.strip(), number


def _show_read(result: DeviceRead) -> None:
    columns = ["channel", "value", "unit", "std uncertainty", "quality", "raw", "read from"]
    compared = any(c.panel is not None for c in result.channels)
    rows = []
    for c in result.channels:
        raw = " | ".join(text for _, text in c.raw) or "–"
        places = ", ".join(place for place, _ in c.raw)
        uncertainty = "–" if c.uncertainty is None else f"{c.uncertainty:.2g}"
        quality = c.quality + (f" ({c.why or c.reason})" if c.reason else "")
        row = [c.name, c.text, c.unit, uncertainty, quality, raw, places]
        if compared:
            row += ["" if c.panel is None else f"{c.panel:g}", {None: "", True: "agrees", False: "DEPARTS"}[c.agrees]]
        rows.append(row)
    title = (
        f"{result.device}: {result.profile} at {result.address}, {format_utc(result.t_utc_ns)[:23]}Z ± {1000 * result.half_width_s:.1f} ms"
    )
    print_table(title, [*columns, *(["front panel", "verdict"] if compared else [])], rows, right=[1, 3])
    for name, text in result.identity.items():
        click.echo(f"identity {name}: {''.join(ch if ch.isprintable() else '?' for ch in text)}")
    for line in (*(f"refused: {r}" for r in result.refused), *(f"note: {w}" for w in result.warnings)):
        click.echo(line)
