"""The event stream: what it carries, resuming, heartbeat, and readers that do not read.

Framing after the HTML Living Standard, 9.2.6 ("Interpreting an event stream").
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import threading
import time
from collections.abc import AsyncIterator, Iterator, Sequence
from pathlib import Path
from typing import Any

import httpx
import pytest

from loadlog.model.event import Severity
from loadlog.web.problems import Problem
from loadlog.web.stream import MAX_READERS, READER_BYTES, RING_BYTES, EventStreamResponse, Frame, Hub, Reader, frame
from tests.serving import PATIENCE_S, serving
from tests.unit.web.stand_in import MARKUP, StandIn

Message = tuple[str, str, Any]  # event, id, data


def messages(lines: Iterator[str]) -> Iterator[Message]:
    """A reader written after the standard: fields by line, dispatched at the empty line; the last id is kept."""
    name, identity, data = "message", "", []
    for line in lines:
        if line == "":
            if data:
                yield name, identity, json.loads("\n".join(data))
            name, data = "message", []
            continue
        field, _, value = line.partition(":")
        value = value.removeprefix(" ")
        if field == "event":
            name = value
        elif field == "id":
            identity = value
        elif field == "data":
            data.append(value)


@contextlib.contextmanager
def reading(address: str, **more: Any) -> Iterator[Iterator[Message]]:
    with httpx.Client(base_url=address, timeout=PATIENCE_S) as http, http.stream("GET", "/api/stream", **more) as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.headers["cache-control"] == "no-store"
        assert "content-encoding" not in answer.headers
        yield messages(answer.iter_lines())


def until(stream: Iterator[Message], name: str) -> Message:
    return next(message for message in stream if message[0] == name)


def test_samples_and_events_come_as_the_contract_gives_them(bench: StandIn, address: str) -> None:
    with reading(address) as stream:
        assert next(stream)[0] == "hello"
        seq = bench.sample("load-1", {"voltage_v": 24.012}, {"input_on": 1})
        _, _, (sample, *_) = until(stream, "samples")
        assert (sample["seq"], sample["device"], sample["values"]["voltage_v"]) == (seq, "load-1", 24.012)
        made = bench.event("load_trip", "load-1", Severity.ALARM, f"tripped\n\nevent: forged\ndata: {MARKUP}")
        _, _, (event, *_) = until(stream, "events")
        assert (event["id"], event["state"]) == (made.id, "active")
        assert event["message"].endswith(MARKUP)
        bench.clear(made)
        _, _, (event, *_) = until(stream, "events")
        assert (event["id"], event["state"]) == (made.id, "cleared")


def test_an_event_is_shown_though_nothing_is_sampled_any_more(bench: StandIn, address: str) -> None:
    bench.sample("load-1", {"voltage_v": 24.0})
    bench.flush()
    with reading(address) as stream:
        next(stream)
        bench.event("communication_lost", "load-1", Severity.ALARM, "silent")
        assert until(stream, "events")[2][0]["kind"] == "communication_lost"


def test_every_sample_comes_exactly_once_also_across_runs(bench: StandIn, address: str) -> None:
    with reading(address) as stream:
        next(stream)
        expected = []
        for i in range(300):
            if i == 100:
                bench.start_run("one", ("load-1",), 0, keep=False)
            if i == 200:
                bench.stop_run("one-0001", "done")
            expected.append(bench.sample("load-1" if i % 2 else "load-2", {"voltage_v": i / 10}))
        got: list[int] = []
        while len(got) < len(expected):
            got += [sample["seq"] for sample in until(stream, "samples")[2]]
        assert sorted(got) == expected


def test_the_service_speaks_every_second_and_hastens_commits(bench: StandIn, address: str) -> None:
    with reading(address) as stream:
        first, second = until(stream, "service")[2], until(stream, "service")[2]
    assert first["recorder"] == {"reachable": True, "detail": "", "since": None}
    assert first["buses"][0]["use"] == pytest.approx(0.41)
    assert second["t"] > first["t"]
    assert bench.watched >= 1


def test_a_recorder_that_goes_and_comes_back_is_said(bench: StandIn, address: str) -> None:
    with reading(address) as stream:
        bench._server.stop()
        gone = next(m[2]["recorder"] for m in stream if m[0] == "service" and not m[2]["recorder"]["reachable"])
        assert "no recorder is running" in gone["detail"]
        assert gone["since"]
        bench._server.start()
        assert next(m for m in stream if m[0] == "service" and m[2]["recorder"]["reachable"])


@pytest.mark.parametrize("how", ["header", "query"])
def test_a_reader_that_comes_back_gets_what_it_missed(bench: StandIn, address: str, how: str) -> None:
    with reading(address) as stream:
        next(stream)
        bench.sample("load-1", {"voltage_v": 1.0})
        _, identity, _ = until(stream, "samples")
    missed = bench.sample("load-1", {"voltage_v": 2.0})
    bench.flush()
    more = {"headers": {"Last-Event-ID": identity}} if how == "header" else {"params": {"after": identity}}
    with reading(address, **more) as stream:
        assert next(stream)[2]["resumed"] is True
        assert [s["seq"] for s in until(stream, "samples")[2]] == [missed]


@pytest.mark.parametrize("identity", ["0.1", "x", "", ".", "1e9.٣", "a" * 60])
def test_a_reader_from_elsewhere_is_told_to_start_afresh(address: str, identity: str) -> None:
    with reading(address, params={"after": identity}) as stream:
        assert next(stream)[2]["resumed"] is False


def test_a_reader_that_stops_reading_is_dropped_and_costs_the_others_nothing(bench: StandIn, tmp_path: Path) -> None:
    """Its connection is cut while it still hangs; another reader misses no sample meanwhile."""
    with serving(tmp_path / "data") as base:
        host, _, port = base.removeprefix("http://").partition(":")
        stuck = socket.socket()
        stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        stuck.connect((host, int(port)))
        stuck.sendall(f"GET /api/stream HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
        stop = threading.Event()
        sent: list[int] = []
        got: list[int] = []

        def pour() -> None:
            padding = {f"note{i}": "x" * 60 for i in range(8)}
            while not stop.wait(0.05):
                if len(sent) - len(got) < 300:  # as fast as the other reader can, however slow the machine is
                    for _ in range(100):
                        sent.append(bench.sample("load-1", {"voltage_v": 24.0}, uncertain=padding))

        with stuck, reading(base) as stream:
            next(stream)
            pouring = threading.Thread(target=pour)
            pouring.start()
            try:
                with httpx.Client(base_url=base) as http:
                    begun = time.monotonic()
                    while "loadlog_stream_dropped_total 1.0" not in http.get("/metrics").text:
                        assert time.monotonic() - begun < PATIENCE_S, "the stuck reader was not dropped"
                        got += [s["seq"] for s in until(stream, "samples")[2]]
            finally:
                stop.set()
                pouring.join()
            while len(got) < len(sent):
                got += [s["seq"] for s in until(stream, "samples")[2]]
            assert sorted(got) == sent
            stuck.settimeout(PATIENCE_S)
            with pytest.raises(ConnectionResetError):
                drain(stuck)


def test_stopping_the_service_ends_open_streams_at_once(bench: StandIn, tmp_path: Path) -> None:
    ended = threading.Event()
    started = threading.Event()

    def follow(base: str) -> None:
        with contextlib.suppress(httpx.HTTPError), reading(base) as stream:
            for _ in stream:
                started.set()
        ended.set()

    with serving(tmp_path / "data") as base:
        thread = threading.Thread(target=follow, args=(base,), daemon=True)
        thread.start()
        assert started.wait(PATIENCE_S)
    assert ended.wait(PATIENCE_S)


def drain(sock: socket.socket) -> None:
    while sock.recv(65536):
        pass


# -- the hub by itself, without a network


class Script:
    """A feed that gives what the test puts in."""

    def __init__(self) -> None:
        self.frames: list[Frame] = []
        self.started = 0

    def start(self) -> None:
        self.started += 1

    def poll(self) -> Sequence[Frame]:
        frames, self.frames = self.frames, []
        return frames

    def service(self) -> dict[str, Any]:
        return {"state": "well"}

    def hello(self) -> dict[str, Any]:
        return {}


@contextlib.asynccontextmanager
async def hub(feed: Script) -> AsyncIterator[Hub]:
    made = Hub(feed, session="s", monotonic_s=time.monotonic, poll_s=0.001)
    try:
        yield made
    finally:
        await made.close()


async def read_until(reader: Reader, wanted: bytes) -> bytes:
    data = b""
    while wanted not in data:
        more = await asyncio.wait_for(reader.take(), PATIENCE_S)
        assert more, f"the stream ended before {wanted!r}"
        data += more
    return data


def test_a_frame_is_made_once_and_no_text_can_end_it() -> None:
    text = frame("samples", [{"detail": "a\n\nb\r\rc\u2028", "x": MARKUP}]).encoded("s.1")
    assert text.startswith(b"event: samples\nid: s.1\ndata: ")
    assert text.count(b"\n\n") == 1
    assert b"\r" not in text
    with pytest.raises(ValueError, match="JSON"):
        frame("samples", [float("nan")])


def test_a_resumed_reader_sees_each_frame_once() -> None:
    async def story() -> None:
        feed = Script()
        async with hub(feed) as made:
            first = await made.join()
            feed.frames = [frame("samples", [1])]
            seen = await read_until(first, b"[1]")
            identity = seen.partition(b"id: ")[2].partition(b"\n")[0].decode()
            first.end()
            made.leave(first)
            feed.frames = [frame("samples", [2]), frame("samples", [3])]
            other = await made.join()
            await asyncio.sleep(0.05)
            again = await made.join(identity)
            data = await read_until(again, b"[3]")
            assert data.count(b"data: [2]") == 1
            assert b"data: [1]" not in data
            assert feed.started == 1
            made.leave(other)

    asyncio.run(story())


def test_the_ring_is_bounded_and_says_when_it_cannot_resume() -> None:
    async def story() -> None:
        feed = Script()
        async with hub(feed) as made:
            await made.join()
            feed.frames = [frame("samples", ["x" * 100_000]) for _ in range(30)]
            await asyncio.sleep(0.1)
            assert made._ring_bytes <= RING_BYTES
            late = await made.join("s.2")
            assert b'"resumed":false' in await read_until(late, b"hello")

    asyncio.run(story())


def test_a_reader_holds_no_more_than_its_share() -> None:
    reader = Reader()
    big = b"x" * 100_000
    taken = 0
    while reader.offer(big):
        taken += len(big)
    assert taken <= READER_BYTES
    assert reader.dropped
    assert reader._bytes == 0


def test_readers_are_counted_and_limited() -> None:
    async def story() -> None:
        async with hub(Script()) as made:
            readers = [await made.join() for _ in range(MAX_READERS)]
            with pytest.raises(Problem) as caught:
                await made.join()
            assert caught.value.status_code == 503
            made.leave(readers[0])
            assert await made.join()

    asyncio.run(story())


def test_readers_who_come_at_once_are_limited_too() -> None:
    async def story() -> None:
        async with hub(Script()) as made:
            came = await asyncio.gather(*(made.join() for _ in range(MAX_READERS + 10)), return_exceptions=True)
            assert sum(isinstance(one, Problem) for one in came) == 10
            assert made.readers == MAX_READERS

    asyncio.run(story())


def test_a_dropped_reader_is_cut_although_its_send_hangs() -> None:
    async def story() -> None:
        cut: list[Any] = []
        async with hub(Script()) as made:
            reader = await made.join()

            async def never_taken(_message: Any) -> None:
                await asyncio.Event().wait()

            async def silent() -> Any:
                await asyncio.Event().wait()

            scope = {"type": "http", "client": ("127.0.0.1", 1)}
            task = asyncio.create_task(EventStreamResponse(made, reader, cut.append)(scope, silent, never_taken))
            await asyncio.sleep(0.05)
            while reader.offer(b"x" * 100_000):
                pass
            await asyncio.wait_for(task, PATIENCE_S)
            assert cut == [scope]
            assert made.dropped_total == 1

    asyncio.run(story())
