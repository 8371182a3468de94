"""Composition root of the viewer process: the live page over the recordings, forwarding, notices, and nothing that could cost a sample.

The viewer may start before the recorder, outlive it and be restarted at any time: a recorder that is not there is a state it shows.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Any

from loadlog.config import PlanConfig
from loadlog.control.address import VIEWER_SOCKET
from loadlog.control.client import ControlClient
from loadlog.control.server import ControlServer
from loadlog.forwarder import Forwarding, load_credentials
from loadlog.forwarder.naming import check_names
from loadlog.loading import Bench, bench_of, digest_of, load_bench, read_config
from loadlog.model.device import DeviceSpec
from loadlog.model.errors import LoadlogError, UsageError
from loadlog.notify import Notices, load_addresses, load_heartbeat
from loadlog.plans import InForce, Plans, PlanSet, check_plan, plans_json
from loadlog.process.priority import give_way
from loadlog.process.systemd import Notifier
from loadlog.review.desk import Desk
from loadlog.store import Archive
from loadlog.store.viewer_state import StateHolder
from loadlog.version import __version__
from loadlog.web import Access, Site, build_app, load_access
from loadlog.web.app import page_digest
from loadlog.web.connections import Connections
from loadlog.web.feed import RecordingFeed
from loadlog.web.limits import CHANGES, READS, FailureCounter, Places, RateLimit
from loadlog.web.security import Limits
from loadlog.web.serve import NO_HEART, Heart, Server, listen, make_server
from loadlog.web.source import Source
from loadlog.web.stream import Hub
from loadlog.web.tls import load_tls, read_certificate

SOFTWARE = f"loadlog {__version__}"
ASK_TIMEOUT_S = 3.0  # a recorder that does not answer this long is shown as gone
BEATS = 3  # within the time that the watchdog allows
_log = logging.getLogger(__name__)


def build_site(
    name: str,
    devices: Mapping[str, DeviceSpec],
    data_dir: Path,
    access: Access,
    connections: Connections,
    forwarding: Forwarding | None = None,
    trusted_proxies: tuple[str, ...] = (),
    plans: Callable[[], Sequence[PlanConfig]] = tuple,
    notices: Notices | None = None,
    unread: Callable[[], bool] = lambda: False,
) -> Site:
    """Everything behind the page of the bench ``name`` that is recorded into ``data_dir``."""
    control = ControlClient(data_dir, ASK_TIMEOUT_S)
    sending = forwarding or Forwarding(name, data_dir, (), control)
    source = Source(
        Archive(data_dir), control, devices, utc_ns=time.time_ns, monotonic_s=time.monotonic,
        forwarding=lambda: [facts.to_json() for facts in sending.facts()],
        notices=lambda: [facts.to_json() for facts in notices.facts()] if notices else [],
        unread=unread,
    )  # fmt: skip
    feed = RecordingFeed(source, software=SOFTWARE, page=page_digest(), monotonic_s=time.monotonic, readers=lambda: hub.readers)
    hub = Hub(feed, session=f"{time.time_ns():x}", monotonic_s=time.monotonic)
    limits = Limits(
        FailureCounter(time.monotonic), RateLimit(READS, "reads", time.monotonic), RateLimit(CHANGES, "changes", time.monotonic), Places()
    )
    desk = Desk(data_dir, time.monotonic)
    return Site(
        name, SOFTWARE, access, source, hub, limits, time.time, trusted_proxies, abort=connections.abort, retry_forward=sending.retry,
        plans=lambda: plans_json(plans(), time.time_ns()), review=desk.ask, close=desk.close,
    )  # fmt: skip


def address_of(sock: socket.socket, access: Access, *, tls: bool = False) -> str:
    """The address that people type in."""
    host, tcp_port = sock.getsockname()[:2]
    shown = f"[{host}]" if ":" in host else host
    return f"{'https' if tls else 'http'}://{shown}:{tcp_port}/" + (" (with the token)" if access.others_reach else "")


def make_viewer(
    name: str,
    devices: Mapping[str, DeviceSpec],
    data_dir: Path,
    access: Access,
    on_listening: Callable[[], None] = lambda: None,
    forwarding: Forwarding | None = None,
    heart: Heart = NO_HEART,
    tls: ssl.SSLContext | None = None,
    trusted_proxies: tuple[str, ...] = (),
    connections: Connections | None = None,
    plans: Callable[[], Sequence[PlanConfig]] = tuple,
    notices: Notices | None = None,
    unread: Callable[[], bool] = lambda: False,
) -> Server:
    """The server of the page, not yet running; give its `run` the listening socket."""
    connections = connections or Connections()
    site = build_site(name, devices, data_dir, access, connections, forwarding, trusted_proxies, plans, notices, unread)
    return make_server(build_app(site), site.hub, connections, on_listening, heart, tls)


def run_viewer(config_path: Path, environ: Mapping[str, str] = os.environ) -> int:
    """The viewer process, until SIGTERM or SIGINT; returns the exit status.

    Raises:
        LoadlogError: the configuration, the token or the address is refused; nothing was served.
    """
    give_way()
    bench = load_bench(config_path)
    web = bench.config.web
    access = load_access(web, config_path.parent, environ)
    tls = load_tls(web, config_path.parent)
    state = StateHolder(bench.data_dir)
    forwarding = make_forwarding(bench, environ, state)
    notices = make_notices(bench, environ, state)
    in_force = plans_in_force(bench)
    plans = Plans(in_force.look, Archive(bench.data_dir), ControlClient(bench.data_dir, ASK_TIMEOUT_S), time.time_ns, state.opened)
    sock = listen(web.host, web.tcp_port)
    notifier = Notifier(environ)

    def on_listening() -> None:
        address = address_of(sock, access, tls=tls is not None)
        notifier.ready(f"live page on {address}")
        _log.info("live page", extra={"fields": {"address": address}})

    heart = Heart(notifier.alive, notifier.watchdog_s / BEATS)
    server = make_viewer(
        bench.config.bench.name, bench.devices, bench.data_dir, access, on_listening, forwarding, heart, tls, tuple(web.trusted_proxies),
        plans=lambda: in_force.now.plans, notices=notices, unread=lambda: in_force.unread,
    )  # fmt: skip
    # uvicorn repeats the signal after its clean stop, for the handler that stood before it: that one has nothing left to do.
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, _ignore)
    signal.signal(signal.SIGHUP, _on_hangup(partial(read_certificate, tls, web, config_path.parent) if tls else _nothing))
    with sock, taking_orders(bench.data_dir, forwarding, notices) as take_orders:
        forwarding.start(take_orders)
        if notices is not None:
            notices.start(take_orders)
        plans.start()
        server.run([sock])
    notifier.stopping()
    plans.stop()
    forwarding.stop()
    if notices is not None:
        notices.stop()
    return 0 if server.started else 1


def make_forwarding(bench: Bench, environ: Mapping[str, str], state: StateHolder) -> Forwarding:
    """To every target of the configuration, not yet begun.

    Raises:
        ConfigError: a secret is missing, or a name cannot be carried by line protocol.
    """
    name, base = bench.config.bench.name, bench.path.parent
    if bench.config.forward:
        check_names(name, bench.devices.values(), str(bench.path))
    targets = [(config, load_credentials(config, base, environ)) for config in bench.config.forward]
    return Forwarding(name, bench.data_dir, targets, ControlClient(bench.data_dir, ASK_TIMEOUT_S), base, state=state)


def make_notices(bench: Bench, environ: Mapping[str, str], state: StateHolder) -> Notices | None:
    """To every address of the configuration, not yet begun; None where nobody is told.

    Raises:
        ConfigError: an address is missing or malformed, or there is no such time zone.
    """
    config, base = bench.config.notify, bench.path.parent
    if config is None:
        return None
    return Notices(
        bench.config.bench.name, bench.data_dir, config, load_addresses(config, base, environ),
        ControlClient(bench.data_dir, ASK_TIMEOUT_S), state, heartbeat=load_heartbeat(config, base, environ),
        period_s=min(spec.period_s for spec in bench.devices.values()),
    )  # fmt: skip


def plans_in_force(bench: Bench) -> InForce:
    """The plans of the configuration that the recorder has, which need not be that of ``bench``.

    Raises:
        ConfigError: a plan's times or limits mean nothing.
    """

    def checked(bench: Bench) -> PlanSet:
        for plan in bench.config.plan:
            check_plan(plan, bench.devices, str(bench.path))
        return PlanSet(bench.config.plan, bench.digest)

    control = ControlClient(bench.data_dir, ASK_TIMEOUT_S)

    def file_digest() -> str:
        return digest_of(read_config(bench.path))

    return InForce(checked(bench), control, lambda text: checked(bench_of(text, bench.path)), file_digest, time.monotonic)


@contextlib.contextmanager
def taking_orders(data_dir: Path, forwarding: Forwarding, notices: Notices | None) -> Iterator[Callable[[], None]]:
    """What begins to take orders over the viewer's own control socket, for `loadlog forward` and `loadlog notify`: to be called by the
    viewer that keeps the state, of several, once or more. A directory that does not take a socket costs only that."""
    lock, begun = threading.Lock(), [False]

    def carry_out(order: str, fields: dict[str, Any]) -> dict[str, Any]:
        if order == "forward_status" and not fields:
            return {"targets": [facts.to_json() for facts in forwarding.facts()]}
        if order == "notify_status" and not fields:
            return {"addresses": [facts.to_json() for facts in notices.facts()] if notices else []}
        if order == "forward_retry" and list(fields) == ["target"]:
            forwarding.retry(str(fields["target"]))
            return {}
        raise UsageError(f"the viewer takes no order {order!r} with {', '.join(fields) or 'no fields'}")

    server = ControlServer(data_dir, carry_out, VIEWER_SOCKET)

    def begin() -> None:
        with lock:
            if begun[0]:
                return
            begun[0] = True
            try:
                server.start()
            except LoadlogError as exc:
                _log.warning("no orders are taken: %s", exc)

    try:
        yield begin
    finally:
        server.stop()


def _ignore(_number: int, _frame: FrameType | None) -> None:
    """See `run_viewer`."""


def _nothing() -> None:
    """Without TLS there is nothing to read again."""


def _on_hangup(read_again: Callable[[], None]) -> Callable[[int, FrameType | None], None]:
    """What a hangup does: a renewed certificate is taken up, by ``read_again``; nothing else changes."""

    def handle(_number: int, _frame: FrameType | None) -> None:
        try:
            read_again()
        except LoadlogError as exc:
            _log.error("the certificate stays as it was: %s", exc)
        _log.info(
            "the page follows the recordings and the recorder's plans, which tell of a new configuration, and reads its certificate again; "
            "any other change of [web], [[forward]] or [notify] needs a restart of the viewer"
        )

    return handle
