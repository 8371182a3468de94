"""The live page for tests and measurements: in a thread of this process (`serving`), or the viewer as a process of its own (`viewer`). Both
listen on a free port of the loopback interface, over recordings that a stand-in (`tests.unit.web.stand_in`) writes, or nobody."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from loadlog.config import PlanConfig
from loadlog.model.device import DeviceSpec
from loadlog.viewer import make_viewer
from loadlog.web import Access
from loadlog.web.serve import listen
from tests.one_load import one_load
from tests.unit.web.stand_in import SPECS

TOKEN = "correct-horse-battery-staple"
READ_TOKEN = "who-may-only-look-at-it"
HEADERS = {"X-Loadlog": "test"}
PATIENCE_S = 20.0
LOOPBACK = Access(True)
PLANS = (
    PlanConfig(
        name="overnight-24v", devices=["load-1", "case"], duration="12h", cron="0 22 * * 1-5", time_zone="Europe/Berlin",
        stop={"device": "load-1", "voltage_below": 21.0},
        accept=[{"device": "load-1", "channel": "voltage", "statistic": "mean", "low": 23.76, "high": 24.24}],
    ),
    PlanConfig(name="pack-36v", devices=["load-2"], keep=True),
)  # fmt: skip
VIEWER = (sys.executable, "-m", "loadlog", "serve", "--part", "viewer", "--config")


@contextlib.contextmanager
def serving(
    data_dir: Path,
    access: Access = LOOPBACK,
    name: str = "north-wall",
    port: int = 0,
    *,
    specs: Mapping[str, DeviceSpec] = SPECS,
    plans: Sequence[PlanConfig] = PLANS,
    **more: Any,
) -> Iterator[str]:
    """The page's base address while it is served; ``more`` goes to the viewer."""
    listening = threading.Event()
    sock = listen("127.0.0.1", port)
    server = make_viewer(name, specs, data_dir, access, listening.set, plans=lambda: plans, **more)
    thread = threading.Thread(target=server.run, args=([sock],), daemon=True)
    thread.start()
    assert listening.wait(PATIENCE_S)
    try:
        yield f"{'https' if more.get('tls') else 'http'}://127.0.0.1:{sock.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(PATIENCE_S)
        sock.close()
        assert not thread.is_alive(), "the server did not stop"


def configured(folder: Path, web: str = "tcp_port = 0", more: str = "") -> Path:
    """A configuration with ``web`` as its section ``[web]``, for a viewer over ``folder / "data"``."""
    path = folder / "bench.toml"
    path.write_text(one_load(f"[web]\n{web}\n{more}"))
    return path


@contextlib.contextmanager
def viewer(path: Path, **environ: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The process and the address that it logs; killed at the end if it is still there."""
    process = subprocess.Popen([*VIEWER, str(path)], stderr=subprocess.PIPE, text=True, env={**os.environ, **environ})
    assert process.stderr is not None
    try:
        for line in process.stderr:
            if found := re.search(r"address=\"?(https?://\S+:\d+)/", line):
                yield process, found.group(1)
                break
        else:
            raise AssertionError("the viewer ended before it served")
    finally:
        if process.poll() is None:
            process.kill()
        process.stderr.close()
        process.wait(PATIENCE_S)


def refusal(path: Path) -> tuple[int, str]:
    """Exit status and the one line of a viewer that does not start."""
    done = subprocess.run([*VIEWER, str(path)], capture_output=True, text=True, timeout=60, check=False)
    (line,) = [line for line in done.stderr.splitlines() if " INFO " not in line]
    return done.returncode, line
