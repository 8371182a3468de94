"""Who reads gives way to who records: on a busy machine a poll or a commit does not wait for somebody's plot."""

from __future__ import annotations

import contextlib
import os

NICE = 5  # as the viewer's unit in deploy/ has it


def give_way(nice: int = NICE) -> None:
    """This process is at least as nice as that (nice(2)); one that is nicer already stays so. It cannot be taken back. Where it may not
    change its priority at all, not even to the same one (the filter of system calls in the unit), it stays as systemd made it."""
    more = nice - os.getpriority(os.PRIO_PROCESS, 0)
    if more > 0:
        with contextlib.suppress(PermissionError):
            os.nice(more)
