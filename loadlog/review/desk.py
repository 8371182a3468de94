"""Post-mortems on demand, for a page that must go on while one is computed.

One at a time, each in a process of its own (`job`) with a limit of time; what nobody asks for any more is given up. Results are kept while
they hold: for ever where the run has ended, for `FRESH_S` while it is on; the oldest go when they are more than `KEPT_BYTES`. Thread-safe.
"""

from __future__ import annotations

import json
import logging
import subprocess
import sys
import threading
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from loadlog.model.errors import RefusedError, StoreError

JOB = (sys.executable, "-m", "loadlog.review.job")
KEPT_BYTES = 32 << 20
MAX_WAITING = 8
FRESH_S = 30.0
ABANDONED_S = 30.0  # nobody has asked for so long
LIMIT_S = 1800.0
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Written:
    """A post-mortem, compressed with gzip: as JSON and as one HTML file."""

    json_gz: bytes
    html_gz: bytes

    @property
    def size(self) -> int:
        """Bytes that it takes."""
        return len(self.json_gz) + len(self.html_gz)


@dataclass(frozen=True, slots=True)
class Working:
    """Not there yet: ``done`` of ``total`` samples were read; ``before``: how many other runs are reviewed first."""

    done: int
    total: int
    before: int


@dataclass(slots=True)
class _Job:
    run_id: str
    asked_s: float
    done: int = 0
    total: int = 0
    error: StoreError | None = None


@dataclass(slots=True)
class _Kept:
    written: Written
    until_s: float = field(default=float("inf"))


class Desk:
    """Ask again until it is there; `close` at the end."""

    def __init__(self, data_dir: Path, monotonic_s: Callable[[], float], limit_s: float = LIMIT_S) -> None:
        self._data_dir, self._monotonic_s, self._limit_s = data_dir, monotonic_s, limit_s
        self._lock = threading.Condition()
        self._kept: OrderedDict[tuple[str, int | None], _Kept] = OrderedDict()
        self._jobs: dict[tuple[str, int | None], _Job] = {}
        self._waiting: deque[tuple[str, int | None]] = deque()
        self._process: subprocess.Popen[bytes] | None = None
        self._thread: threading.Thread | None = None
        self._closed = False

    def ask(self, run_id: str, ended_utc_ns: int | None) -> Written | Working:
        """The post-mortem of a run, or how far it is; the first question begins it.

        Raises:
            RefusedError: too many others wait.
            StoreError: it could not be made; the next question tries again.
        """
        key = (run_id, ended_utc_ns)
        with self._lock:
            kept = self._kept.get(key)
            if kept is not None and self._monotonic_s() < kept.until_s:
                self._kept.move_to_end(key)
                return kept.written
            job = self._jobs.get(key)
            if job is None:
                job = self._begin(key)
            if job.error is not None:
                del self._jobs[key]
                raise job.error
            job.asked_s = self._monotonic_s()
            return Working(job.done, job.total, self._waiting.index(key) + 1 if key in self._waiting else 0)

    def _begin(self, key: tuple[str, int | None]) -> _Job:
        if self._closed or len(self._waiting) >= MAX_WAITING:
            raise RefusedError("too many reviews are asked for at once", hint="wait for one of them", retryable=True)
        for stale in [k for k, job in self._jobs.items() if job.error is not None]:
            del self._jobs[stale]
        job = self._jobs[key] = _Job(key[0], self._monotonic_s())
        self._waiting.append(key)
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="reviews", daemon=True)
            self._thread.start()
        self._lock.notify()
        return job

    def close(self) -> None:
        """Give up what is under way."""
        with self._lock:
            self._closed = True
            self._lock.notify()
            if self._process is not None:
                self._process.kill()
        if self._thread is not None:
            self._thread.join(5.0)

    # -- the worker

    def _work(self) -> None:
        while True:
            with self._lock:
                while not self._waiting and not self._closed:
                    self._lock.wait()
                if self._closed:
                    return
                key = self._waiting.popleft()
                job = self._jobs[key]
            if self._abandoned(job):
                with self._lock:
                    del self._jobs[key]
                continue
            try:
                written = self._run(job)
            except (StoreError, OSError, ValueError) as exc:
                _log.warning("review of %s: %s", job.run_id, exc)
                with self._lock:
                    job.error = exc if isinstance(exc, StoreError) else StoreError(f"the review of {job.run_id} failed: {exc}")
                continue
            with self._lock:
                del self._jobs[key]
                self._keep(key, written)

    def _keep(self, key: tuple[str, int | None], written: Written) -> None:
        self._kept[key] = _Kept(written) if key[1] is not None else _Kept(written, self._monotonic_s() + FRESH_S)
        self._kept.move_to_end(key)
        while len(self._kept) > 1 and sum(kept.written.size for kept in self._kept.values()) > KEPT_BYTES:
            self._kept.popitem(last=False)

    def _abandoned(self, job: _Job) -> bool:
        return self._monotonic_s() - job.asked_s > ABANDONED_S

    def _run(self, job: _Job) -> Written:
        """Raises `StoreError` when there is no result in time."""
        with subprocess.Popen(
            [*JOB, str(self._data_dir), job.run_id], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE
        ) as process:  # fmt: skip
            with self._lock:
                self._process = process
                if self._closed:
                    process.kill()
            assert process.stdout is not None
            limit = threading.Timer(self._limit_s, process.kill)
            limit.start()
            try:
                for line in process.stdout:
                    said = json.loads(line)
                    if "error" in said:
                        raise StoreError(str(said["error"]))
                    if "json" in said:
                        bodies = process.stdout.read()
                        if len(bodies) == said["json"] + said["html"]:
                            return Written(bodies[: said["json"]], bodies[said["json"] :])
                        break
                    job.done, job.total = said["done"], said["total"]
                    if self._abandoned(job):
                        raise StoreError(f"the review of {job.run_id} was given up", hint="ask again", retryable=True)
                status = process.wait(5.0)
                raise StoreError(f"the review of {job.run_id} ended without a result (status {status})", hint="see the service's log")
            finally:
                limit.cancel()
                process.kill()
                self._process = None
