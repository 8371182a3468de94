"""A run as somebody with a notebook wants it: opened by name or file, devices as arrays in units. Reached as `loadlog.open`."""

from __future__ import annotations

from collections.abc import Iterator
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from loadlog.model.event import Event
from loadlog.model.run import Note, RunInfo
from loadlog.store.info import read_info
from loadlog.store.reader import Archive

if TYPE_CHECKING:
    from loadlog.store.arrays import DeviceArrays


class Run:
    """What was recorded in one run: a mapping of device names to `arrays.DeviceArrays`, each read when it is asked for."""

    def __init__(self, archive: Archive, info: RunInfo) -> None:
        self.archive, self.info = archive, info

    def __getitem__(self, device: str) -> DeviceArrays:
        """All samples of a device.

        Raises:
            UsageError: there is no such device.
            StoreError: the recording is missing or damaged.
        """
        return self.archive.arrays(device, run=self.info.id)

    def __iter__(self) -> Iterator[str]:
        return iter(self.info.devices)

    def __len__(self) -> int:
        return len(self.info.devices)

    def __repr__(self) -> str:
        return f"<run {self.info.id}: {', '.join(self.info.devices)}>"

    @property
    def events(self) -> list[Event]:
        """What happened, by number."""
        return self.archive.events(run=self.info.id)

    @property
    def notes(self) -> list[Note]:
        """The logbook."""
        return self.archive.notes(self.info.id)


def open_run(run: str | PathLike[str], data: str | PathLike[str] = "data") -> Run:
    """A run by id, by name where only one has it, ``"last"``, or by the path of its recording; ``data``: the data directory.

    Raises:
        UsageError: there is no such run; names what there is.
        StoreError: the directory or file is missing, damaged or foreign.
    """
    path = Path(run)
    if path.suffix == ".sqlite":
        info = read_info(path).run
        archive = Archive(path.parent)
        return Run(archive, archive.run(info.id if info is not None else path.stem))
    archive = Archive(Path(data))
    return Run(archive, archive.run(str(run)))
