"""A load on a supply for an hour and more, for the tests of `drift` and `noise_changed`."""

from __future__ import annotations

import random
from collections.abc import Callable

from loadlog.model.event import Event
from tests.checklists.traces import Bench, Load, Record, Source, load_spec

MINUTE_S = 60.0
KINDS = ("drift", "noise_changed")


def bench(
    rnd: random.Random, *, sag: Callable[[float], float] | None = None, period_s: float = 1.0, noise: float = 0.6, **more: object
) -> Bench:
    """One load at a drawn current on a 24 V supply whose open-circuit voltage sags by ``sag`` of the time."""
    spec = load_spec(period_s=period_s, **more)  # type: ignore[arg-type]
    source = Source(emf_v=rnd.uniform(23.0, 25.0), slow_v=rnd.uniform(0.0, 0.0008), sag=sag)
    return Bench(rnd, source, [Load(spec, level=rnd.uniform(3.0, 8.0), noise=noise)])


def raised(out: Record) -> list[Event]:
    """The events of `KINDS`."""
    return out.raised(*KINDS)
