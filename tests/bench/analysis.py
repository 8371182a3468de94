"""What the computations on a long record cost, in a process of its own: time beside one plain pass over the same arrays, and memory.

    python -m tests.bench.analysis ROWS

Chunks are made when they are asked for, as a reader of recordings makes them, so the memory is that of the computations and one chunk.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from collections.abc import Callable, Iterator

import numpy as np

from loadlog.analysis import Chunk, DataHealth, DeviceAnalysis, Span, chunk_of_arrays
from loadlog.model.clock import NS
from loadlog.model.device import ChannelSpec, DeviceSpec
from loadlog.model.quantity import Accuracy, Scale
from tests.bench.figures import Figure
from tests.bench.programs import python

CHUNK, PERIOD_S = 100_000, 0.1
CHANNELS = ("voltage_v", "current_a", "power_w", "temperature_c")


def analysis(rows: int, say: Callable[[str], None]) -> list[Figure]:
    """All figures of one device with four channels, and the health of its data."""
    say(f"analysis: {rows} polls of four channels")
    few, many = python("analysis", rows // 10, seconds=300), python("analysis", rows, seconds=600)
    beside = f"plain pass {many['plain_s'] / rows * 1e9:.0f} ns a poll, analysis {many['analysis_s'] / rows * 1e9:.0f} ns a poll"
    ratio, grown = many["analysis_s"] / many["plain_s"], many["grown_mib"] - few["grown_mib"]
    above = f"{many['grown_mib']:.0f} MiB above the imports for {rows} polls"
    return [
        Figure("analysis against one plain pass (mean, deviation, extremes, trapezoid)", ratio, most=12, beside=beside),
        Figure("memory that ten times the polls need more", grown, "MiB", most=50, beside=above),
    ]


def _spec() -> DeviceSpec:
    milli, accuracy = Scale.of("0.001"), Accuracy(0.05, 0.005)
    units = dict(zip(CHANNELS, ("V", "A", "W", "°C"), strict=True))
    channels = tuple(ChannelSpec(n, u, "number", milli, 0.001, accuracy) for n, u in units.items())
    return DeviceSpec("load-1", "load", "rack", PERIOD_S, channels)


def _chunks(rows: int) -> Iterator[Chunk]:
    """A supply under pulses that warms up; now and then a poll without an answer."""
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(CHUNK) * 0.002
    for first in range(0, rows, CHUNK):
        n = min(CHUNK, rows - first)
        t = (np.arange(n) + first) * PERIOD_S
        i = np.where((t // 600) % 2 == 0, 5.0, 2.0) + noise[:n]
        v = 24.0 - 0.01 * i + noise[n - 1 :: -1]
        v[:: CHUNK // 3] = np.nan
        yield chunk_of_arrays(t, "load-1", voltage_v=v, current_a=i, power_w=v * i, temperature_c=55 - 30 * np.exp(-t / 1200))


def _plain(chunk: Chunk) -> float:
    total = 0.0
    for name in CHANNELS:
        values = chunk.values(name)
        total += np.nanmean(values) + np.nanstd(values) + np.nanmin(values) + np.nanmax(values)
    t = chunk.t_utc_ns / NS
    return total + float(np.trapezoid(chunk.values("current_a"), t)) + float(np.trapezoid(chunk.values("power_w"), t))


def main(rows: int) -> None:
    """One pass with both, turn about, so that both see the same machine."""
    span = Span(0, round(rows * PERIOD_S * NS))
    whole, health = DeviceAnalysis(_spec(), span), DataHealth(_spec(), span)
    for chunk in _chunks(CHUNK):  # what is loaded at first use is not what is measured
        DeviceAnalysis(_spec(), span).add(chunk)
        _plain(chunk)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    analysis_s = plain_s = 0.0
    for chunk in _chunks(rows):
        begun = time.process_time()
        _plain(chunk)
        between = time.process_time()
        whole.add(chunk)
        health.add(chunk)
        plain_s, analysis_s = plain_s + between - begun, analysis_s + time.process_time() - between
    begun = time.process_time()
    figures = whole.figures()
    analysis_s += time.process_time() - begun
    assert figures["current_a", "charge"].value is not None
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024 - before
    print(json.dumps({"analysis_s": analysis_s, "plain_s": plain_s, "grown_mib": grown, "polls": health.result().polls}))


if __name__ == "__main__":
    main(int(sys.argv[1]))
