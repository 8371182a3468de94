"""What the journal reports about itself. The recorder makes events of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from loadlog.model.clock import NS, format_utc
from loadlog.model.duration import duration_words


@dataclass(frozen=True, slots=True)
class Trouble:
    """``kind`` is an event kind: ``store_trouble``, ``disk_low`` or ``sample_gap``. ``key`` tells troubles of one kind apart; the same
    (kind, key) comes again with ``active`` False when it is over. ``momentary``: over as it is told. ``since_utc_ns``: when it began,
    0 for just now. ``device``, ``evidence``: as of an event."""

    kind: str
    message: str
    active: bool = True
    key: str = ""
    momentary: bool = False
    since_utc_ns: int = 0
    device: str | None = None
    evidence: Mapping[str, Any] = field(default_factory=dict)


def not_running(device: str, from_utc_ns: int, to_utc_ns: int) -> Trouble:
    """No samples between these instants, of the last before and of the first after: nobody took them."""
    message = f"{device}: no samples for {duration_words((to_utc_ns - from_utc_ns) / NS)}: the recorder was not running"
    return _gap(device, message, from_utc_ns, to_utc_ns)


def lost(device: str, samples: int, from_utc_ns: int, to_utc_ns: int) -> Trouble:
    """Samples between these instants, the first and the last of them, were taken and had to be given up."""
    span = duration_words((to_utc_ns - from_utc_ns) / NS)
    message = f"{device}: {samples} samples within {span} were lost: the queue was full while the disk refused"
    return _gap(device, message, from_utc_ns, to_utc_ns, lost_samples=samples)


def _gap(device: str, message: str, from_utc_ns: int, to_utc_ns: int, **more: Any) -> Trouble:
    """The extent stands in the evidence, as instants do wherever programs read them."""
    extent = {"gap_from": format_utc(from_utc_ns), "gap_to": format_utc(to_utc_ns), "gap_s": round((to_utc_ns - from_utc_ns) / NS, 3)}
    return Trouble(
        "sample_gap", message, key=device, momentary=True, since_utc_ns=from_utc_ns, device=device, evidence={**extent, **more}
    )  # fmt: skip
