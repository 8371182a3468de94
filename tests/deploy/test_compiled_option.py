"""``install.sh --compiled``: compiles where it can, and else says in one line why not and installs as without the option."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.deploy.document import ROOT

PART = re.search(r"^lacking=unasked$.*?^\[ -z .*? --no-deps \S+$", (ROOT / "deploy/install.sh").read_text(encoding="utf-8"), re.M | re.S)
# The release's own programs: what Python says of its headers, and a pip that writes down what it was asked.
PYTHON = '#!/bin/sh\necho "$0.headers"\n'
PIP = '#!/bin/sh\necho "installs compiled=${LOADLOG_COMPILED:-0}"\n[ -z "${LOADLOG_COMPILED:-}" ] || [ ! -e "$0.fails" ]\n'
IN_PYTHON, COMPILED = "installs compiled=0", "installs compiled=1"


def install(folder: Path, *words: str, gcc: bool = True, headers: bool = True, fails: bool = False) -> list[str]:
    """What that part of the script says, on a machine that has these things."""
    programs, path = folder / "release/bin", folder / "path"
    programs.mkdir(parents=True)
    path.mkdir()
    for name, text in (("release/bin/python", PYTHON), ("release/bin/pip", PIP), *([("path/gcc", "#!/bin/sh\n")] if gcc else [])):
        (folder / name).write_text(text)
        (folder / name).chmod(0o755)
    if headers:
        (programs / "python.headers").mkdir()
        (programs / "python.headers/Python.h").touch()
    if fails:
        (programs / "pip.fails").touch()
    assert PART is not None
    shell = shutil.which("sh")
    assert shell is not None
    done = subprocess.run(
        [shell, "-euc", PART[0], "install.sh", *words], env={"PATH": str(path), "release": str(folder / "release"), "source": str(folder)},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    return done.stdout.splitlines()


def test_nothing_is_compiled_unasked(tmp_path: Path) -> None:
    assert install(tmp_path) == [IN_PYTHON]


def test_compiled_when_asked(tmp_path: Path) -> None:
    assert install(tmp_path, "--compiled") == [COMPILED]


@pytest.mark.parametrize(("lacks", "why"), [({"gcc": False}, "no gcc"), ({"headers": False}, "Python.h")])
def test_what_is_lacking_is_one_line_and_all_is_installed(lacks: dict[str, bool], why: str, tmp_path: Path) -> None:
    said, installed = install(tmp_path, "--compiled", **lacks)
    assert said.startswith("detectors are not compiled (")
    assert why in said
    assert installed == IN_PYTHON


def test_a_compilation_that_fails_is_told_and_all_is_installed(tmp_path: Path) -> None:
    tried, said, installed = install(tmp_path, "--compiled", fails=True)
    assert tried == COMPILED
    assert "it failed" in said
    assert installed == IN_PYTHON
