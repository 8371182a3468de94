"""The whole suite in two lanes side by side: what may take as long as it takes, and what is timed.

    python -m tests.lanes [PYTEST ARGUMENTS]

The timed lane meets live instruments, pages and browsers, and mostly waits. The other one computes, or kills and restarts what it started
and waits for it with patience; it gives way (`NICE`), so that what is timed meets a machine about as busy as it is by itself. Each test
belongs to one lane by its place, so none is left out or run twice. With arguments it is one plain pytest, as one expects of a part.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile

COMPUTED = (
    "tests/checklists", "tests/events", "tests/property", "tests/traps/test_soak.py", "tests/unit/analysis", "tests/unit/detectors",
    "tests/unit/grafana", "tests/unit/profiles", "tests/unit/sim", "tests/unit/validation",
    "tests/integration/test_bad_runs.py", "tests/integration/test_cell_model.py", "tests/integration/test_real_discharges.py",
)  # fmt: skip
PATIENT = (
    "tests/compiled", "tests/crash", "tests/deploy", "tests/integration/grafana", "tests/unit/forwarder", "tests/unit/review",
    "tests/unit/store",
)  # fmt: skip
OPTIONS = ("-o", "cache_dir=.pytest_cache/untimed", "-o", "timeout=600")  # so slow may what gives way become
NICE = 10  # of nice(1): a tenth of the processor when the other lane wants all of it


def untimed(*more: str) -> list[str]:
    """The command of the lane that gives way."""
    return ["nice", "-n", str(NICE), sys.executable, "-m", "pytest", "-q", *OPTIONS, *PATIENT, *COMPUTED, *more]


def timed(*more: str) -> list[str]:
    """The command of the other lane: everything else, whatever is added to the tree."""
    return [sys.executable, "-m", "pytest", *(f"--ignore={path}" for path in (*PATIENT, *COMPUTED)), *more]


def main(arguments: list[str]) -> int:
    """Returns pytest's exit status, the worse of both; what the lane that gives way says follows the other's."""
    if arguments:
        return subprocess.run([sys.executable, "-m", "pytest", *arguments], check=False).returncode
    with tempfile.TemporaryFile() as said:
        beside = subprocess.Popen(untimed(), stdout=said, stderr=subprocess.STDOUT)
        try:
            status = subprocess.run(timed(), check=False).returncode
        finally:
            also = beside.wait()
            said.seek(0)
            print("\nwhat is not timed:", said.read().decode(errors="replace"), sep="\n", flush=True)
    return max(status, also)


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
