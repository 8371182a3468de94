"""The JSON forms of CONTRACT that the vocabulary does not make itself: samples, devices, runs.

Plain JSON values only: a number that JSON cannot carry (NaN, infinity) becomes null, an integer beyond 2^53 stays an integer.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from loadlog.model.clock import NS, format_utc
from loadlog.model.device import ChannelSpec, DeviceSpec, LimitSpec
from loadlog.model.run import Note, RunInfo
from loadlog.model.sample import Quality, Sample
from loadlog.store.progress import Progress

QUALITY_WORD = {Quality.GOOD: "good", Quality.UNCERTAIN: "uncertain", Quality.BAD: "bad"}


def finite(value: float | None) -> float | None:
    """The value, or None where JSON has no number for it."""
    return value if value is not None and math.isfinite(value) else None


def sample_json(sample: Sample, run: str | None, spec: DeviceSpec | None) -> dict[str, Any]:
    """A sample as CONTRACT gives it, plus which channels are bad or held from an earlier poll, and why a poll failed."""
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
