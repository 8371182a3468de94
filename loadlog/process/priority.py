"""Who reads gives way to who records: on a busy machine a poll or a commit does not wait for somebody's plot."""

from __future__ import annotations

import contextlib
import os

# The nicest there is, as the viewer's unit in deploy/ has it. A thread that computes a moment before it waits for the disk may have to wait
# its turn again when the disk is done, until the next tick (several ms) if what runs meanwhile has a weight to speak of: at nice 10 four
# readers that look five times a second delay every twentieth of such commits, at 19 one in a hundred.
NICE = 19


def give_way() -> None:
    """This process is as nice as can be (nice(2)), which cannot be taken back. Where it may not change its priority at all, not even to
    the same one (the filter of system calls in the unit), it stays as systemd made it."""
    more = NICE - os.getpriority(os.PRIO_PROCESS, 0)
    if more > 0:
        with contextlib.suppress(PermissionError):
            os.nice(more)
