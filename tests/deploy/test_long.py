"""What takes minutes, the network and root: `make test ARGS="-m long tests/deploy"`."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

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


@pytest.mark.parametrize("python", ["3.11", "3.13"])
def test_every_package_has_a_wheel_for_64_bit_arm(python: str, tmp_path: Path) -> None:
    """By pip itself, for glibc 2.28 and later (manylinux_2_28, PEP 600): binary or pure, nothing to be compiled on the board."""
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
        tmp_path,
    ]
    done = subprocess.run(
        [*command, *platforms, *tags, "-r", ROOT / "deploy/requirements.lock"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    names = [path.name for path in tmp_path.iterdir()]
    assert all(name.endswith(("-none-any.whl", "aarch64.whl")) for name in names)
    assert any("numpy" in name and "aarch64" in name for name in names)
