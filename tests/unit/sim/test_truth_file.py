"""What truly happened, appended to a file while it happens."""

from __future__ import annotations

import json
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from loadlog.sim.run import _append_truth
from loadlog.sim.server import TruthEvent


class Bench:
    """As far as the file goes."""

    def __init__(self) -> None:
        self.events: list[TruthEvent] = []

    def truth(self) -> list[TruthEvent]:
        self.events.append(TruthEvent(len(self.events), 0, "sense_open", "load-1", "begin", {}))
        return self.events


@contextmanager
def no_file_beyond(size_bytes: int) -> Iterator[None]:
    """A file that would grow larger takes what fits, then nothing: as on a full disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_what_a_full_disk_refuses_comes_later_and_no_half_line_stays(tmp_path: Path) -> None:
    bench: Any = Bench()
    path = tmp_path / "truth.jsonl"
    assert _append_truth(bench, path, 0) == 1
    size = path.stat().st_size
    for room in (0, 20):
        with no_file_beyond(size + room):
            assert _append_truth(bench, path, 1) == 1
        assert path.stat().st_size == size
    assert _append_truth(bench, path, 1) == 4
    assert [json.loads(line)["t_utc_ns"] for line in path.read_text().splitlines()] == [0, 1, 2, 3]
