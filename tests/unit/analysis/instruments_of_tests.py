"""Channels and devices that the tests of the computations measure with, and the reference data."""

from __future__ import annotations

import csv
import itertools
from pathlib import Path

import numpy as np

from loadlog.analysis import Chunk, Column
from loadlog.analysis.chunk import Floats
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.quantity import Accuracy, Scale

DATA = Path(__file__).parents[2] / "data"


def channel(name: str, unit: str, step: str = "0.001", percent: float | None = 0.05, counts: float = 5, every: int = 1) -> ChannelSpec:
    """± (percent of reading + counts); percent None: no specification."""
    accuracy = None if percent is None else Accuracy(percent, counts * float(step))
    return ChannelSpec(name, unit, "number", Scale.of(step), float(step), accuracy, every=every)


VOLTAGE = channel("voltage_v", "V")
CURRENT = channel("current_a", "A")
POWER = channel("power_w", "W", "0.01")
TEMPERATURE = channel("temperature_c", "°C", "0.1", 0.0, 10)
EXACT_V = channel("voltage_v", "V", "0.000000001", None)
EXACT_A = channel("current_a", "A", "0.000000001", None)


def load(period_s: float = 1.0, *channels: ChannelSpec, name: str = "load-1") -> DeviceSpec:
    """A load that measures V, I, P and T unless told otherwise."""
    return DeviceSpec(name, "load", "rack", period_s, channels or (VOLTAGE, CURRENT, POWER, TEMPERATURE))


def split(chunk: Chunk, *cuts: int) -> list[Chunk]:
    """The chunk in pieces."""
    edges = [0, *cuts, len(chunk)]
    index = np.arange(len(chunk))
    return [chunk.where((index >= a) & (index < b)) for a, b in itertools.pairwise(edges)]


def with_bad(chunk: Chunk, name: str, mask: Floats) -> Chunk:
    """The same, with the channel bad where the mask says so."""
    column = chunk.columns[name]
    quality = np.where(mask, 2, column.quality).astype(np.uint8)
    return Chunk(
        chunk.device, chunk.t_utc_ns, chunk.half_width_ns, chunk.failed,
        {**chunk.columns, name: Column(column.values, quality, column.held)}, chunk.lateness_ns,
    )  # fmt: skip


def table(name: str) -> list[dict[str, str]]:
    """Rows of a reference table."""
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def certified(dataset: str) -> dict[str, float]:
    """Certified values of a NIST set by quantity."""
    return {r["quantity"]: float(r["certified"]) for r in table("nist_strd_certified.csv") if r["dataset"] == dataset}


def correct_digits(computed: float, true: float) -> float:
    """−log10 of the relative error, as the NIST sets are judged."""
    return 16.0 if computed == true else -np.log10(abs(computed - true) / abs(true))
