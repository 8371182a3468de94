"""The figure "no wrong value ever" in a process of its own.

    python -m tests.bench.soak POLLS SEED

Polls a line full of faults (see `tests.traps`): two-wire with and without echo, full-duplex, and one unit whose answers all look alike.
"""

from __future__ import annotations

import json
import sys

from tests.traps.soak import run_soak

WAYS = ({}, {"echo": True}, {"half_duplex": False}, {"hard": True}, {"baudrate": 115200})


def main(polls: int, seed: int) -> None:
    results = [run_soak(polls // len(WAYS), seed + number, **way) for number, way in enumerate(WAYS)]  # type: ignore[arg-type]
    faults = sum(sum(result.faults.values()) for result in results)
    summary = {
        "polls": sum(result.polls for result in results),
        "good": sum(result.good for result in results),
        "wrong": sum(len(result.wrong) for result in results),
        "too_early": sum(result.too_early for result in results),
        "faults": faults,
    }
    print(json.dumps(summary))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
