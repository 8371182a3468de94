"""Plays one scenario with one seed and prints its events: `python -m tests.events.one 'hiccup' 123`."""

from __future__ import annotations

import random
import sys

from tests.events.play import SCENARIOS, expectation, play


def main(arguments: list[str]) -> int:
    """See the module."""
    if len(arguments) != 2 or arguments[0] not in SCENARIOS or not arguments[1].isdigit():
        print(f"usage: python -m tests.events.one SCENARIO SEED; scenarios: {'; '.join(SCENARIOS)}", file=sys.stderr)
        return 2
    scenario, seed = arguments[0], int(arguments[1])
    case = SCENARIOS[scenario](random.Random(f"{scenario}:{seed}"))
    print(case.world.setting)
    trace = case.world.run(case.until_s)
    utc0_ns = case.world.utc_ns(0)
    for entry in case.world.bench.truth:
        print(f"true {entry.t_ns / 1e9:10.3f} s  {entry.what} {entry.target} {entry.phase} {dict(entry.params)}")
    for item in expectation(case)[0]:
        print(f"expected {item.t_s:10.3f} s  {item.kind} at {item.device} {item.form}")
    for e in trace.events:
        span = f"{(e.onset.earliest_utc_ns - utc0_ns) / 1e9:.3f}..{(e.onset.latest_utc_ns - utc0_ns) / 1e9:.3f}"
        print(f"told {(e.detected_utc_ns - utc0_ns) / 1e9:10.3f} s  #{e.id} {e.kind} at {e.device} {e.state} onset {span} "
              f"p {e.confidence:.3f} {dict(e.alternatives)} {e.message} {dict(e.evidence)}")  # fmt: skip
    print("\n".join(play(scenario, seed, rivals=False).at_fault) or "all right")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
