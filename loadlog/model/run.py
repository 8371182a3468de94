"""Runs as the recorder, the store and the viewer speak of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class RunInfo:
    """One named test. ``id`` is ``<name>-<4 digits>``; instants in UTC nanoseconds; ``planned_s`` 0 when open-ended.

    ``ended_utc_ns`` is None while the run goes on, or when a crash ended its recording and nobody stopped it yet.
    """

    id: str
    name: str
    devices: tuple[str, ...]
    started_utc_ns: int
    planned_s: float = 0.0
    ended_utc_ns: int | None = None
    end_reason: str = ""
    keep: bool = False


@dataclass(frozen=True, slots=True)
class Note:
    """A line that somebody wrote into the logbook of a recording."""

    seq: int
    t_utc_ns: int
    author: str
    text: str


@dataclass(frozen=True, slots=True)
class Snapshot:
    """What a recording must know to explain itself without the service: all JSON-serialisable.

    ``config``: the configuration file's text; ``profiles``: name -> text and SHA-256; ``devices``: `DeviceSpec` per device as JSON;
    ``software``: name and version; ``identities``: device -> reported identity texts.
    """

    bench: str
    config: str
    profiles: dict[str, dict[str, str]]
    devices: dict[str, dict[str, Any]]
    software: str
    identities: dict[str, dict[str, str]] = field(default_factory=dict)
