"""`make events`: every scenario with fresh seeds, the table of what was found, and each figure asked for beside the one reached.

    python -m tests.events [--seed N] [--scenarios N] [--kinds a,b] [--only PART OF NAME] [--hours H] [--quick] [--json FILE]

Exit status 0, 1 when a figure is missed, 2 for wrong usage.
"""

from __future__ import annotations

import argparse
import random
import sys

from tests.events.report import report
from tests.events.suite import Options, run


def main(arguments: list[str]) -> int:
    """See the module."""
    parser = argparse.ArgumentParser(prog="make events", description="Detectors on drawn scenarios of the simulated bench.")
    parser.add_argument("--seed", type=int, help="repeat a run; a fresh one is drawn and printed otherwise")
    parser.add_argument("--scenarios", type=int, default=6, help="how often each faulty scenario is drawn")
    parser.add_argument("--kinds", default="", help="only scenarios that expect one of these kinds, comma-separated")
    parser.add_argument("--only", default="", help="only scenarios and studies whose name contains this")
    parser.add_argument("--hours", type=float, default=120.0, help="benign hours of devices, at least")
    parser.add_argument("--quick", action="store_true", help="each scenario once, few benign hours")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--no-studies", action="store_true", help="without the studies of step size, calibration, forecast and cost")
    parser.add_argument("--json", default="", help="write all figures there as well")
    parser.add_argument("--findings", default="", help="append what went wrong to this file, a line each")
    chosen = parser.parse_args(arguments)
    seed = random.SystemRandom().randrange(10**9) if chosen.seed is None else chosen.seed
    print(f"seed: --seed {seed}", flush=True)
    options = Options(
        seed, 1 if chosen.quick else chosen.scenarios, 0.0 if chosen.quick else chosen.hours,
        frozenset(k for k in chosen.kinds.split(",") if k), chosen.only, chosen.jobs, not chosen.no_studies, chosen.quick,
    )  # fmt: skip
    result = run(options)
    if not result.outcomes and not result.studies:
        parser.error("no scenario and no study is left")
    return report(result, chosen.json, chosen.findings)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
