"""What is new, for the stream: samples and events as they are committed, once for all readers.

Not thread-safe: `stream.Hub` makes one call at a time. Events are looked for when a sample's number jumps (an event took the one between)
and otherwise every `EVENTS_EVERY_S`, because an acknowledgement may come while nothing is sampled.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from loadlog.model.device import DeviceSpec
from loadlog.store.follower import Follower
from loadlog.web import forms
from loadlog.web.source import Source
from loadlog.web.stream import Frame, frame

EVENTS_EVERY_S = 0.5
WATCH_EVERY_S = 2.0
CHUNK = 50  # samples in one frame at most, so that a frame stays small against what a reader may hold
LIMIT = 400  # samples taken at once: after a stall of the disk the rest comes with the next looks, and nobody is dropped for it


class RecordingFeed:
    """Implements `stream.Feed` over the recordings. ``page``: digest of the page's files, so that an open tab knows that it is old."""

    def __init__(
        self, source: Source, *, software: str, page: str, monotonic_s: Callable[[], float], readers: Callable[[], int]
    ) -> None:  # fmt: skip
        self._page = page
        self._source, self._software, self._monotonic_s, self._readers = source, software, monotonic_s, readers
        self._follower: Follower | None = None
        self._specs: Mapping[str, DeviceSpec] = {}
        self._last_seq = 0
        self._events_at_s = self._watch_at_s = 0.0

    def start(self) -> None:
        """See `stream.Feed`."""
        self._source.watch()
        self._specs = self._source.specs()
        self._follower = self._source.follow()
        self._last_seq = 0

    def hello(self) -> dict[str, Any]:
        """See `stream.Feed`."""
        return {"software": self._software, "page": self._page, "t": self._source.now()}

    def service(self) -> dict[str, Any]:
        """See `stream.Feed`."""
        if self._monotonic_s() >= self._watch_at_s and self._readers():
            self._watch_at_s = self._monotonic_s() + WATCH_EVERY_S
            self._source.watch()
        return self._source.service(self._readers())

    def poll(self) -> Sequence[Frame]:
        """See `stream.Feed`."""
        if self._follower is None or not self._source.archive.folder.is_dir():
            self._follower = self._source.follow()  # from the first sample on, once there is a directory
            return []
        records = self._follower.poll(LIMIT)
        frames = []
        jumped = False
        for first in range(0, len(records), CHUNK):
            chunk = records[first : first + CHUNK]
            if any(record.sample.device not in self._specs for record in chunk):
                self._specs = self._source.archive.devices()
            samples = [forms.sample_json(r.sample, r.run, self._specs.get(r.sample.device)) for r in chunk]
            for record in chunk:
                jumped |= record.seq > self._last_seq + 1
                self._last_seq = max(self._last_seq, record.seq)
            frames.append(frame("samples", samples))
        if jumped or self._monotonic_s() >= self._events_at_s:
            self._events_at_s = self._monotonic_s() + EVENTS_EVERY_S
            if fresh := self._follower.poll_events():
                self._last_seq = max(self._last_seq, fresh[-1].seq)
                frames.append(frame("events", [event.to_json() for event in fresh]))
        return frames
