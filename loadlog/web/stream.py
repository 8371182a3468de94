"""Server-sent events (HTML Living Standard, 9.2): what is new, to any number of readers, from one look at the store.

Events of the stream: ``hello`` (software, server time, ``resumed``: whether the reader has missed nothing), ``samples`` (list), ``events``
(list), ``service`` (state of the service, once a second: also the heartbeat by which a page notices that the service is gone).

Invariants: one poller for all readers; each frame is made once and shared; a reader holds at most `READER_BYTES` of unsent frames and is
dropped when it falls behind, never waited for; a reader that comes back with ``Last-Event-ID`` gets what it missed from the last
`RING_BYTES` of frames, or is told by ``resumed: false`` to fetch afresh. While nobody reads, the store is left alone (`LINGER_S`).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from loadlog.model.errors import LoadlogError
from loadlog.web.problems import Problem

READER_BYTES = 512 * 1024
WRITE_BYTES = 32 * 1024  # handed to the connection at once
RING_BYTES = 1024 * 1024
MAX_READERS = 64
POLL_S = 0.03  # between two looks at the store; one that finds nothing new costs some 30 µs
LOOKS = 8  # without a return to the event loop, which costs several times as much
SERVICE_EVERY_S = 1.0
LINGER_S = 15.0  # the poller goes on this long without readers, so that a page that reconnects loses nothing
RETRY_MS = 1000  # how soon a browser comes back after a broken connection
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Frame:
    """One event of the stream: its name and its data, JSON on one line, so that no text in it can end the event."""

    name: str
    body: bytes

    def encoded(self, identity: str = "") -> bytes:
        """As it goes over the wire."""
        line = f"id: {identity}\n" if identity else ""
        return f"event: {self.name}\n{line}data: ".encode() + self.body + b"\n\n"


def frame(name: str, payload: Any) -> Frame:
    """A frame of ``payload``."""
    return Frame(name, json.dumps(payload, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode())


class Feed(Protocol):
    """Where the poller takes its frames from; called in a worker thread, one call at a time."""

    def start(self) -> None:
        """Begin with what is recorded from now on."""
        ...

    def poll(self) -> Sequence[Frame]:
        """Frames of what was recorded since the last call."""
        ...

    def service(self) -> dict[str, Any]:
        """State of the service."""
        ...

    def hello(self) -> dict[str, Any]:
        """What a reader is told first."""
        ...


class Reader:
    """One connection's unsent frames."""

    def __init__(self) -> None:
        self._frames: deque[bytes] = deque()
        self._bytes = 0
        self._wake = asyncio.Event()
        self.ended = False
        self.dropped = False

    def offer(self, data: bytes) -> bool:
        """Queue a frame; False when the reader is too far behind and has been dropped."""
        if self._bytes + len(data) > READER_BYTES:
            self.dropped = True
            self._frames.clear()
            self._bytes = 0
            self.end()
            return False
        self._frames.append(data)
        self._bytes += len(data)
        self._wake.set()
        return True

    def end(self) -> None:
        """Nothing more will come."""
        self.ended = True
        self._wake.set()

    async def take(self) -> bytes:
        """The next frames, about `WRITE_BYTES` of them, waiting for one; empty when nothing more will come."""
        while not self._frames and not self.ended:
            self._wake.clear()
            await self._wake.wait()
        data = b""
        while self._frames and len(data) < WRITE_BYTES:
            data += self._frames.popleft()
        self._bytes -= len(data)
        return data


class Hub:
    """Polls the feed while somebody reads, and hands each frame to every reader. Lives on one event loop."""

    def __init__(self, feed: Feed, *, session: str, monotonic_s: Callable[[], float], poll_s: float = POLL_S) -> None:
        self._feed, self._session, self._monotonic_s, self._poll_s = feed, session, monotonic_s, poll_s
        self._readers: set[Reader] = set()
        self._joining = 0
        self._ring: deque[tuple[int, bytes]] = deque()  # frames by number, which goes up by one a frame
        self._ring_bytes = 0
        self._ring_after = self._number = 0  # every frame after this one is in the ring
        self._task: asyncio.Task[None] | None = None
        self._closed = False
        self._last_service: bytes = b""
        self.dropped_total = 0

    @property
    def readers(self) -> int:
        """Connections that are being served."""
        return len(self._readers)

    async def join(self, last_id: str = "") -> Reader:
        """A new reader, resumed after the frame ``last_id`` where that is still possible.

        Raises:
            Problem: 503 when there are too many readers, or the service is stopping.
        """
        if self._closed or len(self._readers) + self._joining >= MAX_READERS:
            raise Problem(503, "the service is stopping" if self._closed else f"already {MAX_READERS} readers of the stream")
        self._joining += 1
        try:
            if self._task is None or self._task.done():
                await self._begin()
            hello = await asyncio.to_thread(self._feed.hello)
        finally:
            self._joining -= 1
        # From here on without a pause, so that no frame falls between the ring and the reader's own queue.
        last = self._number_of(last_id)
        resumed = last is not None and last >= self._ring_after
        reader = Reader()
        missed = b"".join(data for number, data in self._ring if resumed and last is not None and number > last)
        if len(missed) > READER_BYTES // 2:
            resumed, missed = False, b""
        first = f"retry: {RETRY_MS}\n\n".encode() + frame("hello", {**hello, "resumed": resumed}).encoded()
        reader.offer(first + self._last_service + missed)
        self._readers.add(reader)
        return reader

    async def _begin(self) -> None:
        self._ring.clear()
        self._ring_bytes = 0
        self._last_service = b""
        self._number += 1  # what was recorded while nobody looked is in no frame: nobody resumes across it
        self._ring_after = self._number
        await asyncio.to_thread(self._feed.start)
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._work(), name="stream-poller")

    def _number_of(self, last_id: str) -> int | None:
        """The frame number in an identity that this hub gave out, else None."""
        session, _, number = last_id.partition(".")
        return int(number) if session == self._session and number.isascii() and number.isdigit() and len(number) < 16 else None

    def leave(self, reader: Reader) -> None:
        """The connection is over."""
        self._readers.discard(reader)
        self.dropped_total += reader.dropped

    async def close(self) -> None:
        """End every reader and the poller; no new reader is taken."""
        self._closed = True
        for reader in self._readers:
            reader.end()
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task

    async def _work(self) -> None:
        next_service_s = seen_s = self._monotonic_s()
        while self._monotonic_s() - seen_s < LINGER_S:
            if self._readers or self._joining:
                seen_s = self._monotonic_s()
            if self._monotonic_s() >= next_service_s:
                next_service_s = self._monotonic_s() + SERVICE_EVERY_S
                self._last_service = frame("service", await asyncio.to_thread(self._feed.service)).encoded()
                self._spread(self._last_service)
            try:
                self._send(await asyncio.to_thread(self._look))
            except LoadlogError as exc:
                _log.warning("the stream cannot read recordings: %s", exc)
                await asyncio.sleep(SERVICE_EVERY_S)
            except Exception:  # the page must outlive any record it cannot show
                _log.exception("the stream's poller failed; it goes on")
                await asyncio.sleep(SERVICE_EVERY_S)
            await asyncio.sleep(self._poll_s)

    def _look(self) -> Sequence[Frame]:
        """What is new, waiting a little for it; in a worker thread."""
        for _ in range(LOOKS):
            if frames := self._feed.poll():
                return frames
            time.sleep(self._poll_s)
        return []

    def _send(self, frames: Sequence[Frame]) -> None:
        for item in frames:
            self._number += 1
            data = item.encoded(f"{self._session}.{self._number}")
            self._ring.append((self._number, data))
            self._ring_bytes += len(data)
            self._spread(data)
        while self._ring_bytes > RING_BYTES:
            self._ring_after, old = self._ring.popleft()
            self._ring_bytes -= len(old)

    def _spread(self, data: bytes) -> None:
        for reader in list(self._readers):
            if not reader.offer(data):
                self._readers.discard(reader)
                _log.info("a reader of the stream fell behind and is dropped")


class EventStreamResponse(Response):
    """ASGI answer that sends a reader's frames until it leaves, is dropped, or the service stops.

    ``abort`` cuts the connection of a dropped reader at once; an orderly close would wait for the very bytes it does not take.
    """

    def __init__(self, hub: Hub, reader: Reader, abort: Callable[[Scope], None]) -> None:
        super().__init__(media_type="text/event-stream")
        self._hub, self._reader, self._abort = hub, reader, abort

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        tasks = [asyncio.create_task(job) for job in (self._send(send), _gone(receive), self._watch())]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                with contextlib.suppress(OSError):
                    task.result()
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._hub.leave(self._reader)
            if self._reader.dropped:
                self._abort(scope)
                await asyncio.sleep(0.01)  # the server learns that the connection is gone before it misses the end of the answer

    async def _send(self, send: Send) -> None:
        headers = [(b"content-type", b"text/event-stream; charset=utf-8"), (b"x-accel-buffering", b"no")]
        await send({"type": "http.response.start", "status": self.status_code, "headers": headers})
        while data := await self._reader.take():
            await send({"type": "http.response.body", "body": data, "more_body": True})
        if not self._reader.dropped:
            await send({"type": "http.response.body", "body": b"", "more_body": False})

    async def _watch(self) -> None:
        """Returns when the reader has been dropped, even while a send hangs."""
        while not self._reader.dropped:
            await asyncio.sleep(0.2)


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
