"""Giving way, also where system calls that change priorities are refused, as by the filter of the viewer's unit (``~@resources``)."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import threading

import pytest

from loadlog.process.priority import NICE, OWN, keep_to_own_processor
from loadlog.store.sealing import HELPER

SETPRIORITY = {"x86_64": 141, "aarch64": 140}.get(platform.machine())
# seccomp(2): load the number of the call; is it setpriority, EPERM, else allow. nice(3) of glibc is that call too.
FILTER = """
import ctypes, os, struct
os.nice({nice})
steps = ((0x20, 0, 0, 0), (0x15, 0, 1, {call}), (0x06, 0, 0, 0x50001), (0x06, 0, 0, 0x7FFF0000))
code = b"".join(struct.pack("HBBI", *step) for step in steps)
kept = ctypes.create_string_buffer(code)
program = ctypes.create_string_buffer(struct.pack("HxxxxxxP", 4, ctypes.addressof(kept)))
libc = ctypes.CDLL(None, use_errno=True)
assert libc.prctl(38, 1, 0, 0, 0) == 0 and libc.prctl(22, 2, program, 0, 0) == 0, os.strerror(ctypes.get_errno())
try:
    os.nice(0)
except PermissionError:
    pass
else:
    raise AssertionError("the filter lets it pass")
"""
GIVES_WAY = "import os; from loadlog.process.priority import give_way; give_way(); print(os.getpriority(os.PRIO_PROCESS, 0))"


def nice_after(code: str) -> int:
    """Of a process that carries it out."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


def test_a_process_becomes_as_nice() -> None:
    assert nice_after(GIVES_WAY) == max(NICE, os.getpriority(os.PRIO_PROCESS, 0))


def test_one_that_is_nicer_stays_so() -> None:
    assert nice_after(f"import os; os.nice(19); {GIVES_WAY}") == 19


@pytest.mark.skipif(SETPRIORITY is None, reason="the number of the system call is known for x86-64 and 64-bit ARM")
@pytest.mark.parametrize("nice", [0, 19])
def test_a_filter_that_refuses_it_stops_nobody(nice: int) -> None:
    expected = min(os.getpriority(os.PRIO_PROCESS, 0) + nice, 19)
    assert nice_after(FILTER.format(nice=nice, call=SETPRIORITY) + GIVES_WAY) == expected


PROCESSORS = "import os; print(*sorted(os.sched_getaffinity(0)))"
several = pytest.mark.skipif(len(os.sched_getaffinity(0)) < 2 or OWN not in os.sched_getaffinity(0), reason="one processor")


def processors_after(code: str) -> set[int]:
    """Those that a process may use after it carried ``code`` out."""
    done = subprocess.run([sys.executable, "-c", f"{code}; {PROCESSORS}"], capture_output=True, text=True, check=True)
    return set(map(int, done.stdout.split()))


@several
def test_who_reads_leaves_the_first_processor_to_the_writing_thread() -> None:
    reads = "from loadlog.process.priority import give_way; give_way(); give_way()"  # a review is started by a viewer that gave way
    assert processors_after(reads) == os.sched_getaffinity(0) - {OWN}


@several
def test_threads_that_were_there_before_give_way_as_well() -> None:
    """As those that a library for linear algebra starts when it is loaded."""
    code = (
        "import os, threading; from loadlog.process.priority import NICE, give_way; end = threading.Event(); "
        "t = threading.Thread(target=end.wait); t.start(); give_way(); kept = os.sched_getaffinity(t.native_id); "
        "nice = os.getpriority(os.PRIO_PROCESS, t.native_id); end.set(); "
        f"assert (kept, nice) == (os.sched_getaffinity(0), max(NICE, {os.getpriority(os.PRIO_PROCESS, 0)})), (kept, nice)"
    )
    assert processors_after(code) == os.sched_getaffinity(0) - {OWN}


@several
def test_only_the_thread_that_writes_keeps_to_it() -> None:
    code = (
        "import os, threading; from loadlog.process.priority import keep_to_own_processor; kept = []; "
        "t = threading.Thread(target=lambda: (keep_to_own_processor(), kept.extend(os.sched_getaffinity(0)))); t.start(); t.join(); "
        f"assert kept == [{OWN}], kept"
    )
    assert processors_after(code) == os.sched_getaffinity(0)


def test_with_one_processor_everybody_stays_on_it() -> None:
    one = f"import os; os.sched_setaffinity(0, {{{max(os.sched_getaffinity(0))}}})"
    ways = "from loadlog.process.priority import give_way, keep_to_own_processor; keep_to_own_processor(); give_way()"
    assert processors_after(f"{one}; {ways}") == {max(os.sched_getaffinity(0))}


@several
def test_the_encoding_helper_of_the_writing_thread_runs_elsewhere() -> None:
    """A process that a thread starts inherits the processors of the thread (sched_setaffinity(2)), not those of its process."""
    request = b'{"path": "/does/not/exist", "after": 0, "upto": 1, "rolled": false}\n'
    found: list[set[int]] = []

    def write() -> None:
        keep_to_own_processor()
        with subprocess.Popen(HELPER, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as helper:
            assert helper.stdin is not None
            assert helper.stdout is not None
            helper.stdin.write(request)
            helper.stdin.flush()
            helper.stdout.read(8)  # it answers: it has found its place
            found.append(os.sched_getaffinity(helper.pid))

    thread = threading.Thread(target=write)
    thread.start()
    thread.join()
    assert found == [os.sched_getaffinity(0) - {OWN}]
