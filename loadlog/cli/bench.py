"""Commands about the bench itself: `check`, `read`, `scan`, `registers`."""

from __future__ import annotations

from pathlib import Path

import click

from loadlog.cli.common import config_option, json_option, plain, print_json, print_table


@click.command()
@config_option
@json_option
def check(config_path: Path, as_json: bool) -> int:
    """Judge the configuration and its profiles; print devices and the wire budget of each bus."""
    from loadlog.loading import load_bench

    bench = load_bench(config_path)
    budgets = bench.budgets()
    if as_json:
        print_json({"bench": bench.config.bench.name, "buses": [plain(b.to_json()) for b in budgets]})
        return 0
    for budget in budgets:
        rows = [
            (
                d.device,
                f"{d.rate_hz:g}",
                f"{d.transactions_per_poll:.2f}",
                _ms(d.wire_s),
                f"{100 * d.share:.1f} %",
                _rate(d.highest_rate_hz),
            )
            for d in budget.devices
        ]
        wire = "wire time" if budget.computable else "time (estimate)"
        columns = ["device", "rate 1/s", "transactions a poll", f"{wire} a poll", "share of the bus", "highest rate 1/s"]
        print_table(f"bus {budget.bus}: {budget.kind} {budget.address}", columns, rows, right=[1, 2, 3, 4, 5])
        click.echo(f"in all {budget.transactions_per_s:.1f} transactions/s, {100 * budget.share:.1f} % of the bus")
        for note in budget.notes:
            click.echo(f"note: {note}")
        click.echo()
    for action in bench.config.protective_action:
        click.echo(f"protective action: {action.action} of {action.device} on {', '.join(action.on)}. It is not a safety device.")
    return 0


def _ms(seconds: float) -> str:
    return f"{1000 * seconds:.2f} ms"


def _rate(rate_hz: float) -> str:
    return f"{rate_hz:.3g}" if rate_hz < 1000 else "–"
