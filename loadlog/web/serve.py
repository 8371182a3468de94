"""The HTTP server (uvicorn) around the application, with what it does not do itself.

It listens before it says so, and ends open streams before it waits for connections.
Its heart beats in the loop that serves requests, and only as long as the threads that read recordings for them are not all stuck.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import socket
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from types import FrameType

import uvicorn
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp

from loadlog.model.errors import BusError
from loadlog.web.connections import MAX_CONNECTIONS, Connections
from loadlog.web.stream import Hub

STOP_S = 5
SEND_BUFFER = 128 * 1024  # of the kernel, a connection; it would grow to megabytes for a reader that takes nothing
TOLD_A_MINUTE = 10
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Heart:
    """``beat`` is called every ``every_s`` while the server is well; never where ``every_s`` is 0."""

    beat: Callable[[], None] = lambda: None
    every_s: float = 0.0


NO_HEART = Heart()


class Seldom(logging.Filter):
    """At most `TOLD_A_MINUTE` entries a minute with the same words: what anybody on the network can cause must not fill a disk."""

    def __init__(self) -> None:
        super().__init__()
        self._told: dict[str, tuple[float, int]] = {}  # words of the program, never of a client -> begin of the minute, how often

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether it is told; the last one of a minute says that others are not."""
        begun_s, count = self._told.get(str(record.msg), (record.created, 0))
        if record.created - begun_s >= 60:
            begun_s, count = record.created, 0
        self._told[str(record.msg)] = (begun_s, count + 1)
        if count + 1 == TOLD_A_MINUTE:
            record.msg = f"{record.msg} (more of these within this minute are not told)"
        return count < TOLD_A_MINUTE


_seldom = Seldom()


class Server(uvicorn.Server):
    """Ends the streams as soon as it is told to stop; uvicorn alone would wait for them."""

    def __init__(self, config: uvicorn.Config, hub: Hub, on_listening: Callable[[], None], heart: Heart) -> None:
        super().__init__(config)
        self._hub, self._on_listening, self._heart = hub, on_listening, heart
        self._beating: asyncio.Task[None] | None = None

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """As uvicorn's, then tells that requests are served."""
        await super().startup(sockets)
        if self.started:
            self._on_listening()
            if self._heart.every_s:
                self._beating = asyncio.create_task(self._beat(), name="heart")

    async def _beat(self) -> None:
        """A server that is stuck does not get to the next beat: no time-out here, the watchdog has one."""
        while True:
            await asyncio.to_thread(_nothing)  # the stream's threads
            await run_in_threadpool(_nothing)  # those of the requests
            self._heart.beat()
            await asyncio.sleep(self._heart.every_s)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """As uvicorn's, the streams first."""
        await self._hub.close()
        await super().shutdown(sockets)
        if self._beating is not None:
            self._beating.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._beating

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """SIGTERM or SIGINT."""
        _log.info("stopping")
        super().handle_exit(sig, frame)


def listen(host: str, tcp_port: int) -> socket.socket:
    """A listening socket on that address; port 0 takes a free one.

    Raises:
        BusError: the port is busy or not permitted, or this machine has no such address; one line with what to do.
    """
    where = f"web page on {host}:{tcp_port}"
    try:
        family, kind, proto, _, address = socket.getaddrinfo(host, tcp_port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    except OSError as exc:
        raise BusError(f"there is no address {host!r}", where=where, hint="set web.host to an address of this machine") from exc
    sock = socket.socket(family, kind, proto)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER)  # inherited by what is accepted
        sock.bind(address)
        sock.listen(128)
        sock.setblocking(False)
    except OSError as exc:
        sock.close()
        hints = {
            errno.EADDRINUSE: "another program has the port: stop it, or set web.tcp_port to another",
            errno.EACCES: "ports below 1024 need privileges: set web.tcp_port to a higher one",
            errno.EADDRNOTAVAIL: "set web.host to an address of this machine",
        }
        raise BusError(f"cannot listen: {exc.strerror}", where=where, hint=hints.get(exc.errno or 0, "check [web]")) from exc
    return sock


def _nothing() -> None:
    """What a free thread is asked to do."""


def make_server(
    app: ASGIApp,
    hub: Hub,
    connections: Connections,
    on_listening: Callable[[], None],
    heart: Heart,
    tls: ssl.SSLContext | None = None,
) -> Server:
    """The server, not yet running; `Server.run` takes the sockets. With ``tls`` it speaks nothing else."""
    config = uvicorn.Config(
        app,
        http=connections.protocol(),
        ws="none",
        loop="asyncio",
        lifespan="on",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,  # a forwarded address would be believed from anybody on this machine; see `proxy`
        limit_concurrency=MAX_CONNECTIONS + 1,  # `connections` refuses first, before a request is read
        timeout_graceful_shutdown=STOP_S,
        timeout_keep_alive=15,
        h11_max_incomplete_event_size=16 * 1024,
        ssl_context_factory=None if tls is None else lambda _config, _default: tls,
    )
    logging.getLogger("uvicorn.error").addFilter(_seldom)
    return Server(config, hub, on_listening, heart)
