"""The systemd units: systemd itself judges their exposure and whether it knows every line; what must stay possible is checked by line.

The effect of each line on the running service is tried by clean_root.py on a booted system.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from loadlog.process.priority import NICE
from tests.deploy.document import ROOT

DEPLOY = ROOT / "deploy"
UNITS = {kind: DEPLOY / f"loadlog-{kind}.service" for kind in ("recorder", "viewer")}
MOST_EXPOSURE = 2.0
_ANALYZE = shutil.which("systemd-analyze")


def analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    if _ANALYZE is None:
        if os.environ.get("CI") == "true":
            pytest.fail("CI needs systemd-analyze: apt-get install systemd")
        pytest.skip("no systemd-analyze here")
    return subprocess.run([_ANALYZE, *arguments], capture_output=True, text=True, check=False)


def settings(unit: Path) -> list[tuple[str, str]]:
    lines = (line.strip() for line in unit.read_text(encoding="utf-8").splitlines())
    return [(key, value) for key, _, value in (line.partition("=") for line in lines if "=" in line and not line.startswith("#"))]


def exposure(unit: Path) -> float:
    done = analyze("security", "--offline=true", str(unit))
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert found, done.stdout + done.stderr
    return float(found.group(1))


@pytest.mark.parametrize("kind", UNITS)
def test_exposure_is_low(kind: str) -> None:
    assert exposure(UNITS[kind]) <= MOST_EXPOSURE


@pytest.mark.parametrize("kind", UNITS)
def test_exposure_would_be_seen_to_rise(kind: str, tmp_path: Path) -> None:
    """The measure itself: without its filter of system calls and its bounds the unit is beyond the limit."""
    weak = tmp_path / UNITS[kind].name
    weak.write_text(re.sub(r"^(SystemCallFilter|CapabilityBoundingSet)=.*\n", "", UNITS[kind].read_text(encoding="utf-8"), flags=re.M))
    assert exposure(weak) > MOST_EXPOSURE


@pytest.mark.parametrize("kind", UNITS)
def test_systemd_finds_no_fault(kind: str, tmp_path: Path) -> None:
    """In a root where the program is there: no unknown key, no bad value."""
    root = tmp_path / "root"
    folder = root / "etc/systemd/system"
    folder.mkdir(parents=True)
    program = root / "opt/loadlog/bin/loadlog"
    kill = root / "bin/kill"
    for path in (program, kill):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("#!/bin/sh\n")
        path.chmod(0o755)
    shutil.copy(UNITS[kind], folder)
    assert faults(root, kind) == []
    with (folder / UNITS[kind].name).open("a") as unit:
        unit.write("[Service]\nNoSuchKey=yes\n")
    assert faults(root, kind), "an unknown key is not seen"


def faults(root: Path, kind: str) -> list[str]:
    """What systemd says about our unit; its own units are not in that root, which it also says."""
    done = analyze("verify", f"--root={root}", "--man=no", f"loadlog-{kind}.service")
    return [line for line in (done.stdout + done.stderr).splitlines() if f"loadlog-{kind}.service:" in line and "not found" not in line]


def test_the_recorder_may_open_serial_ports_and_is_in_their_group() -> None:
    found = settings(UNITS["recorder"])
    allowed = {value.split()[0] for key, value in found if key == "DeviceAllow"}
    assert allowed == {"char-ttyUSB", "char-ttyACM", "char-ttyAMA", "char-ttyS"}
    assert ("SupplementaryGroups", "dialout") in found
    assert ("PrivateDevices", "yes") not in found, "PrivateDevices hides the ports"
    assert ("PrivateNetwork", "yes") not in found


def test_kinds_of_ports_that_are_modules_are_loaded_before_the_recorder() -> None:
    """A kind of device that the kernel does not know when the unit starts is left out of its list (systemd.resource-control(5))."""
    modules = (DEPLOY / "loadlog.modules.conf").read_text(encoding="utf-8").split("\n")
    assert {"usbserial", "cdc_acm"} <= set(modules)
    (after,) = [value for key, value in settings(UNITS["recorder"]) if key == "After"]
    assert "systemd-modules-load.service" in after.split()


@pytest.mark.parametrize("kind", UNITS)
def test_life_of_the_services(kind: str) -> None:
    found = dict(settings(UNITS[kind]))
    assert found["Type"] == "notify"
    assert found["Restart"] == "always"
    assert found["StartLimitIntervalSec"] == "0"
    assert 1 < float(found["WatchdogSec"]) <= 60
    assert found["StateDirectory"] == "loadlog"
    assert (found["User"], found["Group"]) == ("loadlog", "loadlog")


def test_the_viewer_is_as_nice_with_systemd_as_without() -> None:
    assert dict(settings(UNITS["viewer"]))["Nice"] == str(NICE)


def test_secrets_of_the_guide_reach_the_viewer_and_nobody_else() -> None:
    guide = (DEPLOY / "README.md").read_text(encoding="utf-8")
    loaded = {value for key, value in settings(UNITS["viewer"]) if key == "LoadCredential"}
    assert loaded == set(re.findall(r"`(loadlog-[\w-]+(?:token|password|urls?|cert|key))`", guide))
    assert not [key for key, _ in settings(UNITS["recorder"]) if "Credential" in key]


def test_the_user_is_made_with_its_group() -> None:
    lines = [
        line.split(maxsplit=3) for line in (DEPLOY / "loadlog.sysusers.conf").read_text(encoding="utf-8").splitlines() if line[0] != "#"
    ]
    assert ["u", "loadlog", "-"] in [line[:3] for line in lines]
    assert ["m", "loadlog", "dialout"] in lines
