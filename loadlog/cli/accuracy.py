"""`loadlog accuracy DEVICE`: reference readings against the accuracy specification, cold and hot, kept and reported."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from loadlog.cli.common import Number, config_option, json_option, pick, print_json, print_table, say
from loadlog.model.errors import UsageError

if TYPE_CHECKING:
    from loadlog.analysis.accuracy import Point, PointVerdict, Reference, Warming
    from loadlog.bringup.references import Instruments
    from loadlog.loading import Bench
    from loadlog.model.device import DeviceSpec


@click.command()
@click.argument("device_name", metavar="DEVICE")
@click.option("--point", "points", multiple=True, metavar="CHANNEL=REFERENCE[/READING]", help="E.g. voltage_v=24.0123; repeat it.")
@click.option(
    "--csv", "csv_path", type=click.Path(path_type=Path, dir_okay=False), help="Table of reference readings; - for standard input."
)
@click.option("--against", metavar="METER", help="Another device of the bench is the reference.")
@click.option("--channel", "channels", multiple=True, help="With --against or --ask: only this channel; repeat it.")
@click.option("--ask", is_flag=True, help="Ask for reference readings one by one (default on a terminal).")
@click.option("--condition", type=click.Choice(["cold", "hot"]), help="State of the instrument.")
@click.option("--reference-accuracy", metavar="PERCENT%+ABSOLUTE", help="Specification of the reference, e.g. '0.01%+0.002'.")
@click.option("--u-reference", type=Number(), help="Standard uncertainty of the reference, in the channel's unit.")
@click.option("--source", default="", help="What the reference is, e.g. its serial number.")
@click.option("--note", default="", help="Kept with the points.")
@click.option("--seconds", type=Number(0.1, 86_400), default=10.0, show_default=True, help="Mean over so much of a recording.")
@click.option(
    "--polls", type=click.IntRange(min=1, max=1000), default=5, show_default=True, help="Mean over so many polls, without a service."
)
@click.option("--no-store", is_flag=True, help="Judge only, keep nothing.")
@click.option("--report", is_flag=True, help="All points kept of the device.")
@config_option
@json_option
def accuracy(device_name: str, config_path: Path, as_json: bool, report: bool, no_store: bool, **given: Any) -> int:
    """Hold readings of DEVICE against reference readings and its accuracy specification.

    The reading is that of the last seconds when the service is polling, else of some polls now, unless it is given beside the reference.
    Exit status 0 when every point passes, 1 when one fails or cannot be decided.
    """
    from loadlog.loading import load_bench
    from loadlog.store import verifications

    bench = load_bench(config_path)
    spec = bench.devices[pick(device_name, bench.devices, "device")]
    entered = given["points"] or given["csv_path"] or given["against"] or given["ask"]
    kept = _stored(bench, spec.name)
    if report or not (entered or sys.stdin.isatty()):
        if not kept:
            raise UsageError(f"no reference reading of {spec.name} was kept", hint="give --point, --csv or --against")
        return _show(f"Accuracy of {spec.name}, all points kept", spec.name, kept, kept, as_json)
    new = _take(bench, spec, given)
    if not no_store:
        verifications.append(bench.data_dir, [p.to_json() for p in new])
    return _show(f"Accuracy of {spec.name}", spec.name, new, [*kept, *new], as_json)


def _stored(bench: Bench, device: str) -> list[Point]:
    """What was kept of a device; damaged lines are named on standard error and cost nothing else."""
    from loadlog.analysis.accuracy import Point
    from loadlog.store import verifications

    records, damaged = verifications.read(bench.data_dir)
    points = []
    for record in records:
        if record.get("device") == device:
            try:
                points.append(Point.from_json(record))
            except UsageError as exc:
                damaged.append(f"{verifications.NAME}: {exc}")
    for line in damaged:
        say(f"loadlog: {line}", err=True)
    return points


def _show(title: str, device: str, points: Sequence[Point], known: Sequence[Point], as_json: bool) -> int:
    """``known``: all points of the device, among which a cold one may go with a hot one."""
    from loadlog.analysis.accuracy import judge_points, warming
    from loadlog.analysis.verdict import Decision

    decision, sentence, verdicts = judge_points(points)
    warm = warming(known)
    if as_json:
        found = {"points": [v.to_json() for v in verdicts], "warming": [w.to_json() for w in warm]}
        print_json({"device": device, "decision": str(decision), "reason": sentence, **found})
    else:
        _table(title, verdicts)
        click.echo(f"{decision!s}: {sentence}")
        _warming_lines(warm)
    return 0 if decision is Decision.PASS else 1


def _take(bench: Bench, spec: DeviceSpec, given: dict[str, Any]) -> list[Point]:
    """Reference readings from wherever they come, each joined with a reading."""
    from loadlog.analysis.accuracy import make_point
    from loadlog.bringup.references import Instruments

    instruments = Instruments(bench, given["seconds"], given["polls"])
    if given["against"]:
        for name in ("points", "csv_path", "u_reference", "reference_accuracy"):
            if given[name]:
                raise UsageError("--against takes its reference readings and their uncertainty from the meter; leave the others out")
        meter = pick(given["against"], bench.devices, "device")
        pairs = instruments.against(spec.name, meter, given["channels"], given["condition"] or "")
        return [make_point(spec, reference, taken) for reference, taken in pairs]
    if given["points"] or given["csv_path"]:
        return list(_join(instruments, spec, _references(spec, given)))
    return _ask(instruments, spec, given)


def _references(spec: DeviceSpec, given: dict[str, Any]) -> list[Reference]:
    from loadlog.analysis.references import parse_csv, parse_point

    common = {"condition": given["condition"] or "", "source": given["source"], "note": given["note"]}
    found = [parse_point(text, spec, **common) for text in given["points"]]
    path = given["csv_path"]
    if path:
        found += parse_csv(_read_csv(path), spec, "standard input" if str(path) == "-" else str(path), **common)
    return _with_uncertainty(found, given)


def _read_csv(path: Path) -> str:
    from loadlog.loading import read_text

    return sys.stdin.read() if str(path) == "-" else read_text(path, "reference readings")


def _with_uncertainty(references: list[Reference], given: dict[str, Any]) -> list[Reference]:
    """Those without an uncertainty get the one that the options name."""
    import dataclasses

    from loadlog.analysis.references import check_uncertainty, parse_accuracy
    from loadlog.analysis.uncertainty import rectangular

    u, accuracy_text = check_uncertainty(given["u_reference"]), given["reference_accuracy"]
    if u is not None and accuracy_text:
        raise UsageError("give --u-reference or --reference-accuracy, not both")
    specification = parse_accuracy(accuracy_text) if accuracy_text else None
    bare = {r.channel for r in references if r.u_reference is None}
    if len(bare) > 1 and (u or (specification and specification.absolute)):
        hint = f"the points are of {', '.join(sorted(bare))}: enter each with its own, or use the column u_reference"
        raise UsageError("one uncertainty cannot hold for channels in different units", hint=hint)

    def with_it(r: Reference) -> Reference:
        if r.u_reference is not None:
            return r
        own = rectangular(specification.half_width(r.reference)) if specification else u
        return dataclasses.replace(r, u_reference=own)

    return [with_it(r) for r in references]


def _join(instruments: Instruments, spec: DeviceSpec, references: Iterable[Reference]) -> Iterable[Point]:
    from loadlog.analysis.accuracy import Taken, make_point
    from loadlog.bus import SystemClock

    references = list(references)
    now_channels = list(dict.fromkeys(r.channel for r in references if r.reading is None and r.t_utc_ns is None))
    now = instruments.take(spec.name, now_channels) if now_channels else {}
    now_ns = SystemClock().utc_ns()
    for r in references:
        if r.reading is not None:
            taken = Taken(r.t_utc_ns if r.t_utc_ns is not None else now_ns, r.reading)
        elif r.t_utc_ns is not None:
            taken = instruments.take(spec.name, [r.channel], r.t_utc_ns)[r.channel]
        else:
            taken = now[r.channel]
        yield make_point(spec, r, taken)


def _ask(instruments: Instruments, spec: DeviceSpec, given: dict[str, Any]) -> list[Point]:
    """One channel after the other; an empty line leaves it out. The reading is taken when the reference was entered."""
    from loadlog.analysis.accuracy import channel_of
    from loadlog.analysis.references import parse_point

    names = given["channels"] or [c.name for c in spec.channels if c.kind == "number" and c.accuracy is not None]
    common = {"condition": given["condition"] or "", "source": given["source"], "note": given["note"]}
    points: list[Point] = []
    for name in names:
        channel = channel_of(spec, name)
        text = click.prompt(f"{channel.name}: reference in {channel.unit} (empty: leave out)", default="", show_default=False, err=True)
        if text.strip():
            references = _with_uncertainty([parse_point(f"{channel.name}={text}", spec, **common)], given)
            points += _join(instruments, spec, references)
    if not points:
        raise UsageError("no reference reading was entered")
    return points


def _table(title: str, verdicts: Iterable[PointVerdict]) -> None:
    columns = ["time (UTC)", "channel", "state", "reference", "reading", "n", "error", "limit ±", "used", "U (k = 2)", "TUR", "verdict"]
    print_table(title, columns, map(_row, verdicts), right=[3, 4, 5, 6, 7, 8, 9, 10])


def _row(verdict: PointVerdict) -> tuple[Any, ...]:
    p = verdict.point
    hot = f" {p.temperature_c:.0f} °C" if p.temperature_c is not None else ""
    band = "–" if verdict.guard_band is None else f"{verdict.guard_band:.2g} {p.unit}"
    ratio = "–" if p.test_ratio is None else f"{p.test_ratio:.1f}"
    return (
        p.to_json()["t"][:19], p.channel, (p.condition or "–") + hot, f"{p.reference:.7g} {p.unit}", f"{p.reading:.7g} {p.unit}",
        p.readings, f"{p.error:+.3g} {p.unit}", f"{p.limit:.3g} {p.unit}", f"{100 * p.share:.0f} %", band, ratio, str(verdict.decision),
    )  # fmt: skip


def _warming_lines(found: Iterable[Warming]) -> None:
    for w in found:
        inside = "both inside" if w.both_inside else "not both inside"
        click.echo(
            f"warm: {w.channel} at {w.reference:.5g} {w.unit}: error {w.cold_error:+.3g} cold, {w.hot_error:+.3g} hot {w.unit}; "
            f"the change uses {100 * w.share:.0f} % of the limit, {inside}"
        )
