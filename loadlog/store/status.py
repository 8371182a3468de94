"""How much there is, how fast it grows, and when the disk is full at that rate."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from loadlog.model.clock import NS
from loadlog.store.disk import free_bytes
from loadlog.store.info import RecordingInfo
from loadlog.store.reader import Archive

DAY_S = 86_400.0
LOOK_BACK_NS = 7 * 86_400 * NS
SHORTEST_S = 60.0  # a shorter record says nothing about a day


@dataclass(frozen=True, slots=True)
class StoreStatus:
    """``growth_bytes_per_day`` and ``days_until_full`` are None while too little was recorded to say; the rate is that of the last week's
    recordings, which cover ``recorded_s``; while that is short it is too high, for rows that are not sealed yet take more room.
    ``damaged``: file -> what is wrong with it; ``left_alone``: the same for files of a newer version or another program."""

    directory: str
    recordings: list[RecordingInfo]
    size_bytes: int
    samples: int
    free_bytes: int
    recorded_s: float
    growth_bytes_per_day: float | None
    days_until_full: float | None
    damaged: dict[str, str]
    left_alone: dict[str, str]


def status(directory: Path, now_utc_ns: int) -> StoreStatus:
    """Look at every recording of a data directory.

    Raises:
        StoreError: the directory cannot be read.
    """
    return status_of(Archive(directory), directory, now_utc_ns)


def status_of(archive: Archive, directory: Path, now_utc_ns: int) -> StoreStatus:
    """As `status`, for a data directory that is open already: what was read of its closed recordings is not read again."""
    recordings = archive.recordings()
    recorded_s, bytes_of_it = _last_week(recordings, now_utc_ns)
    growth = bytes_of_it / recorded_s * DAY_S if recorded_s >= SHORTEST_S else None
    free = free_bytes(directory)
    return StoreStatus(
        directory=str(archive.folder),
        recordings=recordings,
        size_bytes=sum(r.size_bytes for r in recordings),
        samples=sum(r.samples for r in recordings),
        free_bytes=free,
        recorded_s=recorded_s,
        growth_bytes_per_day=growth,
        days_until_full=None if not growth else free / growth,
        damaged={name: line for name, line in archive.damaged.items() if name not in archive.foreign},
        left_alone={name: line for name, line in archive.damaged.items() if name in archive.foreign},
    )


def _last_week(recordings: list[RecordingInfo], now_utc_ns: int) -> tuple[float, int]:
    """Seconds that the recordings of the last week cover, and their bytes; of one that began before, its share by time. Those that overlap
    in time (several runs at once) add up."""
    since_ns = now_utc_ns - LOOK_BACK_NS
    begins, ends, size = [], [], 0.0
    for r in recordings:
        if r.t_first_ns is None or r.t_last_ns is None or r.t_last_ns < since_ns:
            continue
        begin_ns = max(r.t_first_ns, since_ns)
        begins.append(begin_ns)
        ends.append(r.t_last_ns)
        size += r.size_bytes * ((r.t_last_ns - begin_ns) / (r.t_last_ns - r.t_first_ns) if begin_ns > r.t_first_ns else 1.0)
    return ((max(ends) - min(begins)) / NS, round(size)) if begins else (0.0, 0)
