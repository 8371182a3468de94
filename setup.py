"""Optional: a wheel whose detectors are compiled to C by mypyc. Everything else about the package stands in pyproject.toml.

    LOADLOG_COMPILED=1 pip wheel --no-deps .

The same sources, which tell the same, bit for bit, as Python running them; so a replay with the one repeats what the other told. For that:

- a product and a sum stay two operations (gcc joins them where the machine can, as ARM does);
- functions of libm are called, as Python calls them; the compiler would make ``x * x`` of ``x ** 2``, which differs in the last place.

Only wheels: an extension module in the checkout would be imported instead of the source that is edited beside it.
"""

from __future__ import annotations

import atexit
import os
import re
import shutil
import sys
import tempfile
from pathlib import Path

from setuptools import Extension, setup

COMPILER = ("ast-serialize", "librt", "mypy", "mypy-extensions", "pathspec", "typing-extensions")
SAME_BITS = ("-ffp-contract=off", *(f"-fno-builtin-{name}" for name in ("cos", "exp", "log", "pow", "sin", "tan")))
ANY_COMPILER = ("-Wno-error",)  # mypyc makes errors of warnings, of which newer compilers have more


def pinned() -> list[str]:
    """What compiles, in the versions of the lock file."""
    lock = Path("requirements.lock").read_text(encoding="utf-8")
    return re.findall(rf"^((?:{'|'.join(COMPILER)})==[^\s;]+)", lock, re.M)


def compiled() -> tuple[list[Extension], str]:
    """The detectors as extension modules, and the folder in which they are built."""
    from mypyc.build import mypycify

    folder = tempfile.mkdtemp(prefix="loadlog-compiled-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    modules = sorted(str(path) for path in Path("loadlog/detectors").glob("*.py") if path.name != "__init__.py")
    extensions: list[Extension] = mypycify(
        ["--config-file=", "--follow-imports=silent", "--ignore-missing-imports", *modules],
        opt_level="2",
        debug_level="0",
        target_dir=folder,
    )
    for extension in extensions:
        extension.extra_compile_args = [*extension.extra_compile_args, *SAME_BITS, *ANY_COMPILER]  # one list for all, as mypyc gives it
    return extensions, folder


if os.environ.get("LOADLOG_COMPILED") != "1":
    setup()
elif "bdist_wheel" in sys.argv:
    extensions, folder = compiled()
    setup(ext_modules=extensions, options={"build": {"build_base": folder}})
else:
    setup(setup_requires=pinned())  # asked for by who makes the environment in which the wheel is built
