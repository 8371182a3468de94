"""``install.sh`` builds the checkout as it is: nothing of an earlier build there, and nothing left behind for the next."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.deploy.document import ROOT

SCRIPT = (ROOT / "deploy/install.sh").read_text(encoding="utf-8")
COPY = re.search(r"^source=.*?^cp -R (.*?) \"\$source\"$", SCRIPT, re.M | re.S)
INSTALL = re.search(r"(\"\$release/bin/pip\" install \S+ \S+ --no-deps \"\$source\")$", SCRIPT, re.M)


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """What a build needs, and what an earlier one left: a module that is no more, and a newer state of one that is."""
    assert COPY is not None
    folder = tmp_path / "checkout"
    folder.mkdir()
    for name in COPY[1].split():
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(ROOT / name, folder)
    left = folder / "build/lib/loadlog"
    left.mkdir(parents=True)
    for name in ("gone.py", "supervisor.py"):
        (left / name).write_text("LEFT = True\n")
    os.utime(left / "supervisor.py", (2**32, 2**32))
    return folder


def test_nothing_of_an_earlier_build_is_installed(checkout: Path, tmp_path: Path) -> None:
    assert COPY is not None
    assert INSTALL is not None
    release, site = tmp_path / "release", tmp_path / "site"
    (release / "bin").mkdir(parents=True)
    pip = release / "bin/pip"
    pip.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m pip "$@" --no-build-isolation --target "{site}"\n')
    pip.chmod(0o755)
    before = sorted(checkout.rglob("*"))
    done = subprocess.run(
        ["sh", "-euc", f"{COPY[0]}\n{INSTALL[1]}"], cwd=checkout, env=os.environ | {"release": str(release)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (site / "loadlog/__main__.py").exists()
    assert not (site / "loadlog/gone.py").exists()
    assert (site / "loadlog/supervisor.py").read_text() == (ROOT / "loadlog/supervisor.py").read_text()
    assert sorted(checkout.rglob("*")) == before, "the checkout is not as it was"
