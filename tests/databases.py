"""Real time-series databases on free loopback ports, each in a directory of its own; ended by their process, never by name.

InfluxDB 1.x and VictoriaMetrics as Debian packages them (`tests/servers.sh` installs them where it may).
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

import pytest

PATIENCE_S = 20.0
Points = dict[tuple[str, ...], dict[int, dict[str, Any]]]  # (measurement, tag values) -> stamp, ns -> field -> value


def free_port() -> int:
    """A port that nobody listens on at present."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


def needs(program: str) -> None:
    """Skip where a server is missing; in CI that is a failure."""
    if shutil.which(program) is None:
        if os.environ.get("CI") == "true":
            pytest.fail(f"CI needs {program}: tests/servers.sh installs it")
        pytest.skip(f"{program} is not installed (tests/servers.sh)")


class Server:
    """A program that listens; can be killed and started again on the same port and data."""

    program = ""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)

    def command(self) -> list[str]:
        """What is run."""
        raise NotImplementedError

    def start(self) -> None:
        """Run it and wait until it answers."""
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(self.command(), stdout=log, stderr=log)
        end_s = time.monotonic() + PATIENCE_S
        while True:
            try:
                urllib.request.urlopen(f"{self.url}{self.ready}", timeout=2).close()
                return
            except (OSError, urllib.error.URLError):
                if self._process.poll() is not None or time.monotonic() > end_s:
                    text = (self.folder / "log").read_text(errors="replace")[-2000:]
                    raise AssertionError(f"{self.program} does not start: {text}") from None
                time.sleep(0.05)

    ready = "/ping"

    def kill(self) -> None:
        """As a power cut does it to the process (SIGKILL)."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """In good order."""
        self._end(signal.SIGTERM)

    @property
    def pid(self) -> int:
        """Of the running program."""
        assert self._process is not None
        return self._process.pid

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(PATIENCE_S)
            self._process = None

    def __enter__(self) -> Any:
        self.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self._end(signal.SIGKILL)

    def get(self, path: str, data: bytes | None = None, user: str = "", **query: str) -> bytes:
        """The body of an answer."""
        request = urllib.request.Request(f"{self.url}{path}?{urllib.parse.urlencode(query)}", data=data)
        if user:
            request.add_header("Authorization", "Basic " + base64.b64encode(user.encode()).decode())
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
            body: bytes = answer.read()
        return body


class Influx1(Server):
    """InfluxDB 1.x. ``auth``: needs the user ``admin`` with the password ``secret``."""

    program = "influxd"

    def __init__(self, folder: Path, auth: bool = False) -> None:
        needs(self.program)
        super().__init__(folder)
        self._user = "admin:secret" if auth else ""
        backup_port = free_port()
        self._config = folder / "influxdb.conf"
        self._config.write_text(
            f'reporting-enabled = false\nbind-address = "127.0.0.1:{backup_port}"\n'
            f'[meta]\ndir = "{folder}/meta"\n[data]\ndir = "{folder}/data"\nwal-dir = "{folder}/wal"\nquery-log-enabled = false\n'
            "max-values-per-tag = 0\n[monitor]\nstore-enabled = false\n"
            f'[http]\nbind-address = "127.0.0.1:{self.port}"\nlog-enabled = false\nauth-enabled = {str(auth).lower()}\n',
        )

    def command(self) -> list[str]:
        return [self.program, "-config", str(self._config)]

    def start(self) -> None:
        super().start()
        if self._user:
            with contextlib.suppress(urllib.error.HTTPError):  # after a restart there is one already
                self.query("CREATE USER admin WITH PASSWORD 'secret' WITH ALL PRIVILEGES", user="")

    def query(self, text: str, db: str = "", user: str | None = None) -> list[dict[str, Any]]:
        """Series of an InfluxQL statement; stamps in ns."""
        body = self.get("/query", b"", self._user if user is None else user, q=text, db=db, epoch="ns")
        result = json.loads(body)["results"][0]
        assert "error" not in result, result
        return list(result.get("series", []))

    def create(self, database: str) -> None:
        self.query(f'CREATE DATABASE "{database}"')

    def points(self, database: str, measurement: str) -> Points:
        """Every point, exactly."""
        out: Points = {}
        for series in self.query(f'SELECT * FROM "{measurement}" GROUP BY *', database):
            tags = series["tags"]
            key = (measurement, *(tags[tag] for tag in sorted(tags)))
            fields = series["columns"][1:]
            out[key] = {
                row[0]: {name: value for name, value in zip(fields, row[1:], strict=True) if value is not None} for row in series["values"]
            }
        return out


class Victoria(Server):
    """VictoriaMetrics: write API v2, every number a float, stamps in ms."""

    program = "victoria-metrics"
    ready = "/health"

    def __init__(self, folder: Path) -> None:
        needs(self.program)
        super().__init__(folder)

    def command(self) -> list[str]:
        return [
            self.program, f"-httpListenAddr=127.0.0.1:{self.port}", f"-storageDataPath={self.folder}/data", "-retentionPeriod=100y",
            "-dedup.minScrapeInterval=1ms", "-search.latencyOffset=0s",
        ]  # fmt: skip

    def points(self, measurement: str) -> Points:
        """Every point, exactly; stamps are multiples of a millisecond."""
        self.get("/internal/force_flush")
        out: Points = {}
        body = self.get("/api/v1/export", **{"match[]": f'{{__name__=~"{measurement}_.*"}}', "reduce_mem_usage": "0"})
        for line in body.splitlines():
            series = json.loads(line)
            labels = series["metric"]
            name = labels.pop("__name__").removeprefix(f"{measurement}_")
            labels.pop("db", None)
            points = out.setdefault((measurement, *(labels[label] for label in sorted(labels))), {})
            for t_ms, value in zip(series["timestamps"], series["values"], strict=True):
                points.setdefault(t_ms * 1_000_000, {})[name] = value
        return out
