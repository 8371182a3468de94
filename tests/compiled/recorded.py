"""Scenarios of `make events` as recordings that `told` can be asked about."""

from __future__ import annotations

import random
from pathlib import Path

from loadlog.model.circumstance import Ordered
from loadlog.model.sample import Sample
from tests.compiled import told
from tests.events.play import SCENARIOS


def record(scenario: str, seed: int, path: Path) -> None:
    """What a scenario of `make events` gives to the detectors."""
    case = SCENARIOS[scenario](random.Random(f"{scenario}:{seed}"))
    world, samples, orders = case.world, list[Sample](), list[Ordered]()
    give = world.pipeline.order

    def order(device: str, channel: str, value: float, t_utc_ns: int) -> Ordered:
        orders.append(give(device, channel, value, t_utc_ns))
        return orders[-1]

    world.pipeline.order = order  # type: ignore[method-assign]
    world.remember = lambda sample, events: samples.append(sample)  # type: ignore[method-assign]
    world.run(case.until_s)
    told.save(path, world.specs, samples, orders)
