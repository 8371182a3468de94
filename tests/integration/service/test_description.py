"""schemathesis against the description of a whole service: simulated instruments, the real recorder, the real viewer with a token.

Every check of schemathesis: no 5xx, only documented statuses, media types, headers and bodies, what the description forbids is refused,
what it permits is not. The seed is drawn afresh; the command to replay a failure is in the report that the test prints.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.integration.service.test_service import Bench, wait_for

TOKEN = "a-token-for-the-description"
MORE = """
[[plan]]
name = "overnight"
devices = ["load-1"]

[[forward]]
name = "lab"
kind = "influxdb2"
url = "http://127.0.0.1:9"
bucket = "bench"
"""
EXAMPLES = 4
# The stream has no end; 503 is what /readyz is for; credentials are a test of their own, since wrong ones are counted.
LEFT_OUT = ("--exclude-path", "/api/stream", "--exclude-path", "/readyz", "--exclude-checks", "ignored_auth")


@pytest.fixture
def service(tmp_path: Path) -> Iterator[str]:
    """Base address of a service at work, with a run that has ended."""
    bench = Bench(tmp_path)
    try:
        (tmp_path / "token").write_text(TOKEN)
        text = bench.config.read_text(encoding="utf-8")
        assert text.count("[web]\n") == 1
        bench.config.write_text(text.replace("[web]\n", '[web]\ntoken_file = "token"\nhosts = ["bench.example.org"]\n') + MORE)
        with (tmp_path / "log").open("w") as log:
            bench.serve(stderr=log)
        found = wait_for("the page's address", lambda: re.search(r"address=\"?(http://127\S+:\d+)/", (tmp_path / "log").read_text()))
        address = found.group(1)
        with httpx.Client(base_url=address, headers={"Authorization": f"Bearer {TOKEN}"}) as http:
            run = http.post("/api/runs", json={"name": "before", "devices": ["load-1"]}).json()["id"]
            assert http.post(f"/api/runs/{run}/stop").status_code == 200
        yield address
    finally:
        bench.stop()


def test_the_service_keeps_to_its_description(service: str, tmp_path: Path) -> None:
    environ = {
        **os.environ, "SCHEMATHESIS_HOOKS": "tests.integration.service.api_hooks", "LOADLOG_TEST_SERVICE": service,
        "LOADLOG_TEST_TOKEN": TOKEN, "PYTHONPATH": os.pathsep.join(map(os.path.abspath, sys.path)),
    }  # fmt: skip
    command = [
        sys.executable, "-m", "schemathesis.cli", "run", f"{service}/api/openapi.json", "-H", f"Authorization: Bearer {TOKEN}",
        "--checks", "all",        *LEFT_OUT, "--mode", "all", "--max-examples", str(EXAMPLES), "--request-timeout", "40", "--no-color",
        "--report", "ndjson", "--report-dir", str(tmp_path),
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=110, check=False, env=environ, cwd=tmp_path)
    print(done.stdout, done.stderr)
    assert done.returncode == 0
    assert re.search(r"Operations: +(\d+) selected", done.stdout), "nothing was tested"
    statuses = statuses_of(next(tmp_path.glob("*.ndjson")))
    print(statuses)
    assert {200, 201, 404, 405, 422} <= set(statuses)
    assert not {429, 500} & set(statuses)


def statuses_of(report: Path) -> Counter[int]:
    """How often each status was answered."""
    return Counter(int(status) for status in re.findall(r'"status_code": ?(\d+)', report.read_text(encoding="utf-8")))
