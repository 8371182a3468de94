"""Where the page's facts come from: the recordings (read-only) and the recorder (over its control socket).

Invariants: a recorder that is down, or recordings that cannot be read, are states to be shown, not faults of the page; the recorder is
asked for its state at most once in `STATUS_AGE_S`, however many ask here. Thread-safe.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from loadlog.control.client import Control
from loadlog.model.clock import NS, format_utc
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import LoadlogError, StoreError
from loadlog.model.event import Event
from loadlog.model.run import RunInfo
from loadlog.store import Archive
from loadlog.store.follower import Follower, Record
from loadlog.store.progress import progress
from loadlog.store.series import Series
from loadlog.store.status import StoreStatus, status_of
from loadlog.web import forms
from loadlog.web.remembered import Remembered

STATUS_AGE_S = 0.9
PROGRESS_AGE_S = 2.0
GROWTH_AGE_S = 60.0
FRESH_S = 10.0  # a bench whose newest sample is older than this (or three poll periods) is not ready
MAX_POINTS = 5000


@dataclass(frozen=True, slots=True)
class RecorderState:
    """What the recorder last said. ``status`` is empty while it cannot be reached; ``detail`` then says why, since ``since_utc_ns``."""

    status: Mapping[str, Any]
    detail: str = ""
    since_utc_ns: int = 0

    @property
    def reachable(self) -> bool:
        """True when it answered."""
        return bool(self.status)

    @property
    def running(self) -> frozenset[str]:
        """Ids of the runs that are on."""
        return frozenset(run["id"] for run in self.status.get("runs", ()))


class Source:
    """Reads for the interface and for the stream. ``configured``: devices as the configuration describes them, for those that no
    recording holds yet. ``forwarding``: facts of each target that samples are forwarded to; ``notices``: of each address that is told.
    ``unread``: whether the configuration file is another one than the recorder has."""

    def __init__(
        self,
        archive: Archive,
        control: Control,
        configured: Mapping[str, DeviceSpec],
        *,
        utc_ns: Callable[[], int],
        monotonic_s: Callable[[], float],
        forwarding: Callable[[], list[dict[str, Any]]] = list,
        notices: Callable[[], list[dict[str, Any]]] = list,
        unread: Callable[[], bool] = lambda: False,
    ) -> None:
        self.forwarding, self.notices, self._unread = forwarding, notices, unread
        self.archive, self.control, self._configured = archive, control, configured
        self._utc_ns, self._monotonic_s = utc_ns, monotonic_s
        self._lock = threading.Lock()
        self._state: RecorderState | None = None
        self._state_age_s = 0.0
        self._progress = Remembered(self._count, PROGRESS_AGE_S, monotonic_s)
        self._growth = Remembered(self._measure_growth, GROWTH_AGE_S, monotonic_s)

    def now(self) -> str:
        """The service's time, for readers whose clock is off."""
        return format_utc(self._utc_ns())

    # -- the recorder

    def recorder(self) -> RecorderState:
        """Its state, at most `STATUS_AGE_S` old."""
        with self._lock:
            if self._state is None or self._monotonic_s() - self._state_age_s > STATUS_AGE_S:
                self._state = self._ask(self._state)
                self._state_age_s = self._monotonic_s()
            return self._state

    def _ask(self, before: RecorderState | None) -> RecorderState:
        try:
            return RecorderState(self.control.call("status"))
        except LoadlogError as exc:
            since = before.since_utc_ns if before is not None and not before.reachable else self._utc_ns()
            return RecorderState({}, str(exc), since)

    def watch(self) -> None:
        """Tell the recorder that somebody looks, so that samples are committed sooner; in vain when it is down."""
        try:
            self.control.call("watch")
        except LoadlogError:
            return

    # -- the bench

    def specs(self) -> dict[str, DeviceSpec]:
        """Every device that the recorder polls, else every configured one, in the order of the file; as the recordings describe it, else as
        the configuration does. (The recorder may have read its configuration again since the viewer started.)"""
        try:
            recorded = self.archive.devices()
        except StoreError:
            recorded = {}
        described = {**self._configured, **recorded}
        return {name: described[name] for name in self.recorder().status.get("devices", self._configured) if name in described}

    def spec(self, name: str) -> DeviceSpec | None:
        """One device, also one that only old recordings know."""
        configured = self._configured.get(name)
        try:
            return self.archive.devices().get(name, configured)
        except StoreError:
            return configured

    def devices(self) -> list[dict[str, Any]]:
        """Every device with its newest sample and that sample's uncertainties."""
        specs = self.specs()
        newest = self._newest(specs)
        learned = self.recorder().status.get("learned", {})
        return [
            {
                **forms.device_json(spec),
                "latest": self._latest_json(newest.get(name), spec),
                "learned": forms.learned_json(learned.get(name)),
            }
            for name, spec in specs.items()
        ]

    @staticmethod
    def _latest_json(record: Record | None, spec: DeviceSpec) -> dict[str, Any] | None:
        if record is None:
            return None
        uncertainty = {name: forms.finite(u) for name, u in record.sample.uncertainty.items()}
        return {**forms.sample_json(record.sample, record.run, spec), "uncertainty": uncertainty}

    def runs(self) -> list[dict[str, Any]]:
        """Every run, newest first; those that are on with their progress."""
        running = self.recorder().running
        return [
            {**forms.run_json(run, running), "progress": self.progress(run.id) if run.id in running else None}
            for run in reversed(self.run_infos())
        ]

    def progress(self, run_id: str) -> dict[str, Any] | None:
        """How far a run that is on has come, at most `PROGRESS_AGE_S` old; None where nothing tells."""
        return self._progress.get(run_id)

    def _count(self, run_id: str) -> dict[str, Any] | None:
        try:
            run = next((run for run in self.archive.runs() if run.id == run_id), None)
            return None if run is None else forms.progress_json(progress(self.archive, run, self._utc_ns()))
        except StoreError:
            return None

    def _measure_growth(self, _key: str) -> StoreStatus | None:
        try:
            return status_of(self.archive, self.archive.folder, self._utc_ns())
        except StoreError:
            return None

    def logbook(self, run_id: str | None, limit: int) -> list[dict[str, Any]]:
        """The newest ``limit`` notes of a run, or of all runs and the time between them, oldest first."""
        if not self.archive.folder.is_dir():
            return []
        return [forms.note_json(run, note) for run, note in self.archive.logbook(run_id)[-limit:]]

    def run_infos(self) -> list[RunInfo]:
        """Every run, oldest first; none while the recordings cannot be read."""
        try:
            return self.archive.runs()
        except StoreError:
            return []

    def events(self, **wanted: Any) -> list[Event]:
        """As `Archive.events`; none while there are no recordings."""
        try:
            return self.archive.events(**wanted)
        except StoreError:
            if self.archive.folder.is_dir():
                raise
            return []

    def follow(self) -> Follower | None:
        """What is recorded from now on; from the beginning, where nothing is recorded yet; None when the recordings cannot be read."""
        if not self.archive.folder.is_dir():
            return self.archive.follow(0)
        try:
            return self.archive.follow()
        except StoreError:
            return None

    def samples(self, spec: DeviceSpec, channels: Sequence[str], from_ns: int, to_ns: int, points: int) -> dict[str, Any]:
        """Columns for a plot (`forms.series_json`)."""
        # Read before the series: a sample that comes between is then shown twice in a bucket rather than not at all.
        newest = self._newest([spec.name]).get(spec.name)
        if self.archive.folder.is_dir():
            series = self.archive.series(spec.name, channels, from_ns, to_ns, points)
        else:
            series = Series(spec.name, from_ns, to_ns, 0, {name: [] for name in channels})  # nothing was recorded yet
        return forms.series_json(series, spec, None if newest is None else newest.sample.stamp.t_utc_ns)

    # -- the service

    def service(self, readers: int = 0) -> dict[str, Any]:
        """State of the service as the page shows it."""
        state = self.recorder()
        status = state.status
        return {
            "t": self.now(),
            "recorder": {
                "reachable": state.reachable,
                "detail": state.detail,
                "since": None if state.reachable else format_utc(state.since_utc_ns),
            },
            "runs": [
                {
                    "id": run["id"], "name": run["name"], "devices": run["devices"], "planned_s": run["planned_s"],
                    "started": format_utc(run["started_utc_ns"]), "progress": self.progress(run["id"]),
                }
                for run in status.get("runs", ())
            ],
            "devices": list(self.specs()),
            "samples": status.get("samples"),
            "buses": [forms.bus_json(name, bus) for name, bus in status.get("buses", {}).items()],
            "store": forms.store_json(status.get("store", {}), self.archive.damaged, self._growth.get("")),
            "forwarding": self.forwarding(),
            "notices": self.notices(),
            "configuration": {"unread": self.unread()},
            "readers": readers,
        }  # fmt: skip

    def unread(self) -> bool:
        """The configuration file is another one than the recorder has; False while the recorder cannot be asked."""
        return self.recorder().reachable and self._unread()

    def ages(self) -> dict[str, float]:
        """Device -> age in s of its newest recorded poll; devices without any are absent."""
        now_ns = self._utc_ns()
        return {name: (now_ns - record.sample.stamp.t_utc_ns) / NS for name, record in self._newest(self.specs()).items()}

    def silent(self) -> list[str]:
        """Devices without a fresh sample that carries values; empty when the bench is being read."""
        now_ns = self._utc_ns()
        specs = self.specs()
        newest = self._newest(specs)
        out = []
        for spec in specs.values():
            record = newest.get(spec.name)
            oldest_ns = now_ns - round(max(FRESH_S, 3 * spec.period_s) * NS)
            if record is None or record.sample.failure is not None or record.sample.stamp.t_utc_ns < oldest_ns:
                out.append(spec.name)
        return out

    def _newest(self, devices: Iterable[str]) -> dict[str, Record]:
        try:
            return self.archive.latest_of(devices)
        except StoreError:
            return {}
