"""Who reads gives way to who records: on a busy machine a poll or a commit does not wait for somebody's plot."""

from __future__ import annotations

import contextlib
import os

NICE = 19  # the nicest there is, as the viewer's unit in deploy/ has it
# The first processor is the writing thread's where there are others. Being nice is not enough: a thread that waits a tenth of a millisecond
# for the disk several times in a commit may, at each of them, wait for its turn behind whatever runs on its processor until the next tick
# (4 ms at 250 Hz), however nice that is; so do the kernel's threads that end its writes, which are bound to that processor.
# Of commits beside four readers that look five times a second one in fifty came that late, at nice 19 and at SCHED_IDLE alike.
OWN = 0


def give_way() -> None:
    """This process, with the threads that it has (a library may start some as it is loaded) and the threads and processes that it will
    start, is as nice as can be (setpriority(2)) and leaves processor `OWN` alone (sched_setaffinity(2)); Linux does both to single threads.
    Where it may not change its priority, not even to the same one (a filter of system calls), it stays as it was made."""
    processors = os.sched_getaffinity(0) - {OWN}
    for thread in map(int, os.listdir("/proc/self/task")):
        with contextlib.suppress(OSError):  # refused, or the thread has ended
            if os.getpriority(os.PRIO_PROCESS, thread) < NICE:
                os.setpriority(os.PRIO_PROCESS, thread, NICE)
        _run_on(processors, thread)


def keep_to_own_processor() -> None:
    """The thread that calls this, and what it starts, runs on processor `OWN` only; where that is not among those it may use, or is the
    only one, or changing it is refused, nothing changes."""
    if OWN in os.sched_getaffinity(0):
        _run_on({OWN})


def _run_on(processors: set[int], thread: int = 0) -> None:
    if processors:
        with contextlib.suppress(OSError):
            os.sched_setaffinity(thread, processors)
