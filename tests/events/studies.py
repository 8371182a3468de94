"""Studies beside the scenarios. Filled in below."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Figure:
    """One figure asked for beside the one reached. ``met`` None: too little was simulated to say."""

    what: str
    asked: str
    reached: str
    met: bool | None


@dataclass
class Study:
    """``text``: table for people."""

    name: str
    text: str
    figures: list[Figure] = field(default_factory=list)


def studies(seed: int, quick: bool) -> list[Study]:
    """All of them."""
    return []
