"""Stored rows without a file, and servers that answer as a test says."""

from __future__ import annotations

from collections.abc import Callable

from loadlog.forwarder.answers import Answer, Verdict
from loadlog.model.sample import Sample
from loadlog.store.follower import StoredRow
from loadlog.store.rows import Layout, Row
from tests.unit.store.recorded import SPECS

LAYOUTS = {name: Layout(spec) for name, spec in SPECS.items()}


def stored(sample: Sample, run: str | None = "soak-0001", layout: Layout | None = None) -> StoredRow:
    """As a follower hands it out."""
    chosen = layout or LAYOUTS[sample.device]
    cells = chosen.encode(sample, sample.seq)
    return StoredRow(sample.seq, run, "r.sqlite", chosen, Row._make((*cells[:8], cells[8:])))


class Server:
    """Takes every line, or answers what ``objection`` says of a body's lines. Keeps points as a database does: the last one wins."""

    def __init__(self) -> None:
        self.points: dict[str, str] = {}
        self.bodies: list[list[str]] = []
        self.is_other_connection = False  # of the next answer
        self.objection: Callable[[list[str]], Answer | None] = lambda lines: None

    def __call__(self, body: bytes) -> Answer:
        lines = body.decode().split("\n")
        self.bodies.append(lines)
        if (objection := self.objection(lines)) is not None:
            return objection
        for line in lines:
            head, fields, stamp = split(line)
            self.points[f"{head} {stamp}"] = fields
        answer, self.is_other_connection = Answer(Verdict.ACCEPTED, is_other_connection=self.is_other_connection), False
        return answer

    def samples(self) -> dict[str, str]:
        """Points that are neither health nor events."""
        return {key: fields for key, fields in self.points.items() if not key.startswith("bench_")}


def split(line: str) -> tuple[str, str, str]:
    """Series, fields and stamp; no blank is escaped in what the tests send, but event texts hold some."""
    series, rest = line.split(" ", 1)
    fields, stamp = rest.rsplit(" ", 1)
    return series, fields, stamp
