"""A recording that one version of Python made is the same in a replay by another, bit for bit: by those versions that are on this machine.

What judges needs nothing but the standard library, so a bare interpreter does; `tests.compiled.told` says what is compared.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.checklists.traces import fresh_random
from tests.compiled import told
from tests.compiled.recorded import record
from tests.deploy.document import ROOT

SCENES = ("supply drifts", "fan stops", "sharing parts", "sense off, CC, group of two")
OLDEST, NEWEST = 11, 19  # 3.11 to 3.19


def other_pythons() -> Iterator[str]:
    """Interpreters of the other versions that are supported, in the path or kept by pyenv."""
    kept = Path(os.environ.get("PYENV_ROOT") or Path.home() / ".pyenv") / "versions"
    for minor in range(OLDEST, NEWEST + 1):
        found = [shutil.which(f"python3.{minor}"), *(str(path) for path in sorted(kept.glob(f"3.{minor}.*/bin/python3")))]
        if minor != sys.version_info.minor and (works := next((p for p in found if p and _works(p)), None)):
            yield works


def _works(python: str) -> bool:
    return subprocess.run([python, "-c", "import sqlite3"], capture_output=True, check=False).returncode == 0


@pytest.mark.timeout(600)
def test_other_versions_tell_the_same_bit_for_bit(tmp_path: Path) -> None:
    if not (others := list(other_pythons())):
        pytest.skip("no other Python of 3.11 or later here")
    rnd = fresh_random()
    seed, expected = rnd.randrange(10**9), list[str]()
    paths = [tmp_path / f"{scenario}.json" for scenario in SCENES]
    for scenario, path in zip(SCENES, paths, strict=True):
        record(scenario, seed, path)
        expected += [str(path), *told.told(path)]
    wanted = ["Python", *told.counted(seed), *expected]
    running = [(other, subprocess.Popen(command(other, seed, paths), cwd=ROOT, stdout=subprocess.PIPE, text=True)) for other in others]
    for other, process in running:
        found = process.communicate()[0].splitlines()
        assert process.returncode == 0, other
        different = [pair for pair in zip(found, wanted, strict=False) if pair[0] != pair[1]]
        assert not different, (
            f"{other}, {len(different)} of {len(wanted)} lines differ, first:\n{different[0][0]}\ninstead of\n{different[0][1]}"
        )
        assert len(found) == len(wanted), other


def command(python: str, seed: int, paths: list[Path]) -> list[str]:
    """From the folder of the sources, without anything of the environment or of the machine's packages."""
    return [python, "-E", "-s", "-m", "tests.compiled.told", str(seed), *map(str, paths)]
