"""The encoding helper: a process of its own at the lowest priority, started by `sealing.Sealer`, that turns hot rows into sealed bodies.

It reads through a read-only connection and writes nothing but its answers: a request is one line of JSON on standard input
(``path``, ``after``, ``upto``, ``rolled``), the answer 8 bytes of length (little-endian) and that many bytes of `marshal`. It ends with its
standard input. Every block is decoded and compared before it is handed over.
"""

from __future__ import annotations

import contextlib
import gc
import json
import marshal
import os
import signal
import struct
import sys
from pathlib import Path
from typing import Any

from loadlog.store.aggregate import minutes_of
from loadlog.store.blocks import TIME, VALUES, Column, column_of, encode
from loadlog.store.connect import reading
from loadlog.store.edges import snapshot
from loadlog.store.hot_columns import read_whole
from loadlog.store.info import read_specs
from loadlog.store.rows import Layout

LENGTH = struct.Struct("<Q")


def encode_group(path: Path, after: int, upto: int, rolled: bool) -> dict[str, Any]:
    """Bodies and, unless the rows are ``rolled`` already, minutes of the rows in (after, upto].

    Returns ``sealed``: rows of the table of that name, in increasing ``last_seq``; ``rollup``: its rows.
    """
    sealed: list[tuple[Any, ...]] = []
    minutes: list[tuple[Any, ...]] = []
    with reading(path) as connection:
        layouts = {number: Layout(spec) for number, spec in read_specs(connection, path)}
        with snapshot(connection):
            hot = read_whole(connection, after + 1, upto, max((len(layout.names) for layout in layouts.values()), default=0))
        for number, of_device in () if hot is None else hot.of_each().items():
            layout = layouts[number]
            columns = [_of_one_device(of_device[index]) for index in range(VALUES + len(layout.names))]
            seqs, times = columns[0].numbers, columns[TIME].numbers
            sealed.append(
                (number, int(seqs[-1]), int(seqs[0]), len(seqs), int(times.min()), int(times.max()), encode(columns))
            )  # fmt: skip
            if not rolled:
                found = minutes_of(layout, columns.__getitem__)
                minutes += [(number, position, minute, *one.as_row()) for position, minute, one in found]
    return {"sealed": sorted(sealed, key=lambda row: row[1]), "rollup": minutes}


def _of_one_device(column: Column) -> Column:
    """Integers of a device whose column holds other devices' texts are integers again."""
    if column.texts is None or not any(isinstance(text, int) for text in column.texts):
        return column
    return column_of(column.cells())


def main() -> None:
    """Answer until standard input ends."""
    for number in (signal.SIGINT, signal.SIGTERM):  # sent to all of the service, meant for the recorder, whose end closes standard input
        signal.signal(number, signal.SIG_IGN)
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, 19)
    with contextlib.suppress(OSError):  # started by the writing thread, which keeps to one processor: anywhere but there
        everywhere = os.sched_getaffinity(os.getppid())
        os.sched_setaffinity(0, everywhere - os.sched_getaffinity(0) or everywhere)
    gc.disable()  # rows by the thousand and no cycles: looking for them costs a quarter of the time
    for line in sys.stdin.buffer:
        request = json.loads(line)
        try:
            answer = encode_group(Path(request["path"]), request["after"], request["upto"], request["rolled"])
        except Exception as exc:  # told to the recorder, which goes on without
            answer = {"error": str(exc) or repr(exc)}
        data = marshal.dumps(answer)
        try:
            sys.stdout.buffer.write(LENGTH.pack(len(data)) + data)
            sys.stdout.buffer.flush()
        except BrokenPipeError:  # the recorder is gone
            os._exit(0)


if __name__ == "__main__":
    main()
