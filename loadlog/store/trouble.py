"""What the journal reports about itself. The recorder makes events of it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Trouble:
    """``kind`` is an event kind: ``store_trouble``, ``disk_low`` or ``sample_gap``. ``key`` tells troubles of one kind apart; the same
    (kind, key) comes again with ``active`` False when it is over. ``momentary``: over as it is told. ``since_utc_ns``: when it began,
    0 for just now."""

    kind: str
    message: str
    active: bool = True
    key: str = ""
    momentary: bool = False
    since_utc_ns: int = 0
