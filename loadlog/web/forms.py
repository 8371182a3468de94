"""The JSON forms that the vocabulary does not make itself: samples, devices, runs, plots, and the state of buses and store.

Plain JSON values only: a number that JSON cannot carry (NaN, infinity) becomes null, an integer beyond 2^53 stays an integer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from loadlog.model.clock import NS, format_utc
from loadlog.model.device import ChannelSpec, DeviceSpec, LimitSpec
from loadlog.model.run import Note, RunInfo
from loadlog.model.sample import Quality, Sample
from loadlog.store.progress import Progress
from loadlog.store.series import Bucket, Series
from loadlog.store.status import StoreStatus

QUALITY_WORD = {Quality.GOOD: "good", Quality.UNCERTAIN: "uncertain", Quality.BAD: "bad"}


def finite(value: float | None) -> float | None:
    """The value, or None where JSON has no number for it."""
    return value if value is not None and math.isfinite(value) else None


def sample_json(sample: Sample, run: str | None, spec: DeviceSpec | None) -> dict[str, Any]:
    """A sample; where it has them also which channels are bad or held from an earlier poll, and why a poll failed."""
    out: dict[str, Any] = {
        "seq": sample.seq,
        "device": sample.device,
        "run": run,
        "t": format_utc(sample.stamp.t_utc_ns),
        "t_uncertainty_s": sample.stamp.half_width_ns / NS,
        "quality": QUALITY_WORD[sample.quality],
        "values": {name: finite(value) for name, value in sample.values.items()},
        "uncertain": dict(sample.uncertain),
        "status": {name: status_json(value, spec.channel(name) if spec else None) for name, value in sample.status.items()},
    }
    if sample.bad:
        out["bad"] = sorted(sample.bad)
    if sample.held:
        out["held"] = sorted(sample.held)
    if sample.failure is not None:
        out["failure"] = sample.failure.value
        out["detail"] = sample.detail
    return out


def status_json(value: int, channel: ChannelSpec | None) -> bool | int | str | list[str]:
    """A status channel for people: booleans, the name of an enumeration, the names of the bits that are set."""
    if channel is None:
        return value
    if channel.kind == "bool":
        return bool(value)
    if channel.kind == "enum":
        return channel.names.get(value, value)
    if channel.kind == "bits":
        return [name for bit, name in sorted(channel.names.items()) if value >> bit & 1]
    return value


def device_json(spec: DeviceSpec) -> dict[str, Any]:
    """What a page or a program needs to show a device: how it is wired, its channels with units, resolution, rating and limits."""
    return {
        "name": spec.name,
        "role": spec.role,
        "bus": spec.bus,
        "group": spec.group,
        "sense": spec.sense,
        "path_resistance_ohm": spec.path_resistance_ohm,
        "period_s": spec.period_s,
        "profile": spec.profile_name,
        "channels": [_channel_json(channel, spec.limits.get(channel.name)) for channel in spec.channels],
    }


def learned_json(known: dict[str, Any] | None) -> dict[str, Any]:
    """What the detectors know of a device, and which kinds of events still wait, each with what for; empty while the recorder is away."""
    return {"facts": [], "learning": {}} if known is None else {"facts": known["facts"], "learning": known["learning"]}


def _channel_json(channel: ChannelSpec, limits: LimitSpec | None) -> dict[str, Any]:
    return {
        "name": channel.name,
        "unit": channel.unit,
        "kind": channel.kind,
        "resolution": finite(channel.resolution),
        "rating": {"low": channel.low, "high": channel.high},
        "limits": None if limits is None else {key: getattr(limits, key) for key in LimitSpec.__slots__},
        "accuracy": None if channel.accuracy is None else asdict(channel.accuracy),
        "every": channel.every,
    }


def run_json(run: RunInfo, running: frozenset[str]) -> dict[str, Any]:
    """A run; ``running`` holds the ids that the recorder says are on. A run without an end that is not on was cut off."""
    state = "ended" if run.ended_utc_ns is not None else "running" if run.id in running else "interrupted"
    return {
        "id": run.id,
        "name": run.name,
        "devices": list(run.devices),
        "state": state,
        "started": format_utc(run.started_utc_ns),
        "ended": None if run.ended_utc_ns is None else format_utc(run.ended_utc_ns),
        "end_reason": run.end_reason,
        "planned_s": run.planned_s,
        "keep": run.keep,
    }


def progress_json(found: Progress) -> dict[str, Any]:
    """How far a run has come: time, and readings that came against those that the rates of its devices make of it."""
    return {"elapsed_s": found.elapsed_s, "received": found.received, "expected": found.expected}


def note_json(run: str | None, note: Note) -> dict[str, Any]:
    """A line of the logbook; ``run`` None: written between runs."""
    return {"seq": note.seq, "t": format_utc(note.t_utc_ns), "run": run, "author": note.author, "text": note.text}


def series_json(series: Series, spec: DeviceSpec, newest_utc_ns: int | None) -> dict[str, Any]:
    """Columns for a plot, a row a bucket: ``t_s`` (its middle), ``count`` of samples, and per channel what `_column_json` says.
    ``until_s``: instant of the newest sample in them, or of the last row where each is one sample."""
    width_s = series.width_ns / NS
    stamps = sorted({bucket.t_utc_ns for buckets in series.channels.values() for bucket in buckets})
    row_of = {t: row for row, t in enumerate(stamps)}
    counts = [0] * len(stamps)
    for bucket in (bucket for buckets in series.channels.values() for bucket in buckets):
        row = row_of[bucket.t_utc_ns]
        counts[row] = max(counts[row], bucket.count)
    columns = {}
    for name, buckets in series.channels.items():
        channel = spec.channel(name)
        columns[name] = {"unit": channel.unit if channel else "", **_column_json(buckets, row_of, series.width_ns > 0)}
    times = [round(t / NS + width_s / 2, 6) for t in stamps]
    until_s = newest_utc_ns / NS if newest_utc_ns is not None and width_s else (times[-1] if times else 0.0)
    return {
        "device": spec.name, "from": format_utc(series.from_ns), "to": format_utc(series.to_ns), "bucket_s": width_s, "until_s": until_s,
        "t_s": times, "count": counts, "channels": columns,
    }  # fmt: skip


def _column_json(buckets: Sequence[Bucket], row_of: Mapping[int, int], has_range: bool) -> dict[str, list[float | int | None]]:
    """One channel: ``mean`` with ``min`` and ``max`` where a bucket is more than one sample, and ``worst`` (0 good, 1 uncertain, 2 bad or
    no reading) where one is not good; None in rows without a bucket of it."""
    blank: list[float | int | None] = [None] * len(row_of)
    column = {"mean": blank.copy()}
    if has_range:
        column |= {"min": blank.copy(), "max": blank.copy()}
    if any(bucket.worst for bucket in buckets):
        column["worst"] = [0] * len(row_of)
    for bucket in buckets:
        row = row_of[bucket.t_utc_ns]
        column["mean"][row] = finite(bucket.mean)
        if has_range:
            column["min"][row], column["max"][row] = finite(bucket.minimum), finite(bucket.maximum)
        if bucket.worst:
            column["worst"][row] = int(bucket.worst)
    return column


def bus_json(name: str, bus: Mapping[str, Any]) -> dict[str, Any]:
    """One bus of the recorder's status. ``use``: share of the time in which it is busy; ``faults``: failed polls that are no time-outs."""
    failures: Mapping[str, int] = bus.get("failures", {})
    timeouts = failures.get("timeout", 0)
    return {
        "name": name,
        "open": bus.get("is_open"),
        "detail": bus.get("fault", ""),
        "warnings": list(bus.get("warnings", ())),
        "use": bus.get("busy_share"),
        "lateness_p99_s": bus.get("lateness", {}).get("p99_s"),
        "polls": bus.get("polls"),
        "missed": bus.get("missed"),
        "timeouts": timeouts,
        "faults": sum(failures.values()) - timeouts,
        "silent": [device["name"] for device in bus.get("devices", ()) if device.get("silent")],
    }


def store_json(store: Mapping[str, Any], damaged: Mapping[str, str], growth: StoreStatus | None) -> dict[str, Any]:
    """The store's part of the recorder's status, how fast the recordings grow, and what the viewer could not read."""
    return {
        "size_bytes": growth.size_bytes if growth else None,
        "growth_bytes_per_day": growth.growth_bytes_per_day if growth else None,
        "days_until_full": growth.days_until_full if growth else None,
        "free_bytes": store.get("free_bytes"),
        "waiting": store.get("waiting"),
        "lost": store.get("lost"),
        "trouble": store.get("trouble", ""),
        "damaged": sorted(damaged),
    }
