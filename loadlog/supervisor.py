"""`loadlog serve`: starts the recorder and the viewer, keeps both alive, and takes both down in order.

Invariants: the recorder is never ended because of the viewer; a part that dies is started again, with a back-off of at most
`BACKOFF_MAX_S`; a part that refuses its configuration, its ports or its store (exit status 2 to 4 before it was ever ready) ends the
service with that status, for starting it again would not help. On SIGTERM or SIGINT the recorder is asked first, so every sample taken
is on disk before the page goes.

Under systemd the two parts may be units of their own (``serve --part recorder``, ``serve --part viewer``); then this module is not in play.
"""

from __future__ import annotations

import logging
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import FrameType

BACKOFF_MAX_S = 10.0
SETTLED_S = 5.0  # a part that ran this long was in order; its next death is not a refusal
STOP_S = 20.0
_log = logging.getLogger(__name__)


class Part:
    """One child process: ``loadlog serve --part NAME``."""

    def __init__(self, name: str, arguments: Sequence[str]) -> None:
        self.name = name
        self._command = [sys.executable, "-m", "loadlog", *arguments, "--part", name]
        self._process: subprocess.Popen[bytes] | None = None
        self._started_s = 0.0
        self._backoff_s = 0.5
        self._retry_at_s = 0.0
        self._settled_once = False

    def start(self) -> None:
        """Start the process; its output goes where ours goes."""
        self._process = subprocess.Popen(self._command)
        self._started_s = time.monotonic()

    def poll(self) -> int | None:
        """Look after the process; the exit status when the part refuses for good, else None."""
        now_s = time.monotonic()
        if self._process is None:
            if now_s >= self._retry_at_s:
                self.start()
            return None
        if now_s - self._started_s > SETTLED_S:
            self._settled_once, self._backoff_s = True, 0.5
        status = self._process.poll()
        if status is None:
            return None
        self._process = None
        if status in (2, 3, 4) and not self._settled_once:
            return status
        _log.error("%s ended with status %s, starting it again in %.1f s", self.name, status, self._backoff_s)
        self._retry_at_s = now_s + self._backoff_s
        self._backoff_s = min(BACKOFF_MAX_S, self._backoff_s * 2)
        return None

    def signal(self, number: int) -> None:
        """Pass a signal on; a part that is down misses it."""
        if self._process is not None:
            self._process.send_signal(number)

    def stop(self) -> int:
        """SIGTERM, wait, and only when that fails SIGKILL. Returns the exit status (0 when the part was down)."""
        if self._process is None:
            return 0
        self._process.terminate()
        try:
            return self._process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            _log.error("%s did not stop within %g s and is killed", self.name, STOP_S)
            self._process.kill()
            return self._process.wait() or 1


class Supervisor:
    """Runs both parts until a signal comes."""

    def __init__(self, config_path: Path, arguments: Sequence[str] = ()) -> None:
        common = ["serve", "--config", str(config_path), *arguments]
        self._recorder, self._viewer = Part("recorder", common), Part("viewer", common)
        self._stopping = False

    def run(self) -> int:
        """Blocks; returns the exit status of the service: 0 after a clean stop."""
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._on_stop)
        signal.signal(signal.SIGHUP, self._on_reload)
        self._recorder.start()
        self._viewer.start()
        refusal: int | None = None
        while not self._stopping and refusal is None:
            time.sleep(0.1)
            for part in (self._recorder, self._viewer):
                refusal = part.poll() if refusal is None else refusal
        statuses = [self._recorder.stop(), self._viewer.stop()]
        return refusal if refusal is not None else max(map(abs, statuses))

    def _on_stop(self, _number: int, _frame: FrameType | None) -> None:
        self._stopping = True

    def _on_reload(self, _number: int, _frame: FrameType | None) -> None:
        self._recorder.signal(signal.SIGHUP)
        self._viewer.signal(signal.SIGHUP)
