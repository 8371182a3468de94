"""What the store is measured with: eight loads at 10 Hz, quantised as an instrument quantises, invented, from a seed.

Each row is what `Layout.encode` makes of such a poll: time stamps, their half-widths and the lateness vary as they do on a serial bus
(whole microseconds, as acquisition stamps them), voltage and current by noise of one or two counts, temperature and counters slowly; every
997th poll fails, and slow channels are held between their polls.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.quantity import Accuracy, Scale
from loadlog.model.run import RunInfo, Snapshot
from loadlog.model.serial_form import device_to_json

NS = 1_000_000_000
T0 = 1_800_000_000 * NS - 1_800_000_000 * NS % (86_400 * NS)
LOADS = 8
RAW_BYTES = 76  # of one sample in a file of fixed records: number, instant, half-width, lateness, device, quality, six channels


def spec(name: str, period_s: float = 0.1) -> DeviceSpec:
    """A load with six channels."""
    accuracy = Accuracy(0.05, 0.005)
    channels = (
        ChannelSpec("voltage_v", "V", "number", Scale.of("0.001"), 0.001, accuracy),
        ChannelSpec("current_a", "A", "number", Scale.of("0.0001"), 0.0001, accuracy),
        ChannelSpec("power_w", "W", "number", Scale.of("0.001"), 0.001, accuracy),
        ChannelSpec("temperature_c", "°C", "number", Scale.of("0.1"), 0.1, every=10),
        ChannelSpec("energy_wh", "W·h", "number", Scale.of("0.001"), 0.001),
        ChannelSpec("input_on", "", "bool", Scale(1, 1), 1.0, every=10),
    )
    return DeviceSpec(name, "load", "rack", period_s, channels)


SPECS = {f"load-{i + 1}": spec(f"load-{i + 1}") for i in range(LOADS)}
RUN = RunInfo("endurance-0001", "endurance", tuple(SPECS), T0)


def snapshot() -> Snapshot:
    """What the recording keeps of the configuration."""
    return Snapshot("bench", "", {}, {name: device_to_json(one) for name, one in SPECS.items()}, "bench")


def rows(first_poll: int, polls: int, period_ns: int = NS // 10, loads: int = LOADS, seed: int = 0) -> list[tuple[str, tuple[Any, ...]]]:
    """``polls`` polls of each load from poll ``first_poll`` on, in the order of their numbers: device and row."""
    per_device = [list(_one(load, first_poll, polls, period_ns, loads, seed)) for load in range(loads)]
    names = [f"load-{load + 1}" for load in range(loads)]
    return [(name, row) for together in zip(*per_device, strict=True) for name, row in zip(names, together, strict=True)]


def _one(load: int, first_poll: int, polls: int, period_ns: int, loads: int, seed: int) -> Iterator[tuple[Any, ...]]:
    chance = np.random.default_rng((seed, load, first_poll))
    poll = np.arange(first_poll, first_poll + polls)
    seq = poll * loads + load + 1
    late = np.abs(chance.normal(150_000, 60_000, polls)).astype(np.int64)
    late += (chance.random(polls) < 0.01) * chance.integers(0, 3_000_000, polls)
    half = (4_200_000 + chance.normal(0, 40_000, polls)).astype(np.int64)
    drift = poll * period_ns // 200_000  # 5 ppm between the two clocks
    t = (T0 + poll * period_ns + load * 10_000_000 + late + half + drift + 500) // 1000 * 1000
    lateness, half_width = (late + 500) // 1000 * 1000, -(-(half + 500) // 1000) * 1000
    hours = poll * period_ns / NS / 3600
    voltage = np.round(24_000 + 40 * np.sin(hours / 3 + load) + chance.normal(0, 1.2, polls)).astype(np.int64)
    current = np.round(50_000 + chance.normal(0, 1.5, polls)).astype(np.int64)
    power = np.round(voltage * current / 10_000).astype(np.int64)
    temperature = np.round(400 + 250 * (1 - np.exp(-hours)) + 5 * np.sin(hours)).astype(np.int64)
    energy = np.round(hours * 120_000).astype(np.int64)
    held = np.where(poll % 10 == 0, 0, 0b101000)
    failed = poll % 997 == 500
    columns = (seq, t, half_width, lateness, held, failed, voltage, current, power, temperature, energy)
    for s, at, half, late, mask, bad, v, i, p, c, wh in zip(*(column.tolist() for column in columns), strict=True):
        if bad:
            marks = '{"detail":"no reply within 0.05 s"}'
            yield (s, at, half, late, 2, "timeout", None, marks, None, None, None, None, None, None)
        else:
            yield (s, at, half, late, 0, None, mask or None, None, v, i, p, c, wh, 1)
