"""Prints the tables and the figures asked for, and says whether all were reached."""

from __future__ import annotations

import json
import statistics
import time
from collections import Counter
from dataclasses import asdict
from pathlib import Path

from loadlog.detectors.registry import DECLARED_KINDS
from tests.events.figure import Figure, at_least
from tests.events.play import Outcome
from tests.events.rivals import NAMES
from tests.events.score import HEAD, grid, poisson_bounds, quantile, reliability, rows, share
from tests.events.suite import Result

TRIPS = ("supply_trip", "load_trip", "open_circuit")
ENOUGH = 100  # events in a bin of the reliability table


def report(result: Result, json_path: str, findings: str) -> int:
    """Exit status: 1 when a figure is missed."""
    outcomes = result.outcomes
    matches = [(o, m) for o in outcomes for m in o.verdict.matches]
    by_kind = rows((m.expected.kind, m) for _, m in matches)
    by_scenario = rows((o.scenario, m) for o, m in matches)
    extra = Counter(e.kind for o in outcomes for e in o.verdict.extra)
    if outcomes:
        kinds = [[*r.cells(), str(extra.get(r.name, 0))] for r in sorted(by_kind, key=lambda r: r.name)]
        print("\nper kind\n" + grid([*HEAD, "false"], kinds))
        print("\nper scenario\n" + grid(HEAD, [r.cells() for r in by_scenario]))
        missing = sorted({r.name for r in by_kind} - set(DECLARED_KINDS) - {"supply_droop"})
        if missing:
            print(f"\nno detector declares: {', '.join(missing)}")
        print("\nfalse alarms\n" + _false_alarms(outcomes))
        print("\nthe same traces, others beside\n" + _rivals(outcomes))
        print("\nprobabilities stated and true\n" + _reliability(outcomes))
    for study in result.studies:
        print(f"\n{study.name}\n{study.text}")
    figures = [*_figures(outcomes), *(f for s in result.studies for f in s.figures)]
    marks = {True: "met", False: "MISSED", None: "too little simulated"}
    print("\n" + grid(["figure", "asked", "reached", ""], [[f.what, f.asked, f.reached, marks[f.met]] for f in figures]))
    _wrong(outcomes, findings)
    missed = sum(f.met is False for f in figures)
    samples = sum(o.samples for o in outcomes)
    print(f"\n{len(outcomes)} scenarios, {samples} samples, {len(figures)} figures, {missed} missed; {result.wall_s:.0f} s")
    print(f"repeat: python -m tests.events --seed {result.options.seed} --scenarios {result.options.scenarios}")
    if json_path:
        rows_json = [{**asdict(r), "delays": r.delays} for r in by_kind]
        data = {"seed": result.options.seed, "kinds": rows_json, "figures": [asdict(f) for f in figures]}
        Path(json_path).write_text(json.dumps(data, indent=1, ensure_ascii=False), encoding="utf-8")
    return 1 if missed else 0


def _false_alarms(outcomes: list[Outcome]) -> str:
    lines = []
    benign = [o for o in outcomes if o.benign]
    for name, some in [
        *((f"{rate:g} Hz", [o for o in benign if o.rate_hz == rate]) for rate in sorted({o.rate_hz for o in benign})),
        ("all rates", benign),
        ("faulty scenarios, beside their fault", [o for o in outcomes if not o.benign]),
    ]:
        hours = sum(o.verdict.device_hours for o in some)
        if not hours:
            continue
        count = sum(len(o.verdict.extra) for o in some)
        low, high = poisson_bounds(count, hours)
        lines.append([name, f"{hours:.1f}", str(count), f"{1000 * count / hours:.2f}", f"{low:.2f} to {high:.2f}"])
    return grid(["", "device hours", "false", "per 1,000 h", "95 % limits"], lines)


def _rivals(outcomes: list[Outcome]) -> str:
    matches = [m for o in outcomes for m in o.verdict.matches if not m.expected.slow]
    benign = [o for o in outcomes if o.benign]
    hours = sum(o.verdict.device_hours for o in benign)
    found = [m.delay for m in matches if m.found]

    def line(name: str, delays: list[int], n: int, alarms: int) -> list[str]:
        return [
            name, share(len(delays), n), f"{statistics.median(delays):.0f}" if delays else "-", f"{quantile(delays, 0.95):.0f}",
            f"{1000 * alarms / hours:.2f}" if hours else "-",
        ]  # fmt: skip

    lines = [line("loadlog", found, len(matches), sum(len(o.verdict.extra) for o in benign))]
    for name in NAMES:
        delays = [d for o in outcomes for d in o.rival_delays.get(name, [])]
        heard = [d for d in delays if d is not None]
        lines.append(line(name, heard, len(delays), sum(o.rival_alarms.get(name, 0) for o in benign)))
    return grid(["", "found", "delay 50 %", "delay 95 %", "false per 1,000 h"], lines)


def _reliability(outcomes: list[Outcome]) -> str:
    table = reliability(s for o in outcomes for s in o.verdict.statements)
    lines = [[f"{b.low:g} to {b.high:g}", str(b.n), f"{b.stated:.3f}", f"{b.right:.3f}"] for b in table]
    return grid(["stated", "n", "mean stated", "share right"], lines)


def _figures(outcomes: list[Outcome]) -> list[Figure]:
    figures = []
    benign = [o for o in outcomes if o.benign]
    hours = sum(o.verdict.device_hours for o in benign)
    if hours:
        count = sum(len(o.verdict.extra) for o in benign)
        low, high = poisson_bounds(count, hours)
        met = False if low > 1.0 else True if high <= 1.0 else None
        reached = f"{count} in {hours:.0f} h: {1000 * count / hours:.2f} ({low:.2f} to {high:.2f})"
        figures.append(Figure("false alarms per 1,000 h of a device, benign", "at most 1", reached, met))
    matches = [m for o in outcomes for m in o.verdict.matches]
    trips = [m for m in matches if m.expected.kind in TRIPS]
    if trips:
        quick = sum(m.found and m.delay <= 2 for m in trips)
        figures.append(
            Figure("trips found within two samples", "100 %", f"{share(quick, len(trips))} of {len(trips)}", quick == len(trips))
        )
        found = [m for m in trips if m.found and not m.expected.both]
        figures.append(at_least("supply, load or lead right", 0.99, sum(m.cause_right for m in found), len(found)))
        forms = [m for m in trips if m.found and m.expected.form]
        figures.append(at_least("form right", 0.95, sum(m.form_right for m in forms), len(forms)))
    steps = [m for m in matches if m.expected.kind == "sense_fallback" and m.found and not m.expected.both]
    if steps:
        figures.append(at_least("cause of steps right", 0.97, sum(m.cause_right for m in steps), len(steps)))
    for b in reliability(s for o in outcomes for s in o.verdict.statements):
        if b.n >= ENOUGH:
            off = abs(b.right - b.stated)
            figures.append(Figure(f"calibration, stated {b.low:g} to {b.high:g}", "within 0.05", f"{off:.3f} off (n {b.n})", off <= 0.05))
    return figures


def _wrong(outcomes: list[Outcome], findings: str) -> None:
    lines = [f"{o.scenario} seed {o.seed} ({o.rate_hz:g} Hz): {line}" for o in outcomes for line in o.at_fault]
    if lines:
        print(f"\n{len(lines)} that went wrong (repeat one: python -m tests.events.one 'SCENARIO' SEED)")
        print("\n".join(line[:300] for line in lines[:60]))
    if findings and lines:
        stamp = time.strftime("%Y-%m-%dT%H:%MZ", time.gmtime())
        with Path(findings).open("a", encoding="utf-8") as file:
            file.writelines(f"{stamp} {line[:500]}\n" for line in lines)
