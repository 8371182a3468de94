"""The package with compiled detectors: built and unpacked beside the checkout, and how a process is made to use it.

    python -m tests.compiled.build FOLDER [TESTS...]

With tests, or any arguments of pytest, these are run with it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


class CompileError(Exception):
    """There is no compiler, or it failed; one line."""


def lacking() -> str | None:
    """What is not there to compile with, and which packages bring it."""
    if shutil.which("cc") is None and shutil.which("gcc") is None:
        return "no C compiler (on Debian: apt-get install gcc libc6-dev)"
    header = Path(sysconfig.get_path("include"), "Python.h")
    return None if header.exists() else f"no {header} (on Debian: apt-get install python3-dev)"


def build(into: Path) -> Path:
    """A wheel in ``into``, and unpacked below it; returns the folder to import from.

    Raises:
        CompileError: it cannot be made.
    """
    if reason := lacking():
        raise CompileError(reason)
    wheels, package = into / "wheel", into / "package"
    for folder in (wheels, package):
        shutil.rmtree(folder, ignore_errors=True)
    _pip("wheel", "--no-build-isolation", "--no-deps", "--wheel-dir", wheels, ROOT)
    _pip("install", "--no-deps", "--target", package, *wheels.glob("*.whl"))
    return package


def _pip(*words: str | Path) -> None:
    command = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check", *map(str, words)]
    done = subprocess.run(command, cwd=ROOT, env={**os.environ, "LOADLOG_COMPILED": "1"}, capture_output=True, text=True, check=False)
    if done.returncode:
        raise CompileError(f"pip {words[0]} failed:\n{done.stdout[-2000:]}\n{done.stderr[-4000:]}")


def environment(package: Path) -> dict[str, str]:
    """Of a process that imports this package instead of the checkout's, and the tests."""
    return {**os.environ, "PYTHONSAFEPATH": "1", "PYTHONPATH": f"{package}{os.pathsep}{ROOT}"}


def main(folder: str, *tests: str) -> int:
    """Returns the exit status."""
    try:
        package = build(Path(folder).resolve())
    except CompileError as exc:
        print(f"not compiled: {exc}", file=sys.stderr)
        return 1
    used = environment(package)
    words = [f"{name}={used[name]}" for name in ("PYTHONSAFEPATH", "PYTHONPATH")]
    print(f"a wheel in {package.parent / 'wheel'}; to run it from here: {' '.join(words)} {sys.executable} -m loadlog", flush=True)
    subprocess.run([sys.executable, "-m", "loadlog", "--version"], env=used, check=True)
    if not tests:
        return 0
    command = [sys.executable, "-m", "pytest", "-o", "pythonpath=", "--import-mode=append", *tests]
    return subprocess.run(command, env=used, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
