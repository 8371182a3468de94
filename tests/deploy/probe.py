"""Runs inside a unit's restrictions instead of the service, and tries what the service needs and what it must not be able to do.

    python probe.py recorder|viewer PORT

One line each: ``ok`` or ``no``, what was tried, what came of it. Stands alone: it is run by the installed release's Python.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import io
import mmap
import os
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

STATE = Path("/var/lib/loadlog")
_LIBC = ctypes.CDLL(None, use_errno=True)
CLONE_NEWUSER = 0x10000000


def _checked(result: int) -> None:
    if result == -1:
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))


def _port(path: str) -> None:
    import serial

    with serial.Serial(path, 19200, exclusive=True, timeout=0.1) as port:
        port.write(b"\0")


def _database() -> None:
    path = STATE / "probe.sqlite"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; CREATE TABLE t (x); INSERT INTO t VALUES (1)")
        connection.commit()
    path.unlink()


def _helper() -> None:
    """What the helper that packs recordings does: another process, lowest priority, numpy and pcodec."""
    code = (
        "import os; os.setpriority(os.PRIO_PROCESS, 0, 19)\n"
        "import numpy, loadlog.store.encoder\n"
        "from pcodec import standalone, ChunkConfig\n"
        "packed = standalone.simple_compress(numpy.arange(6000), ChunkConfig()); assert len(packed) < 6000"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)


def _own_processor() -> None:
    """As the thread that writes does when it starts; the helper that it starts runs elsewhere, where there is another processor."""
    from loadlog.process.priority import OWN, keep_to_own_processor
    from loadlog.store.sealing import HELPER

    everywhere, found = os.sched_getaffinity(0), []

    def write() -> None:
        keep_to_own_processor()
        with subprocess.Popen(HELPER, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as helper:
            assert helper.stdin is not None
            assert helper.stdout is not None
            helper.stdin.write(b'{"path": "/does/not/exist", "after": 0, "upto": 1, "rolled": false}\n')
            helper.stdin.flush()
            helper.stdout.read(8)  # it answers: it has found its place
            found.extend([os.sched_getaffinity(0), os.sched_getaffinity(helper.pid)])

    thread = threading.Thread(target=write)
    thread.start()
    thread.join()
    assert found == [{OWN}, everywhere - {OWN} or everywhere], found


def _thread() -> None:
    thread = threading.Thread(target=time.sleep, args=(0.01,))
    thread.start()
    thread.join()


def _local_socket() -> None:
    path = STATE / "probe.sock"
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(path))
    path.unlink()


def _report() -> None:
    import matplotlib
    import pyarrow
    import pyarrow.parquet

    matplotlib.use("svg")
    from matplotlib.figure import Figure

    Figure().add_subplot().plot([1, 2])
    pyarrow.parquet.write_table(pyarrow.table({"x": list(range(1000))}), io.BytesIO(), compression="zstd")


def _gives_way() -> None:
    """As the viewer does when it starts; its unit has set the priority already."""
    from loadlog.process.priority import NICE, OWN, give_way

    everywhere = os.sched_getaffinity(0)
    give_way()
    assert os.getpriority(os.PRIO_PROCESS, 0) == NICE
    assert os.sched_getaffinity(0) == (everywhere - {OWN} or everywhere), os.sched_getaffinity(0)


def _libraries() -> None:
    import apprise  # noqa: F401
    import influxdb_client  # noqa: F401

    import loadlog.viewer  # noqa: F401


def _credential() -> None:
    assert (Path(os.environ["CREDENTIALS_DIRECTORY"]) / "loadlog-web-token").read_text().strip()


def _suid() -> None:
    path = STATE / "probe-suid"
    path.touch()
    try:
        path.chmod(0o4755)
    finally:
        path.unlink()


NEEDED: dict[str, list[tuple[str, Callable[[], Any]]]] = {
    "both": [
        ("keep a database in the state directory", _database),
        ("listen on a local socket", _local_socket),
        ("open a TCP socket", lambda: socket.create_server(("127.0.0.1", 0)).close()),
        ("resolve a name", lambda: socket.getaddrinfo("localhost", 80)),
        ("start threads", _thread),
        ("read the configuration", lambda: Path("/etc/loadlog/bench.toml").read_text()),
    ],
    "recorder": [("pack blocks in a helper", _helper), ("keep its writing thread to a processor", _own_processor)],
    "viewer": [
        ("read the credential", _credential),
        ("draw a report and write Parquet", _report),
        ("load its libraries", _libraries),
        ("give way to the recorder", _gives_way),
    ],
}
FORBIDDEN: list[tuple[str, Callable[[], Any]]] = [
    ("write to the configuration", lambda: Path("/etc/loadlog/probe").touch()),
    ("write to the release", lambda: Path("/opt/loadlog/probe").touch()),
    ("look into home directories", lambda: list(Path("/home").iterdir()) and None),
    ("look into root's home", lambda: list(Path("/root").iterdir())),
    ("read the secrets' files", lambda: list(Path("/etc/credstore").iterdir())),
    ("open the disk", lambda: os.open("/dev/vda", os.O_RDONLY)),
    ("use a device that everybody may use", lambda: os.open("/dev/net/tun", os.O_RDWR)),
    ("read the kernel's log", lambda: os.open("/dev/kmsg", os.O_RDONLY)),
    ("see other processes", lambda: Path("/proc/1/cmdline").read_bytes()),
    ("read kernel settings", lambda: Path("/proc/sys/kernel/hostname").read_text()),
    ("set the clock", lambda: time.clock_settime(time.CLOCK_REALTIME, time.time())),
    ("make a namespace", lambda: _checked(_LIBC.unshare(CLONE_NEWUSER))),
    ("mount", lambda: _checked(_LIBC.mount(b"none", b"/tmp", b"tmpfs", 0, None))),
    ("use raw sockets", lambda: socket.socket(socket.AF_PACKET, socket.SOCK_RAW).close()),
    ("talk to the kernel's network", lambda: socket.socket(socket.AF_NETLINK, socket.SOCK_RAW).close()),
    ("write code and run it", lambda: mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)),
    ("run in real time", lambda: os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))),
    ("make a program that changes users", _suid),
]


def _outcome(attempt: Callable[[], Any]) -> str:
    """Empty when it worked, else why not."""
    try:
        attempt()
    except OSError as exc:
        return errno.errorcode.get(exc.errno or 0, str(exc))
    except subprocess.CalledProcessError as exc:
        return str(exc.stderr).strip().replace("\n", "; ")[-300:]
    except Exception as exc:  # whatever it is, it is the outcome
        return repr(exc)
    return ""


def main(kind: str, port: str) -> None:
    """Prints a line for each attempt."""
    needed = [*NEEDED["both"], *NEEDED[kind]]
    forbidden = list(FORBIDDEN)
    (needed if kind == "recorder" else forbidden).append((f"open the serial port {port}", lambda: _port(port)))
    for what, attempt in needed:
        why = _outcome(attempt)
        print("no" if why else "ok", f"{kind} can {what}", why, flush=True)
    for what, attempt in forbidden:
        why = _outcome(attempt)
        print("ok" if why else "no", f"{kind} cannot {what}", why, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:3])
