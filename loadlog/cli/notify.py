"""`loadlog notify`: a test notice to every address, and how each stands."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loadlog.cli.common import Suggesting, config_option, json_option, pick, print_json, print_table, say
from loadlog.model.errors import UsageError

if TYPE_CHECKING:
    from loadlog.loading import Bench


@click.group(cls=Suggesting)
def notify() -> None:
    """Notices: a test, and how each address stands."""


@notify.command()
@click.argument("targets", nargs=-1)
@config_option
@json_option
def test(targets: tuple[str, ...], config_path: Path, as_json: bool) -> int:
    """Send a test notice to every address, or only those of TARGETS; ping the heartbeat. Exit status 1 when one is not accepted."""
    import os

    from loadlog.loading import load_bench
    from loadlog.notify import check_notify, load_addresses, load_heartbeat

    bench = load_bench(config_path)
    config = _config(bench)
    zone = check_notify(config, str(config_path))
    known = [target.name for target in config.targets]
    for name in targets:
        pick(name, known, "target")
    base = config_path.parent
    addresses = [a for a in load_addresses(config, base, os.environ) if not targets or a.target.name in targets]
    ping = None if targets else load_heartbeat(config, base, os.environ)
    subject, body = _text(bench, zone)
    failed = False
    for name, service, attempt in [
        *((a.name, a.service, lambda a=a: a.deliver(subject, body, "info")) for a in addresses),
        *([("heartbeat", "HTTP GET", ping)] if ping else []),
    ]:
        outcome = attempt()
        failed |= not outcome.accepted
        if as_json:
            print_json({"name": name, "service": service, "accepted": outcome.accepted, "detail": outcome.reason})
        else:
            say(f"{name} ({service}): {'accepted' if outcome.accepted else 'NOT accepted: ' + outcome.reason}")
    return 1 if failed else 0


def _text(bench: Bench, zone: Any) -> tuple[str, str]:
    import time

    from loadlog.notify.text import clock

    name, config = bench.config.bench.name, _config(bench)
    look = f"Look: {config.page_url}\n" if config.page_url else ""
    sent = clock(time.time_ns(), zone)
    return f"test ({name})", f"A test notice of bench {name}, sent {sent}. Nothing is wrong.\n{look}Not a safety device."


@notify.command()
@config_option
@json_option
def status(config_path: Path, as_json: bool) -> int:
    """Per address: what was accepted, what waits, what fails and why. Exit status 1 when one fails or nobody is told."""
    from loadlog.loading import load_bench

    bench = load_bench(config_path)
    addresses = _addresses(bench)
    if as_json:
        for address in addresses:
            print_json(address)
    else:
        columns = [
            "address",
            "service",
            "from",
            "state",
            "accepted",
            "last accepted (UTC)",
            "notices waiting",
            "events waiting",
            "given up",
        ]
        print_table("", columns, map(_row, addresses), right=[4, 6, 7, 8])
        for address in addresses:
            if address["detail"]:
                say(f"{address['name']}: {address['detail']}")
    return 1 if any(address["state"] in ("failing", "stopped") for address in addresses) else 0


def _config(bench: Bench) -> Any:
    if bench.config.notify is None:
        raise UsageError("nobody is told", where=str(bench.path), hint="see [notify] in the sample configuration")
    return bench.config.notify


def _addresses(bench: Bench) -> list[dict[str, Any]]:
    """What the viewer says, or while it is off what it wrote down, by the names that it had then."""
    from loadlog.control.address import VIEWER_SOCKET
    from loadlog.control.client import ControlClient
    from loadlog.model.errors import LoadlogError
    from loadlog.notify.facts import AddressFacts, State
    from loadlog.store.notify_state import read_notify

    config = _config(bench)
    try:
        live: list[dict[str, Any]] = ControlClient(bench.data_dir, 3.0, VIEWER_SOCKET).call("notify_status")["addresses"]
        if live:
            return [{**address, "viewer": True} for address in live]
    except LoadlogError:
        pass
    out = []
    kept = read_notify(bench.data_dir)
    for target in config.targets:
        names = [name for name in kept if name == target.name or name.rpartition(".")[0] == target.name] or [target.name]
        for name in names:
            tally = kept.get(name)
            facts = AddressFacts(name, "", target.severity, State.STOPPED, "no viewer is running: start it with loadlog serve")
            data = facts.to_json()
            if tally is not None:
                data |= {"notices": tally.waiting, "accepted": tally.accepted, "given_up": tally.given_up, "last_subject": tally.subject}
                data["last_accepted"] = tally.accepted_text
            out.append({**data, "viewer": False})
    return out


def _row(address: dict[str, Any]) -> tuple[Any, ...]:
    state = address["state"] + (", quiet hours" if address["quiet"] else "")
    if address["retry_in_s"]:
        state += f", again in {address['retry_in_s']:.0f} s"
    return (
        address["name"], address["service"], address["severity"], state, address["accepted"], (address["last_accepted"] or "never")[:19],
        address["notices"], address["waiting"], address["given_up"],
    )  # fmt: skip
