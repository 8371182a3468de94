"""Power cuts, replayed: from the log of what a recorder wrote, the directory as a disk may hold it when the power fails at any moment.

The model is the harshest that POSIX allows (fsync(2)): what was not synced may be there or not, in sectors of 512 bytes, in any order; a
name that was made or removed is sure only after its directory was synced. `writes.c` makes the log.
"""

from __future__ import annotations

import os
import random
import struct
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
SECTOR = 512
VARIANTS = ("none", "torn", "all")
SEALED = b"LdLB"  # how a sealed body begins
NAMES = {"W": 1, "T": 1, "S": 1, "D": 1, "C": 1, "U": 1, "R": 2, "L": 2, "A": 0}
NUMBERS = {"W": 2, "T": 1, "A": 1}


@dataclass(frozen=True)
class Act:
    """One record of the log."""

    kind: str
    names: tuple[str, ...]
    numbers: tuple[int, ...] = ()
    data: bytes = b""


def read_log(path: Path) -> list[Act]:
    """Everything that was logged completely."""
    log, at, out = path.read_bytes(), 0, []
    try:
        while at < len(log):
            kind, at = chr(log[at]), at + 1
            names = []
            for _ in range(NAMES[kind]):
                (length,) = struct.unpack_from("<Q", log, at)
                names.append(log[at + 8 : at + 8 + length].decode())
                at += 8 + length
            numbers = struct.unpack_from(f"<{NUMBERS.get(kind, 0)}Q", log, at)
            at += 8 * len(numbers)
            size = numbers[-1] if kind in "WA" else 0
            if at + size > len(log):
                break
            out.append(Act(kind, tuple(names), numbers, log[at : at + size]))
            at += size
    except struct.error:
        pass  # the process was killed in the middle of a record
    return out


@dataclass
class Node:
    """A file: what is surely on the disk, and what is not yet."""

    durable: bytearray = field(default_factory=bytearray)
    pending: list[Act] = field(default_factory=list)

    def sync(self) -> None:
        for act in self.pending:
            apply(self.durable, act)
        self.pending.clear()

    def after_a_cut(self, variant: str, chance: random.Random) -> bytes:
        """Its bytes when the power is back."""
        found = bytearray(self.durable)
        for act in self.pending if variant != "none" else ():
            if variant == "all":
                apply(found, act)
            elif act.kind == "T":
                if chance.random() < 0.5:
                    apply(found, act)
            else:
                for piece in sectors(act):
                    if chance.random() < 0.5:
                        apply(found, piece)
        return bytes(found)


def apply(content: bytearray, act: Act) -> None:
    """Carry a write or a truncation out."""
    if act.kind == "T":
        (length,) = act.numbers
        del content[length:]
        content.extend(bytes(length - len(content)))
        return
    offset = act.numbers[0]
    content.extend(bytes(max(0, offset - len(content))))
    content[offset : offset + len(act.data)] = act.data


def sectors(act: Act) -> Iterator[Act]:
    """The parts of a write that a disk takes as a whole."""
    start, end = act.numbers[0], act.numbers[0] + len(act.data)
    while start < end:
        stop = min(end, (start // SECTOR + 1) * SECTOR)
        first = start - act.numbers[0]
        yield Act("W", act.names, (start, stop - start), act.data[first : first + stop - start])
        start = stop


class Disk:
    """The directory, act by act. ``acknowledged``: highest number that was promised so far."""

    def __init__(self) -> None:
        self.names: dict[str, Node] = {}
        self._sure: dict[str, Node] = {}
        self._renamings: list[Act] = []
        self.acknowledged = 0

    def take(self, act: Act) -> None:
        """The next act of the process."""
        if act.kind in "WT":
            self.names.setdefault(act.names[0], Node()).pending.append(act)
        elif act.kind == "S":
            self.names[act.names[0]].sync()
        elif act.kind == "A":
            for line in act.data.split(b"\n"):
                if line.isdigit():
                    self.acknowledged = max(self.acknowledged, int(line))
        elif act.kind == "D":
            self._sure, self._renamings = dict(self.names), []
        else:
            move(self.names, act, Node())
            self._renamings.append(act)

    def after_a_cut(self, variant: str, chance: random.Random) -> dict[str, bytes]:
        """Name -> bytes when the power is back. The names that are not sure are as after some first part of what was done to them."""
        done = {"none": 0, "all": len(self._renamings), "torn": chance.randint(0, len(self._renamings))}[variant]
        names = dict(self._sure)
        for act in self._renamings[:done]:
            move(names, act, self.names.get(act.names[-1], Node()))
        return {name: node.after_a_cut(variant, chance) for name, node in names.items()}


def move(names: dict[str, Node], act: Act, new: Node) -> None:
    """Carry out what changes names."""
    if act.kind == "C":
        names[act.names[0]] = new
    elif act.kind == "U":
        names.pop(act.names[0], None)
    elif act.names[0] in names:
        names[act.names[1]] = names[act.names[0]]
        if act.kind == "R":
            del names[act.names[0]]


def build(folder: Path) -> Path:
    """The library to preload.

    Raises:
        OSError, CalledProcessError: no C compiler.
    """
    library = folder / "writes.so"
    source = Path(__file__).with_name("writes.c")
    subprocess.run(["cc", "-O1", "-shared", "-fPIC", "-o", str(library), str(source), "-ldl", "-lpthread"], check=True, capture_output=True)
    return library


def record(library: Path, directory: Path, log: Path, acknowledgements: int, *arguments: Any) -> list[Act]:
    """What a recorder did until so many commits were acknowledged, and as many again since it sealed rows for the first time."""
    environment = {
        **os.environ, "PYTHONPATH": str(ROOT), "LD_PRELOAD": str(library), "WRITES_BELOW": str(directory), "WRITES_LOG": str(log),
    }  # fmt: skip
    command = [sys.executable, str(Path(__file__).with_name("recorder_child.py")), str(directory), *map(str, arguments)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, cwd=ROOT, env=environment) as process:
        assert process.stdout is not None
        left = acknowledgements
        while left:
            process.stdout.readline()
            left -= 1
            if not left and SEALED not in log.read_bytes():
                left = acknowledgements
        for _ in range(acknowledgements):
            process.stdout.readline()
        process.kill()
    return read_log(log)


def cuts(acts: list[Act], count: int, chance: random.Random) -> Iterator[tuple[int, str, dict[str, bytes], int]]:
    """About ``count`` moments, half of them since rows were sealed first, three states of the disk at each: (act, variant, files, what was
    acknowledged)."""
    begun = next(i for i, act in enumerate(acts) if act.kind == "A")
    sealed = next(i for i, act in enumerate(acts) if SEALED in act.data)
    early, late = chance.sample(range(begun + 1, len(acts)), count // 2), chance.sample(range(sealed + 1, len(acts)), count - count // 2)
    moments = sorted({*early, *late})
    disk, at = Disk(), 0
    for moment in moments:
        for act in acts[at : moment + 1]:
            disk.take(act)
        at = moment + 1
        for variant in VARIANTS:
            yield moment, variant, disk.after_a_cut(variant, chance), disk.acknowledged
