"""One post-mortem in a process of its own, at low priority, started by `desk.Desk`: neither the interpreter's lock nor the memory that it
takes is the page's.

``python -m loadlog.review.job DIRECTORY RUN`` writes lines of JSON to standard output: ``{"done": ..., "total": ...}`` while it reads,
at last ``{"json": n, "html": m}`` followed by that many bytes, gzip each; or ``{"error": ...}``. It ends when nobody reads any
more.
"""

from __future__ import annotations

import gzip
import json
import math
import sys
import time
from pathlib import Path
from typing import Any

from loadlog.model.errors import LoadlogError
from loadlog.process.priority import give_way
from loadlog.review.html import html_report
from loadlog.review.postmortem import post_mortem
from loadlog.store import Archive

TELL_S = 0.1


def main(directory: str, run_id: str) -> None:
    """See the module."""
    give_way()
    archive = Archive(Path(directory))
    told_s = 0.0

    def progress(done: int) -> None:
        nonlocal told_s
        if time.monotonic() - told_s >= TELL_S:
            told_s = time.monotonic()
            tell(done=done, total=total)

    try:
        total = sum(archive.polls(name, run_id)[0] for name in archive.run(run_id).devices)
        tell(done=0, total=total)
        report = post_mortem(archive, run_id, progress)
    except LoadlogError as exc:
        tell(error=str(exc))
        return
    bodies = [
        gzip.compress(text.encode(), 6, mtime=0) for text in (json.dumps(sound(report.to_json()), allow_nan=False), html_report(report))
    ]
    tell(json=len(bodies[0]), html=len(bodies[1]))
    sys.stdout.buffer.write(b"".join(bodies))
    sys.stdout.buffer.flush()


def sound(value: Any) -> Any:
    """The same without numbers that JSON cannot carry: null stands for them."""
    if isinstance(value, dict):
        return {key: sound(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [sound(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def tell(**fields: Any) -> None:
    """One line."""
    sys.stdout.buffer.write(json.dumps(fields).encode() + b"\n")
    sys.stdout.buffer.flush()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
