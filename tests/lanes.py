"""The whole suite in two lanes side by side: what only computes, and what meets real processes, ports, clocks and browsers.

    python -m tests.lanes [PYTEST ARGUMENTS]

The second lane mostly waits, the first never does, so together they take little more than the longer one. Nothing in the first lane may
depend on when it runs, and it gives way (`NICE`): what is timed in the second meets a machine as busy as it is by itself. Each test belongs
to one lane by its place, so none is left out or run twice. With arguments it is one plain pytest, so that a part is run as one expects.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile

COMPUTED = (
    "tests/checklists", "tests/events", "tests/property", "tests/unit/analysis", "tests/unit/detectors",
    "tests/unit/forwarder", "tests/unit/grafana", "tests/unit/profiles", "tests/unit/sim", "tests/unit/validation",
)  # fmt: skip
OPTIONS = ("-o", "cache_dir=.pytest_cache/computed", "-o", "timeout=600")  # so slow may what gives way become
NICE = 10  # of nice(1): a tenth of the processor when the other lane wants all of it


def computed(*more: str) -> list[str]:
    """The command of the lane that computes."""
    return ["nice", "-n", str(NICE), sys.executable, "-m", "pytest", "-q", *OPTIONS, *COMPUTED, *more]


def met(*more: str) -> list[str]:
    """The command of the lane that meets the rest of the machine: everything else, whatever is added to the tree."""
    return [sys.executable, "-m", "pytest", *(f"--ignore={path}" for path in COMPUTED), *more]


def main(arguments: list[str]) -> int:
    """Returns pytest's exit status, the worse of both; what the first lane says follows the other's."""
    if arguments:
        return subprocess.run([sys.executable, "-m", "pytest", *arguments], check=False).returncode
    with tempfile.TemporaryFile() as said:
        beside = subprocess.Popen(computed(), stdout=said, stderr=subprocess.STDOUT)
        try:
            status = subprocess.run(met(), check=False).returncode
        finally:
            also = beside.wait()
            said.seek(0)
            print("\nwhat only computes:", said.read().decode(errors="replace"), sep="\n", flush=True)
    return max(status, also)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
