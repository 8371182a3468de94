"""`loadlog serve` as real processes on the simulated workshop, whose faults come on a timetable, with a real mail server, a webhook that is
down at first, and a server that never answers."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.integration.service.test_service import Bench, wait_for
from tests.unit.notify.receivers import PASSWORD, Hook, Mailbox, free_port, hook_url, mail_server, mail_url, rude_server, web_hook

NOTIFY = """
[notify]
urls_env = "LOADLOG_TEST_URLS"
group_s = 1
per_hour = 90
recorder_gone_s = 5
timeout_s = 3
page_url = "http://bench.example:8437/"
heartbeat_url_env = "LOADLOG_TEST_BEAT"
heartbeat_s = 1

[[notify.target]]
name = "hook"
urls_file = "hook.url"
severity = "info"

[[notify.target]]
name = "mute"
urls_env = "LOADLOG_TEST_MUTE"
"""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.stop()


def subjects(mailbox: Mailbox) -> list[str]:
    return [str(message["Subject"]) for message in mailbox.messages]


def bodies(mailbox: Mailbox) -> str:
    return "\n".join(str(message.get_content()) for message in mailbox.messages)


def notify(bench: Bench, environ: dict[str, str], *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "loadlog", "notify", *arguments, "--config", str(bench.config)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, env=environ)


@pytest.mark.timeout(240)
def test_faults_on_the_bench_reach_people_by_mail_once_whatever_happens_to_the_viewer(bench: Bench, tmp_path: Path) -> None:
    mailbox, beat, hook, hook_port = Mailbox(), Hook(), Hook(), free_port()
    bench.config.write_text(bench.config.read_text() + NOTIFY)
    (tmp_path / "hook.url").write_text(hook_url(hook_port))
    with mail_server(mailbox, PASSWORD) as port, rude_server("silent") as mute_port, web_hook(beat) as beat_port:
        environ = {
            **os.environ,
            "LOADLOG_TEST_URLS": mail_url(port),
            "LOADLOG_TEST_MUTE": hook_url(mute_port),
            "LOADLOG_TEST_BEAT": f"http://127.0.0.1:{beat_port}/tokenXsecret",
        }
        with (tmp_path / "log").open("w") as log:
            service = bench.serve("-v", env=environ, stderr=log)
        viewer, recorder = bench.part(service, "viewer"), bench.part(service, "recorder")
        wait_for("a heartbeat", lambda: beat.paths)
        # The sense lead falls off twelve seconds after the first request; the viewer dies as soon as that was told.
        wait_for("a mail", lambda: mailbox.messages)
        viewer.kill()
        wait_for("a new viewer", lambda: bench.part(service, "viewer").pid != viewer.pid)
        wait_for("the end of the alarm", lambda: "CLEARED load-1: sense fallback" in bodies(mailbox))
        text = bodies(mailbox)
        assert text.count("ALARM load-1: sense fallback") == 1
        for part in ("meaning: the load measures at its own terminals", "Look: http://bench.example:8437/", "UTC"):
            assert part in text

        # The webhook was down all the time, and the mute server never answers: both are said, and neither holds up anything.
        told = [json.loads(line) for line in notify(bench, environ, "status", "--json").stdout.splitlines()]
        state = {address["name"]: (address["state"], address["detail"]) for address in told}
        assert state["default"] == ("ready", "")
        assert state["hook"] == ("failing", "nobody listens there")
        assert state["heartbeat"] == ("ready", "")
        wait_for("a time-out", lambda: "no answer" in notify(bench, environ, "status").stdout)
        assert notify(bench, environ, "status").returncode == 1
        hook_server = web_hook(hook, hook_port)
        with hook_server:
            assert hook.count(1, patience_s=60)
            tested = [json.loads(line) for line in notify(bench, environ, "test", "--json").stdout.splitlines()]
            assert {t["name"]: t["accepted"] for t in tested} == {"default": True, "hook": True, "mute": False, "heartbeat": True}
            wait_for("the test mail", lambda: "test (workshop)" in subjects(mailbox))

            # A recorder that hangs is gone for those who wait for it; no heartbeat covers for it.
            recorder.suspend()
            try:
                wait_for("the alarm about the recorder", lambda: "ALARM service: recorder gone" in bodies(mailbox))
                silent_from = len(beat.paths)
            finally:
                recorder.resume()
            wait_for("the end of that", lambda: "CLEARED service: recorder gone" in bodies(mailbox))
            wait_for("heartbeats again", lambda: len(beat.paths) > silent_from)
        metrics = urllib.request.urlopen(page(tmp_path / "log") + "metrics", timeout=10).read().decode()
        accepted = re.search(r'^loadlog_notify_accepted_notices_total\{address="default"\} ([\d.]+)', metrics, re.M)
        assert accepted is not None
        assert float(accepted[1]) >= 4
        service.send_signal(signal.SIGTERM)
        assert service.wait(30) == 0
    assert bench.run_cli("store", "verify").returncode == 0
    said = (tmp_path / "log").read_text() + "".join(map(str, told + tested)) + metrics
    assert "notice accepted" in said
    assert not any(secret in said for secret in (PASSWORD, "tokenXsecret"))


def page(log: Path) -> str:
    """The address of the newest viewer's page."""
    found = re.findall(r"live page address=(\S+)", log.read_text())
    return str(found[-1])
