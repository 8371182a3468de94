"""What takes minutes, the network and root: `make test ARGS="-m long tests/deploy"`."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from tests.deploy.document import ROOT

pytestmark = [pytest.mark.long, pytest.mark.timeout(3600)]


def needs(program: str) -> None:
    if os.geteuid() != 0 or shutil.which(program) is None:
        pytest.skip(f"needs root and {program}")


@pytest.mark.parametrize("suite", ["bookworm", "trixie"])
def test_the_guide_leads_to_a_running_service_in_a_clean_debian(suite: str, tmp_path: Path) -> None:
    """LOADLOG_CLEAN_ROOT names a folder where the clean Debian is kept for the next time."""
    needs("debootstrap")
    folder = Path(os.environ.get("LOADLOG_CLEAN_ROOT", tmp_path))
    boot = ["--boot"] if shutil.which("qemu-system-x86_64") else []
    command = [sys.executable, "-m", "tests.deploy.clean_root", "--suite", suite, "--folder", str(folder), *boot]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]


def on_the_board(lock: str, python: str) -> str:
    """What of a lock file holds there: pip judges its conditions by the Python that runs pip, whatever --python-version says."""
    board = {
        "python_version": python, "python_full_version": f"{python}.1", "implementation_name": "cpython", "platform_machine": "aarch64",
        "platform_system": "Linux", "sys_platform": "linux", "os_name": "posix",
    }  # fmt: skip
    found = []
    for line in lock.replace("\\\n", " ").splitlines():
        pin, *hashes = line.partition("#")[0].split(" --hash=")
        if pin.strip():
            wanted = Requirement(pin)
            if wanted.marker is None or wanted.marker.evaluate(board):
                found.append(" --hash=".join([f"{wanted.name}{wanted.specifier}", *(text.strip() for text in hashes)]))
    return "\n".join(found) + "\n"


def test_conditions_are_those_of_the_board() -> None:
    lock = "a==1 ; python_full_version < '3.12' \\\n    --hash=sha256:x \\\n    --hash=sha256:y\n"
    lock += "a==2 ; python_full_version >= '3.12' \\\n    --hash=sha256:z\n"
    assert on_the_board(lock, "3.11") == "a==1 --hash=sha256:x --hash=sha256:y\n"
    assert on_the_board(lock + "# of\nb==3 ; sys_platform == 'win32' \\\n    --hash=sha256:w\n", "3.13") == "a==2 --hash=sha256:z\n"


@pytest.mark.parametrize("python", ["3.11", "3.13"])
def test_every_package_has_a_wheel_for_64_bit_arm(python: str, tmp_path: Path) -> None:
    """By pip itself, for glibc 2.28 and later (manylinux_2_28, PEP 600): binary or pure, nothing to be compiled on the board."""
    lock = tmp_path / "lock"
    lock.write_text(on_the_board((ROOT / "deploy/requirements.lock").read_text(encoding="utf-8"), python))
    wheels = tmp_path / "wheels"
    version = python.replace(".", "")
    platforms = [f"--platform=manylinux_2_{minor}_aarch64" for minor in (17, 28)] + ["--platform=manylinux2014_aarch64"]
    tags = ["--implementation=cp", f"--abi=cp{version}", "--abi=abi3", "--abi=none", f"--python-version={python}"]
    command = [
        sys.executable,
        "-m",
        "pip",
        "download",
        "--quiet",
        "--no-deps",
        "--only-binary=:all:",
        "--require-hashes",
        "--dest",
        wheels,
    ]
    done = subprocess.run([*command, *platforms, *tags, "-r", lock], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    names = [path.name for path in wheels.iterdir()]
    assert all(name.endswith(("-none-any.whl", "aarch64.whl")) for name in names)
    assert any("numpy" in name and "aarch64" in name for name in names)
