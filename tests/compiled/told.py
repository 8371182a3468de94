"""What the detectors tell of recorded samples: every state of every event, and what they know now and then, a line each.

python -m tests.compiled.told SEED FILE...
"""

from __future__ import annotations

import json
import random
import sys
from collections.abc import Iterator, Sequence
from dataclasses import astuple
from pathlib import Path

from loadlog.detectors import COMPILED
from loadlog.detectors.normal_equations import dot
from loadlog.detectors.statistics import student_quantile
from loadlog.model.circumstance import Ordered
from loadlog.model.device import DeviceSpec
from loadlog.model.sample import Sample
from loadlog.model.serial_form import device_from_json, device_to_json
from loadlog.pipeline import Pipeline, normalised
from loadlog.store.rows import Layout, Row

LEARNED_EVERY = 1000  # samples


def save(path: Path, specs: Sequence[DeviceSpec], samples: Sequence[Sample], orders: Sequence[Ordered]) -> None:
    """As they are stored: rows of counts, the devices' descriptions, our orders."""
    layouts = {spec.name: Layout(spec) for spec in specs}
    data = {
        "devices": [device_to_json(spec) for spec in specs],
        "rows": [[s.device, *layouts[s.device].encode(s, s.seq)] for s in samples],
        "orders": [astuple(order) for order in orders],
    }
    path.write_text(json.dumps(data), encoding="utf-8")


def told(path: Path) -> Iterator[str]:
    """By the detectors of this process. Numbers are written with all their digits, and as what they are: 5 is not 5.0."""
    data = json.loads(path.read_text(encoding="utf-8"))
    specs = [device_from_json(item) for item in data["devices"]]
    layouts = {spec.name: Layout(spec) for spec in specs}
    pipeline = Pipeline(specs, next_seq=1, next_event_id=1)
    orders = [Ordered(*item) for item in data["orders"]]
    for n, (device, *cells) in enumerate(data["rows"], 1):
        sample = layouts[device].decode(Row(*cells[:8], tuple(cells[8:])))
        while orders and orders[0].seq < sample.seq:
            pipeline.give(orders.pop(0), [])
        for event in pipeline.feed_again(sample, watched=True):
            yield json.dumps({"seq": event.seq, **normalised(event)})
        if n % LEARNED_EVERY == 0 or n == len(data["rows"]):
            yield from (f"{n} {spec.name} {pipeline.learned(spec.name)!r}" for spec in specs)


def counted(seed: int) -> Iterator[str]:
    """Sums, squares and functions of numbers that are drawn: squares by a product differ from those by a power in 1 of 1,000 numbers, sums
    of products that are rounded once from those that are rounded twice in most."""
    rnd = random.Random(seed)
    for _ in range(20_000):
        a, b = ([rnd.gauss(0.0, 1.0) for _ in range(6)] for _ in range(2))
        yield f"{dot(a, b)!r} {student_quantile(abs(a[0]), 10.0 + abs(b[0]))!r}"


def main(seed: str, *paths: str) -> None:
    """What made the detectors, then all lines, each file's after its name."""
    print("compiled" if COMPILED else "Python", *counted(int(seed)), sep="\n")
    for path in paths:
        print(path, *told(Path(path)), sep="\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
