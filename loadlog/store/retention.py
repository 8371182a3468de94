"""What may be removed, and removing it: by age, then by size, oldest first; never what is being written, what is marked to be kept, or what
is not forwarded yet where that is asked.

A run goes as a whole, all its parts or none, and what was noted in it with it. Of a recording between runs what people wrote stays, in a
`logbook`, which no rule removes. `plan` decides and touches nothing; `prune` removes what was planned.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from loadlog.model.clock import NS
from loadlog.model.errors import RefusedError, StoreError
from loadlog.store.connect import SHM_SUFFIX, WAL_SUFFIX, open_for_writing, translated
from loadlog.store.info import LOGBOOK, Listing, RecordingInfo
from loadlog.store.logbook import leave_logbook

DAY_NS = 86_400 * NS
ForwardedUpTo = Callable[[str], int]  # recording's file name -> highest number that every target has acknowledged from it


@dataclass(frozen=True, slots=True)
class Rules:
    """``rolling_days``, ``run_days``: age, since closing, after which a recording goes; ``max_bytes``: all recordings together. None: no
    such rule. ``forwarded_up_to`` None: forwarding does not matter."""

    rolling_days: float | None = None
    run_days: float | None = None
    max_bytes: int | None = None
    forwarded_up_to: ForwardedUpTo | None = None


@dataclass(frozen=True, slots=True)
class Removal:
    """A run, or one rolling recording. ``why``: one line."""

    recordings: tuple[RecordingInfo, ...]
    why: str

    @property
    def size_bytes(self) -> int:
        """What it frees; what stays in a logbook is some 30 kB of it."""
        return sum(r.size_bytes for r in self.recordings)

    @property
    def written(self) -> str:
        """What people wrote in it, and what becomes of that: one line, empty where there is nothing."""
        notes, acknowledged = sum(r.notes for r in self.recordings), sum(r.acknowledged for r in self.recordings)
        if self.recordings[0].run is not None:
            return f"with {_counted(notes, 'note')}" if notes else ""
        counted = [_counted(n, what) for n, what in ((notes, "note"), (acknowledged, "acknowledged event")) if n]
        return f"{' and '.join(counted)} {'stays' if notes + acknowledged == 1 else 'stay'}" if counted else ""


@dataclass(frozen=True, slots=True)
class Spared:
    """What a rule would remove, and why it stays."""

    recordings: tuple[RecordingInfo, ...]
    why: str


@dataclass(frozen=True, slots=True)
class Plan:
    """``over_bytes``: by how much the recordings are too large even after all removals."""

    removals: list[Removal]
    spared: list[Spared]
    over_bytes: int = 0


def plan(recordings: Sequence[RecordingInfo], now_utc_ns: int, rules: Rules) -> Plan:
    """See the module."""
    removals: list[Removal] = []
    spared: list[Spared] = []
    remaining: list[tuple[RecordingInfo, ...]] = []
    for group in sorted(_groups(recordings), key=_closed_at):
        if group[0].kind == LOGBOOK:
            continue
        days = rules.run_days if group[0].run is not None else rules.rolling_days
        if days is None or _closed_at(group) > now_utc_ns - round(days * DAY_NS):
            remaining.append(group)
        elif why_not := _why_not(group, rules):
            spared.append(Spared(group, why_not))
            remaining.append(group)
        else:
            removals.append(Removal(group, f"closed more than {days:g} days ago"))
    if rules.max_bytes is None:
        return Plan(removals, spared)
    gone = {r.path for removal in removals for r in removal.recordings}
    over = sum(r.size_bytes for r in recordings if r.path not in gone) - rules.max_bytes
    for group in remaining:
        if over <= 0:
            break
        if why_not := _why_not(group, rules):
            if all(s.recordings != group for s in spared):
                spared.append(Spared(group, why_not))
            continue
        removals.append(Removal(group, f"the recordings are larger than {rules.max_bytes / (1 << 30):.3g} GiB"))
        over -= removals[-1].size_bytes
    return Plan(removals, spared, max(0, over))


def _groups(recordings: Sequence[RecordingInfo]) -> list[tuple[RecordingInfo, ...]]:
    runs: dict[str, list[RecordingInfo]] = {}
    for recording in recordings:
        runs.setdefault(recording.name if recording.run is None else f"run {recording.run.id}", []).append(recording)
    return [tuple(sorted(group, key=lambda r: r.part)) for group in runs.values()]


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _closed_at(group: Sequence[RecordingInfo]) -> int:
    """Instant since which nothing changes; far ahead for what is still written."""
    return max((1 << 62) if r.closed_utc_ns is None else r.closed_utc_ns for r in group)


def _why_not(group: Sequence[RecordingInfo], rules: Rules) -> str:
    """Why it must stay; empty when it may go."""
    if any(r.closed_utc_ns is None for r in group) or (group[-1].run is not None and group[-1].run.ended_utc_ns is None):
        return "still written"
    if any(r.run is not None and r.run.keep for r in group):
        return "marked to be kept"
    if rules.forwarded_up_to is not None:
        for recording in group:
            if recording.samples and rules.forwarded_up_to(recording.name) < recording.last_sample_seq:
                return "not forwarded yet"
    return ""


def prune(folder: Path, now_utc_ns: int, rules: Rules, dry_run: bool = False) -> Plan:
    """Plan over a folder of recordings, and carry it out unless ``dry_run``. Safe beside a running recorder: it takes only what is closed.

    Raises:
        StoreError: the folder cannot be read, or a file cannot be removed; the others are.
    """
    found = plan(Listing().recordings(folder), now_utc_ns, rules)
    refused: list[StoreError] = []
    for removal in () if dry_run else found.removals:
        try:
            remove(removal)
        except StoreError as exc:
            refused.append(exc)
    if refused:
        raise refused[0]
    return found


def mark(recording: RecordingInfo, keep: bool) -> None:
    """Mark a run's recording, or take the mark away. Only what is closed: a recording has one writing process.

    Raises:
        RefusedError: it is still written.
        StoreError: it cannot be written.
    """
    if recording.closed_utc_ns is None:
        raise RefusedError(f"{recording.name} is still written", hint="mark the run when it has ended, or start it with --keep")
    connection = open_for_writing(recording.path, create=False)
    try:
        with translated(recording.path):
            connection.execute("UPDATE run SET keep = ?", (int(keep),))
    finally:
        connection.close()


def remove(removal: Removal) -> None:
    """Last part first, so that what is left by an interruption still begins with the run's beginning. The WAL of a file goes after it: a
    file without its WAL would be incomplete, a WAL without its file is nothing.

    Raises:
        StoreError: not permitted, or no room for what must stay of it.
    """
    for recording in reversed(removal.recordings):
        if recording.run is None:
            leave_logbook(recording)
        try:
            recording.path.unlink(missing_ok=True)
            for suffix in (WAL_SUFFIX, SHM_SUFFIX):
                recording.path.with_name(recording.name + suffix).unlink(missing_ok=True)
        except OSError as exc:
            raise StoreError(f"cannot be removed: {exc.strerror}", where=str(recording.path), hint="check owner and mode") from exc
