"""Who reads gives way to who records: on a busy machine a poll or a commit does not wait for somebody's plot."""

from __future__ import annotations

import os

NICE = 5  # as the viewer's unit in deploy/ has it


def give_way(nice: int = NICE) -> None:
    """This process is at least as nice as that (nice(2)); one that is nicer already stays so. It cannot be taken back."""
    os.nice(max(0, nice - os.nice(0)))
