"""What detectors cost: CPU time a sample and memory a device, over a load with everything a load can have.

Memory of a device is what its detectors and its validator hold, and what it shows to the others of its group; what the others show is
counted at them. CPU time is that of the thread. How fast the machine is at the moment (its cores may be shared) is measured in between by a
loop of plain arithmetic, and printed beside.
"""

from __future__ import annotations

import random
import statistics
import sys
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import ModuleType
from typing import Any

from loadlog.detectors import Context, Peer, detectors_for
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.sample import Sample
from loadlog.validation import Validator
from tests.events.figure import Figure, Study
from tests.events.score import grid
from tests.events.world import Setting, World

MOST_US, MOST_KB = 40.0, 64.0
SHARED = (DeviceSpec, ChannelSpec, Enum, Peer, type, ModuleType)


def deep_size(thing: object, seen: set[int] | None = None) -> int:
    """Bytes of an object and all that it alone holds; classes, functions, the device's description and text, which is that of the
    description and of the program, are shared and not counted."""
    seen = set() if seen is None else seen
    if id(thing) in seen or isinstance(thing, SHARED) or callable(thing):
        return 0
    seen.add(id(thing))
    size = sys.getsizeof(thing)
    if isinstance(thing, str):
        return 0
    if isinstance(thing, bytes | int | float | complex):
        return size
    if isinstance(thing, Mapping):
        return size + sum(deep_size(k, seen) + deep_size(v, seen) for k, v in thing.items())
    if isinstance(thing, list | tuple | set | frozenset | deque):
        return size + sum(deep_size(v, seen) for v in thing)
    size += 8 * len(getattr(thing, "__dict__", ()))  # places of attributes that are not slots
    return size + sum(deep_size(v, seen) for v in _held(thing))


def _held(thing: object) -> list[Any]:
    held = list(getattr(thing, "__dict__", {}).values())
    for made in type(thing).__mro__:
        slots = getattr(made, "__slots__", ()) or getattr(made, "__mypyc_attrs__", ())  # compiled classes have these
        held += [getattr(thing, s) for s in ([slots] if isinstance(slots, str) else slots) if hasattr(thing, s)]
    return held


def recorded(seed: int, samples: int, rate_hz: float, status: bool = True) -> tuple[World, list[Sample]]:
    """Validated samples of a load with remote sense and limits, and a meter in its group. ``status``: the load reports mode, set-point and
    protection; one that does not has a detector more and three channels less."""
    rnd = random.Random(f"cost:{seed}")
    setting = Setting(rate_hz=rate_hz, meter=True, temperature_limit_c=80.0, slow_noise=0.3, ambient=True, status=status)
    world = World(rnd, setting)
    kept: list[Sample] = []
    remember = world.remember

    def keep(sample: Sample, events: list[Any]) -> None:
        kept.append(sample)
        remember(sample, events)

    world.remember = keep  # type: ignore[method-assign]
    world.run(samples / rate_hz)
    return world, kept


@dataclass
class Cost:
    """Of one load: CPU time a sample, memory, that of each detector, and memory over that after a tenth of the samples. ``loops_ns``: how
    fast the machine was meanwhile."""

    us: float
    kb: float
    detectors_kb: dict[str, float]
    growth: float
    loops_ns: list[float]


def measured(world: World, kept: list[Sample]) -> Cost:
    """Best of three passes over the same samples."""
    load = world.specs[0]
    peers = {spec.name: Peer(spec) for spec in world.specs}
    own = {name: peer for name, peer in peers.items() if name != load.name}
    own_samples = sum(sample.device == load.name for sample in kept)
    best_us, early = float("inf"), 0
    loops: list[float] = []
    for _ in range(3):
        detectors, context = detectors_for(load), Context(load, peers=own)
        spent_ns, n = 0, 0
        for sample in kept:
            peers[sample.device].take(sample)
            if sample.device != load.name:
                continue
            n += 1
            if n % 500 == 0:
                loops.append(loop_ns())
            begun = time.thread_time_ns()
            for detector in detectors:
                detector.update(sample, context)
            spent_ns += time.thread_time_ns() - begun
            if n == own_samples // 10:
                early = deep_size(detectors)
        best_us = min(best_us, spent_ns / n / 1e3)
    shown = peers[load.name]
    kb = deep_size([detectors, Validator(load), shown.recent, shown.last, shown.orders]) / 1000.0
    each = {type(d).__name__: deep_size(d) / 1000.0 for d in detectors}
    return Cost(best_us - _clock_us(), kb, each, deep_size(detectors) / max(1, early), loops)


def cost_study(seed: int, samples: int) -> Study:
    """Of a load that reports its status and of one that does not: the dearer of both counts."""
    both = {status: measured(*recorded(seed, samples, 10.0, status)) for status in (True, False)}
    names = list(dict.fromkeys(name for cost in both.values() for name in cost.detectors_kb))
    lines = [[name, *(f"{kb:.1f}" if (kb := cost.detectors_kb.get(name)) is not None else "" for cost in both.values())] for name in names]
    lines += [["all, with validation", *(f"{cost.kb:.1f}" for cost in both.values())]]
    lines += [["CPU time, µs a sample", *(f"{cost.us:.1f}" for cost in both.values())]]
    text = grid(["kB of a load", "with status", "without"], lines)
    loops = [loop for cost in both.values() for loop in cost.loops_ns]
    text += f"\nan iteration of the reference loop took {statistics.median(loops):.0f} ns meanwhile"
    us, kb, growth = (max(getattr(cost, name) for cost in both.values()) for name in ("us", "kb", "growth"))
    return Study("cost of a load with all detectors", text, [
        Figure("CPU time a sample, all detectors of a load", f"at most {MOST_US:g} µs", f"{us:.1f} µs", us <= MOST_US),
        Figure("memory a device", f"at most {MOST_KB:g} kB", f"{kb:.1f} kB", kb <= MOST_KB),
        Figure("memory does not grow", "at most 1.1 times in ten times the samples", f"{growth:.3f}", growth <= 1.1),
    ])  # fmt: skip


def loop_ns() -> float:
    """CPU time of one iteration of a loop of two additions and a product."""
    total, begun = 0.0, time.thread_time_ns()
    for k in range(2000):
        total += k * 0.5
        total -= k
    return (time.thread_time_ns() - begun) / 2000


def _clock_us() -> float:
    """What asking the clock twice costs."""
    begun = time.thread_time_ns()
    for _ in range(1000):
        time.thread_time_ns()
    return (time.thread_time_ns() - begun) / 1000 / 1e3
