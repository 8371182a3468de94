"""Commands that run something: `serve`, `simulate`, `demo`."""

from __future__ import annotations

import os
import signal
import sys
import threading
from pathlib import Path
from types import FrameType

import click

from loadlog.cli.common import Duration, Number, config_option, json_option, print_json, print_table


@click.command()
@config_option
@json_option
@click.option("--once", is_flag=True, help="Poll each device once, print it, and stop.")
@click.option("--part", type=click.Choice(["recorder", "viewer"]), help="Run only one of the two processes (for systemd units).")
@click.option("--reload", "reload_", is_flag=True, help="Tell the running service to read its configuration again; refused during a run.")
@click.option("--log-json", is_flag=True, help="Logs as JSON objects, one a line.")
@click.pass_obj
def serve(verbose: bool, config_path: Path, as_json: bool, once: bool, part: str | None, reload_: bool, log_json: bool) -> int:
    """The service: a recorder that must never stop and a viewer for people."""
    from loadlog.loading import load_bench
    from loadlog.process import logs

    if once:
        from loadlog.cli.bench import poll_all_once

        return poll_all_once(load_bench(config_path), as_json)
    if reload_:
        from loadlog.control.client import ControlClient

        ControlClient(load_bench(config_path).data_dir).call("reload")
        if as_json:
            print_json({"reload": True})
        else:
            click.echo("the recorder starts afresh with the new configuration")
        return 0
    logs.configure(part or "service", verbose=verbose, as_json=log_json)
    if part == "recorder":
        from loadlog.recorder import run_recorder

        return run_recorder(config_path)
    if part == "viewer":
        from loadlog.viewer import run_viewer

        return run_viewer(config_path)
    load_bench(config_path).budgets()
    from loadlog.supervisor import Supervisor

    arguments = [*(["--log-json"] if log_json else []), *(["-v"] if verbose else [])]
    return Supervisor(config_path, arguments).run()


@click.command()
@click.argument("scenario", type=click.Path(path_type=Path))
@json_option
@click.option("--seed", type=int, default=1, show_default=True, help="Noise, instrument errors and chance faults follow from it.")
@click.option("--speed", type=Number(min=0.01), default=1.0, show_default=True, help="Physics runs this many times faster.")
@click.option("--paced", is_flag=True, help="Serial lines carry characters at their baud rate.")
@click.option("--links", type=click.Path(path_type=Path), help="Directory for stable names of the pseudo-terminals.")
@click.option("--truth", type=click.Path(path_type=Path), help="File that takes each fault as it happens, one JSON object a line.")
@click.option("--duration", type=Duration(), help="Stop after this time.")
def simulate(
    scenario: Path,
    as_json: bool,
    seed: int,
    speed: float,
    paced: bool,
    links: Path | None,
    truth: Path | None,
    duration: float | None,
) -> int:
    """Only the simulated bench: SCENARIO is a file, or the name of one that comes with the package. Its ports are printed."""
    from loadlog.sim import run as sim

    stop = threading.Event()

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, on_signal)

    def show(ports: list[sim.Port]) -> None:
        if as_json:
            for port in ports:
                print_json(port)
        else:
            print_table("", ["bus", "kind", "address"], [(p.bus, p.kind, p.address) for p in ports])
        sys.stdout.flush()

    sim.simulate(scenario, seed=seed, speed=speed, paced=paced, link_dir=links, out=show, stop=stop, duration_s=duration, truth_path=truth)
    return 0


@click.command()
@click.option("--duration", type=Duration(), help="End by itself after this time and print the run's review; else until Ctrl-C.")
@click.option("--data", type=click.Path(path_type=Path), default="demo-data", show_default=True, help="Where the demo records.")
@click.option(
    "--tcp-port", type=click.IntRange(0, 65535), default=8437, show_default=True, help="Port of the live page; 0 picks a free one."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the simulated bench.")
@click.pass_obj
def demo(verbose: bool, duration: float | None, data: Path, tcp_port: int, seed: int) -> int:
    """The simulated bench and the service on an embedded store, with faults on a timetable."""
    from loadlog.demo import run_demo

    os.makedirs(data, exist_ok=True)
    return run_demo(data.resolve(), duration_s=duration, tcp_port=tcp_port, seed=seed, verbose=verbose)
