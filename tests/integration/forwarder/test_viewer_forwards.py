"""The viewer's process forwards to real databases, says so everywhere, and takes orders; one dead target stalls nobody."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests import serving
from tests.databases import Influx1, free_port
from tests.serving import viewer
from tests.unit.web.stand_in import StandIn, recording

pytestmark = [pytest.mark.server, pytest.mark.timeout(180)]
PATIENCE_S = 40.0


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[StandIn]:
    with recording(tmp_path / "data") as stand_in:
        yield stand_in


def configured(folder: Path, **targets: str) -> Path:
    sections = [f'[[forward]]\nname = "{name}"\nheartbeat_s = 1\nalarm_after_s = 2\n{text}\n' for name, text in targets.items()]
    return serving.configured(folder, more="\n".join(sections))


def until(condition: Callable[[], Any]) -> Any:
    end_s = time.monotonic() + PATIENCE_S
    while not (found := condition()):
        assert time.monotonic() < end_s, "nothing happened"
        time.sleep(0.2)
    return found


def loadlog(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "loadlog", *arguments], capture_output=True, text=True, timeout=60, check=False)


def status_of(config: Path) -> dict[str, dict[str, Any]]:
    done = loadlog("forward", "status", "--json", "--config", str(config))
    return {one["name"]: one for one in map(json.loads, done.stdout.splitlines())}


def volts(influx: Influx1) -> list[float]:
    return [f["voltage_v"] for series in influx.points("bench", "load").values() for f in series.values() if "voltage_v" in f]


def test_samples_arrive_and_a_dead_target_beside_them_only_reports(influx: Influx1, bench: StandIn, tmp_path: Path) -> None:
    config = configured(
        tmp_path,
        lab=f'kind = "influxdb1"\nurl = "{influx.url}"\ndatabase = "bench"',
        dead=f'kind = "influxdb2"\nurl = "http://127.0.0.1:{free_port()}"\nbucket = "b"',
        gone=f'kind = "influxdb1"\nurl = "{influx.url}"\ndatabase = "missing"',
    )
    for n in range(50):
        bench.sample("load-1", {"voltage_v": 24.0 + n / 1000})
    bench.flush()
    with viewer(config) as (process, base), httpx.Client(base_url=base) as http:
        until(lambda: len(volts(influx)) == 50)
        bench.sample("load-1", {"voltage_v": 25.0})
        bench.flush()
        until(lambda: 25.0 in volts(influx))
        beat = until(lambda: influx.points("bench", "bench_health"))
        assert list(beat) == [("bench_health", "north-wall", "rack")]

        reports = until(lambda: {r[:2]: r for r in bench.reports if r[3]} if len({r[1] for r in bench.reports if r[3]}) >= 2 else None)
        assert ("forward_backlog", "dead") in reports
        assert "nobody listens there" in reports["forward_backlog", "dead"][2]
        assert "has no database 'missing'" in reports["forward_refused", "gone"][2]

        targets = {one["name"]: one for one in http.get("/api/forward").json()["targets"]}
        assert {name: one["state"] for name, one in targets.items()} == {"lab": "up_to_date", "dead": "waiting", "gone": "refused"}
        assert targets["lab"]["backlog_samples"] == 0
        assert targets["dead"]["backlog_samples"] == 51
        metrics = http.get("/metrics").text
        assert 'loadlog_forward_backlog_samples{target="dead"} 51.0' in metrics
        assert 'loadlog_forward_acknowledged_lines_total{target="lab"} 51.0' in metrics
        assert 'loadlog_forward_state{state="refused",target="gone"} 1.0' in metrics
        shown = loadlog("forward", "status", "--config", str(config))
        assert shown.returncode == 1
        assert f"gone: {influx.url} has no database 'missing'" in shown.stdout

        influx.create("missing")
        assert loadlog("forward", "retry", "gone", "--config", str(config)).returncode == 0
        until(lambda: http.get("/api/forward").json()["targets"][2]["state"] == "up_to_date")
        until(lambda: ("forward_refused", "gone", "over", False) in bench.reports)
        assert http.post("/api/forward/nothing/retry", headers={"X-Loadlog": "test"}).status_code == 404
        assert http.post("/api/forward/dead/retry", headers={"X-Loadlog": "test"}).status_code == 202
        process.terminate()
        assert process.wait(PATIENCE_S) == 0
    off = status_of(config)
    assert off["lab"]["state"] == "stopped"
    assert (off["lab"]["backlog_samples"], off["dead"]["backlog_samples"], off["lab"]["lines"] >= 51) == (0, 51, True)


def test_what_is_refused_is_shown_and_retried(influx: Influx1, bench: StandIn, tmp_path: Path) -> None:
    stamp = time.time_ns()
    influx.get("/write", f'load,bench=other charge_ah="text" {stamp}'.encode(), db="bench", precision="ns")
    config = configured(tmp_path, lab=f'kind = "influxdb1"\nurl = "{influx.url}"\ndatabase = "bench"')
    for n in range(20):
        bench.sample("load-1", {"voltage_v": 24.0} | ({"charge_ah": 1.5} if n == 7 else {}))
    bench.flush()
    with viewer(config) as (process, base):
        until(lambda: len(volts(influx)) == 19)
        lab = until(lambda: status_of(config)["lab"] if status_of(config)["lab"]["set_aside"] else None)
        [group] = lab["refused_lines"]
        assert "field type conflict" in group["reason"]
        assert len(group["lines"]) == 1
        assert "charge_ah=1.5" in group["lines"][0]
        until(lambda: any(r[:2] == ("forward_refused", "lab.set_aside") and r[3] for r in bench.reports))
        influx.query("DROP MEASUREMENT load", "bench")
        assert loadlog("forward", "retry", "lab", "--config", str(config)).returncode == 0
        until(lambda: volts(influx) == [24.0])
        assert until(lambda: status_of(config)["lab"]["set_aside"] == 0)
        process.terminate()
        process.wait(PATIENCE_S)
    assert base


def test_two_viewers_do_not_forward_the_same_directory(influx: Influx1, bench: StandIn, tmp_path: Path) -> None:
    config = configured(tmp_path, lab=f'kind = "influxdb1"\nurl = "{influx.url}"\ndatabase = "bench"')
    bench.sample("load-1", {"voltage_v": 24.0})
    bench.flush()
    with viewer(config) as (_, first), viewer(config) as (_, second):
        until(lambda: httpx.get(f"{first}/api/forward").json()["targets"][0]["state"] == "up_to_date")
        other = until(lambda: [t for t in httpx.get(f"{second}/api/forward").json()["targets"] if t["state"] == "stopped"])
        assert "another viewer is at work here" in other[0]["detail"]


@pytest.mark.parametrize(
    ("target", "said"),
    [
        (
            'kind = "influxdb2"\nurl = "http://h"\nbucket = "b"\ntoken_env = "NOT_THERE"',
            "forward[lab].token_env: environment variable NOT_THERE is empty",
        ),
        (
            'kind = "influxdb2"\nurl = "http://h"\nbucket = "b"\ntoken_file = "not-there"',
            "not-there: there is no such secret of forward[lab].token file",
        ),
        ('kind = "influxdb1"\nurl = "http://h"\ndatabase = "b"\nusername = "u"\npassword_env = "NOT_THERE"', "forward[lab].password_env"),
    ],
)
def test_a_missing_secret_is_one_line_and_nothing_starts(tmp_path: Path, target: str, said: str) -> None:
    config = configured(tmp_path, lab=target)
    done = loadlog("serve", "--part", "viewer", "--config", str(config))
    assert done.returncode == 2
    [line] = [line for line in done.stderr.splitlines() if " INFO " not in line]
    assert said in line


def test_status_and_retry_without_targets_or_viewer(tmp_path: Path) -> None:
    none = configured(tmp_path)
    shown = loadlog("forward", "status", "--config", str(none))
    assert (shown.returncode, shown.stdout) == (0, "no target is configured: see [[forward]] in the sample configuration\n")
    some = configured(tmp_path, lab='kind = "influxdb1"\nurl = "http://h"\ndatabase = "b"')
    (tmp_path / "data").mkdir(exist_ok=True)
    missed = loadlog("forward", "retry", "lob", "--config", str(some))
    assert (missed.returncode, missed.stderr) == (2, "loadlog: there is no forwarding target 'lob' (nearest known: lab)\n")
    off = loadlog("forward", "retry", "lab", "--config", str(some))
    assert off.returncode == 1
    assert "no viewer is running" in off.stderr
