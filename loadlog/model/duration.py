"""Lengths of time as people write them (``90s``, ``45min``, ``12h``, ``2d``, or sums such as ``1h30min``), and as they are told."""

from __future__ import annotations

import re

from loadlog.model.errors import UsageError

LONGEST_S = 3.2e8  # of a run: ten years
UNITS_S = {"s": 1.0, "m": 60.0, "min": 60.0, "h": 3600.0, "d": 86400.0}


def parse_duration(text: str) -> float:
    """Seconds.

    Raises:
        UsageError: anything else.
    """
    parts = re.findall(r"(\d+(?:\.\d+)?)\s*(min|[smhd])", text)
    if not parts or "".join(number + unit for number, unit in parts) != text.replace(" ", ""):
        raise UsageError(f"{text!r} is no duration such as 90s, 45min, 12h or 1h30min")
    return sum(float(number) * UNITS_S[unit] for number, unit in parts)


def duration_words(seconds: float) -> str:
    """``3 s``, ``12 min``, ``5 h 20 min``, ``3 d 4 h``."""
    s = max(0, round(seconds))
    if s < 100:
        return f"{s} s"
    minutes = round(s / 60)
    if minutes < 100:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{hours // 24} d {hours % 24} h"
