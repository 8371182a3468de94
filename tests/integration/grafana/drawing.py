"""Grafana's published components (npm packages @grafana/ui and @grafana/data), bundled once for a page that draws a dashboard.

``node`` and ``npm`` are needed (Debian: nodejs, npm). The packages come by the lock file in ``drawn/`` and are kept, like the bundle, below
``build/`` until the lock or the source changes.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

SOURCE = Path(__file__).parent / "drawn"
BUILD = Path(__file__).parents[3] / "build" / "grafana"
_PACKAGES = ("package.json", "package-lock.json", ".npmrc")
_ESBUILD = (
    "--bundle", "--minify", "--outfile=draw.js", "--alias:react-custom-scrollbars-2=./scrollbars.js",
    "--loader:.svg=dataurl", "--loader:.woff2=empty", "--loader:.ttf=empty",
    '--define:process.env.NODE_ENV="production"',
)  # fmt: skip


def bundle() -> Path:
    """The page, made anew where something has changed.

    Raises:
        FileNotFoundError: npm is missing; says what to do.
        RuntimeError: npm or esbuild failed; holds what they said.
    """
    npm = shutil.which("npm")
    if npm is None:
        raise FileNotFoundError("no npm: apt-get install nodejs npm")
    BUILD.mkdir(parents=True, exist_ok=True)
    _once("packages", _PACKAGES, lambda: _run(npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund"))
    _once("bundle", (*_PACKAGES, "draw.jsx", "scrollbars.js", "page.html"), _bundled)
    return BUILD / "page.html"


def _once(what: str, of: tuple[str, ...], make: object) -> None:
    digest = hashlib.sha256()
    for name in of:
        digest.update((SOURCE / name).read_bytes())
    done = BUILD / f"{what}.done"
    if done.exists() and done.read_text() == digest.hexdigest():
        return
    for name in of:
        shutil.copy(SOURCE / name, BUILD / name)
    assert callable(make)
    make()
    done.write_text(digest.hexdigest())


def _bundled() -> None:
    # the program itself: its starter in node is installed by a script, which is not run
    (program,) = (BUILD / "node_modules" / "@esbuild").glob("*/bin/esbuild")
    _run(str(program), "draw.jsx", *_ESBUILD)


def _run(*command: str) -> None:
    done = subprocess.run(command, cwd=BUILD, capture_output=True, text=True, timeout=600, check=False, env={**os.environ, "CI": "1"})
    if done.returncode:
        raise RuntimeError(f"{' '.join(command)}: {done.stderr[-2000:]}")
