"""A load whose current or voltage goes, for the tests of trips."""

from __future__ import annotations

from collections.abc import Callable

from tests.checklists.traces import (
    Bench,
    Load,
    Record,
    Source,
    fresh_random,
    load_spec,
    meter_spec,
    record,
)

Act = Callable[[Bench, Load, Source], object]
TRIPS = ("supply_trip", "load_trip", "open_circuit")


def play(act: Act, *, until_s: float = 50.0, meter: bool = False, load: Load | None = None, **spec: object) -> Record:
    """A load at 5 A that ran for 20 s, then ``act`` schedules things."""
    bench = Bench(fresh_random(), loads=[load or Load(load_spec(**spec))], meters=[meter_spec()] if meter else [])  # type: ignore[arg-type]
    act(bench, bench.loads[0], bench.source)
    return record(bench, until_s)


def off(bench: Bench, load: Load, source: Source) -> None:
    bench.at(20.02, lambda: setattr(source, "is_on", False))


def kinds(out: Record) -> list[str]:
    return [e.kind for e in out.raised()]
